-- The books: for each file and sheet of each load, rows read = taken + held + refused.
CREATE OR REPLACE VIEW core_books AS
WITH files AS (
    FROM raw_files
)
SELECT
    file_id,
    file,
    sheet,
    table_name,
    profile,
    loaded_at,
    rows_read,
    rows_taken,
    rows_held,
    rows_refused,
    rows_superseding
FROM files;
