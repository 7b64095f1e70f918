-- A superseded row names the row that took its place: of the same table and key, never itself.
WITH rows AS (
    FROM raw_rows
)
SELECT earlier.row_id, earlier.table_name, earlier.row_key, earlier.superseded_by
FROM rows AS earlier
LEFT JOIN rows AS later
    ON earlier.superseded_by = later.row_id
    AND earlier.table_name = later.table_name
    AND earlier.row_key = later.row_key
    AND earlier.row_id <> later.row_id
WHERE (earlier.superseded_by IS NOT NULL OR earlier.superseded_at IS NOT NULL) AND later.row_id IS NULL
ORDER BY earlier.row_id;
