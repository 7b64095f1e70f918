-- soil_surveys: the accepted rows, as they were known at a moment, and as they stand now; a site under another name goes
-- by the name that it means.
CREATE OR REPLACE MACRO known_soil_surveys(known_at) AS TABLE
WITH typed AS (
    FROM raw_soil_surveys
), known AS (
    FROM raw_rows
    WHERE table_name = 'soil_surveys' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), names AS (
    SELECT alias, means
    FROM known_names(known_at)
    WHERE kind = 'site'
)
SELECT
    coalesce(names.means, typed.site_id) AS site_id,
    typed.surveyed_on,
    typed.soil_class,
    typed.sample_depth_m,
    typed.drainage,
    typed.ph,
    typed.chloride_ppm,
    typed.sulphate_ppm,
    typed.redox_mv,
    typed.sulphide,
    typed.moisture,
    typed.resistivity_ohm_m,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id)
LEFT JOIN names ON typed.site_id = names.alias
-- A survey that came in under two names of its site counts once.
QUALIFY typed.site_id IS NULL OR rank() OVER (
    PARTITION BY coalesce(names.means, typed.site_id), typed.surveyed_on, typed.soil_class, typed.sample_depth_m, typed.drainage, typed.ph, typed.chloride_ppm, typed.sulphate_ppm, typed.redox_mv, typed.sulphide, typed.moisture, typed.resistivity_ohm_m
    ORDER BY names.means IS NOT NULL, typed.site_id
) = 1;

CREATE OR REPLACE VIEW core_soil_surveys AS
FROM known_soil_surveys('infinity'::TIMESTAMP);
