-- weather: the accepted rows, as they were known at a moment, and as they stand now; a site under another name goes
-- by the name that it means.
CREATE OR REPLACE MACRO known_weather(known_at) AS TABLE
WITH typed AS (
    FROM raw_weather
), known AS (
    FROM raw_rows
    WHERE table_name = 'weather' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), names AS (
    SELECT alias, means
    FROM known_names(known_at)
    WHERE kind = 'site'
)
SELECT
    coalesce(names.means, typed.site_id) AS site_id,
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
JOIN files USING (file_id)
LEFT JOIN names ON typed.site_id = names.alias
-- A month that came in under two names of its site counts once: under the site's own name, if there.
QUALIFY typed.site_id IS NULL OR rank() OVER (
    PARTITION BY coalesce(names.means, typed.site_id), typed.region, typed.month
    ORDER BY names.means IS NOT NULL, typed.site_id
) = 1;

CREATE OR REPLACE VIEW core_weather AS
FROM known_weather('infinity'::TIMESTAMP);
