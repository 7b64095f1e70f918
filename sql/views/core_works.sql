-- works: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_works(known_at) AS TABLE
WITH typed AS (
    FROM raw_works
), known AS (
    FROM raw_rows
    WHERE table_name = 'works' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.site_id,
    typed.electrode_id,
    typed.done_on,
    typed.work,
    typed.note,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_works AS
FROM known_works('infinity'::TIMESTAMP);
