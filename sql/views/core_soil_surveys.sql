-- soil_surveys: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_soil_surveys(known_at) AS TABLE
WITH typed AS (
    FROM raw_soil_surveys
), known AS (
    FROM raw_rows
    WHERE table_name = 'soil_surveys' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.site_id,
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
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_soil_surveys AS
FROM known_soil_surveys('infinity'::TIMESTAMP);
