-- instruments: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_instruments(known_at) AS TABLE
WITH typed AS (
    FROM raw_instruments
), known AS (
    FROM raw_rows
    WHERE table_name = 'instruments' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.instrument_id,
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
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_instruments AS
FROM known_instruments('infinity'::TIMESTAMP);
