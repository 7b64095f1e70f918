-- The rows just taken from a file take the place of earlier rows with the same key. Where a file may give
-- several rows for one key ($several), its own rows, held ones included, all stay.
WITH fresh AS (
    SELECT row_key, max(row_id) AS row_id
    FROM raw_rows
    WHERE file_id = $file_id
    GROUP BY row_key
), of_this_file AS (
    SELECT row_hash
    FROM _of_file
    WHERE kind = 'row'
)
UPDATE raw_rows AS earlier
SET superseded_at = $known_from, superseded_by = fresh.row_id
FROM fresh
WHERE earlier.table_name = $table_name
    AND earlier.row_key = fresh.row_key
    AND earlier.row_id < fresh.row_id
    AND earlier.superseded_at IS NULL
    AND NOT ($several AND (earlier.file_id = $file_id OR earlier.row_hash IN (FROM of_this_file)));
