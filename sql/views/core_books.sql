-- The books: for each file and sheet of each load, rows read = taken + held + refused.
CREATE OR REPLACE MACRO known_books(known_at) AS TABLE
WITH files AS (
    FROM raw_files
    WHERE loaded_at <= known_at
)
SELECT
    file_id,
    file,
    sheet,
    table_name,
    profile,
    loaded_at,
    loaded_by,
    content_sha256,
    rows_read,
    rows_taken,
    rows_held,
    rows_refused,
    rows_superseding
FROM files;

CREATE OR REPLACE VIEW core_books AS
FROM known_books('infinity'::TIMESTAMP);
