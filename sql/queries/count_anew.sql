-- Enter what tells rows apart.
UPDATE raw_rows
SET row_hash = counted.row_hash
FROM _counted AS counted  -- row_id, row_hash
WHERE raw_rows.row_id = counted.row_id;
