-- weather: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_weather(known_at) AS TABLE
WITH typed AS (
    FROM raw_weather
), known AS (
    FROM raw_rows
    WHERE table_name = 'weather' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.site_id,
    typed.region,
    typed.month,
    typed.rain_mm,
    typed.air_temp_c,
    typed.soil_temp_c,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_weather AS
FROM known_weather('infinity'::TIMESTAMP);
