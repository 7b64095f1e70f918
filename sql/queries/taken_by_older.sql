-- One row where a program that told rows apart by the MD5 of their text has taken rows, none otherwise.
WITH files AS (
    FROM raw_files
)
SELECT file_id
FROM files
WHERE layout IS NULL AND rows_taken > 0
LIMIT 1;
