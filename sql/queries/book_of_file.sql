-- The books of one file or sheet.
WITH books AS (
    FROM core_books
)
SELECT rows_read, rows_taken, rows_held, rows_refused, rows_superseding
FROM books
WHERE file_id = $file_id;
