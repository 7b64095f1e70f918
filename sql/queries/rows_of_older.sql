-- The rows of one table that an older program took.
WITH files AS (
    SELECT file_id
    FROM raw_files
    WHERE layout IS NULL
), rows AS (
    FROM raw_rows
)
SELECT rows.row_id, rows.row_key
FROM rows
SEMI JOIN files USING (file_id)
WHERE rows.table_name = $table_name
ORDER BY rows.row_id;
