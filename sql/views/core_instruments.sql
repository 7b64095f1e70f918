-- instruments: the accepted rows, as they were known at a moment, and as they stand now; a meter under another
-- name goes by the name that it means.
CREATE OR REPLACE MACRO known_instruments(known_at) AS TABLE
WITH typed AS (
    FROM raw_instruments
), known AS (
    FROM raw_rows
    WHERE table_name = 'instruments' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), names AS (
    SELECT alias, means
    FROM known_names(known_at)
    WHERE kind = 'instrument'
)
SELECT
    coalesce(names.means, typed.instrument_id) AS instrument_id,
    typed.calibrated_on,
    typed.calibration_due_on,
    typed.range_low_ohm,
    typed.range_high_ohm,
    typed.accuracy_pct,
    typed.accuracy_ohm,
    typed.as_found_error_pct,
    typed.test_frequency_hz,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id)
LEFT JOIN names ON typed.instrument_id = names.alias
-- A calibration that is entered under both names counts once.
QUALIFY rank() OVER (
    PARTITION BY coalesce(names.means, typed.instrument_id), typed.calibrated_on
    ORDER BY names.means IS NOT NULL, typed.instrument_id
) = 1;

CREATE OR REPLACE VIEW core_instruments AS
FROM known_instruments('infinity'::TIMESTAMP);
