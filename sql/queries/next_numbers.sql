-- The numbers that the next file and the next row get.
WITH files AS (
    SELECT coalesce(max(file_id), 0) + 1 AS file_id
    FROM raw_files
), rows AS (
    SELECT coalesce(max(row_id), 0) + 1 AS row_id
    FROM raw_rows
)
SELECT files.file_id, rows.row_id
FROM files, rows;
