-- The load, if any, that read the same bytes in the same layout and refused none of their rows.
WITH files AS (
    FROM raw_files
)
SELECT file, loaded_at, rows_read
FROM files
WHERE content_sha256 = $content
    AND sheet = $sheet
    AND table_name = $table_name
    AND layout = $layout
    AND rows_read > 0
    AND rows_refused = 0
ORDER BY file_id
LIMIT 1;
