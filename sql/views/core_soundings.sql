-- soundings: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_soundings(known_at) AS TABLE
WITH typed AS (
    FROM raw_soundings
), known AS (
    FROM raw_rows
    WHERE table_name = 'soundings' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.site_id,
    typed.surveyed_on,
    typed.spacing_m,
    typed.resistance_ohm,
    typed.potential_spacing_m,
    typed.pin_depth_m,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_soundings AS
FROM known_soundings('infinity'::TIMESTAMP);
