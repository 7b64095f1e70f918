-- readings: the accepted rows with the electrode that each one means. A row that names a well means the electrode
-- that stood in it on that date; on the day of a replacement, the new one. This is worked out here and not when
-- loading, so that a corrected date of installation moves the readings with it.
CREATE OR REPLACE MACRO known_readings(known_at) AS TABLE
WITH typed AS (
    FROM raw_readings
), known AS (
    FROM raw_rows
    WHERE table_name = 'readings' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), electrodes AS (
    SELECT electrode_id, site_id, well_id, installed_on, retired_on
    FROM known_electrodes(known_at)
), by_electrode AS (
    SELECT electrodes.electrode_id, electrodes.site_id, electrodes.well_id AS in_well, typed.* EXCLUDE (electrode_id)
    FROM typed
    JOIN electrodes USING (electrode_id)
), by_well AS (
    SELECT electrodes.electrode_id, electrodes.site_id, electrodes.well_id AS in_well, typed.* EXCLUDE (electrode_id)
    FROM (FROM typed WHERE electrode_id IS NULL) AS typed
    ASOF JOIN electrodes ON typed.well_id = electrodes.well_id AND typed.taken_at >= electrodes.installed_on
    WHERE electrodes.retired_on IS NULL OR typed.taken_at::DATE <= electrodes.retired_on
), meant AS (
    FROM by_electrode
    UNION ALL
    FROM by_well
)
SELECT
    meant.electrode_id,
    coalesce(meant.in_well, meant.well_id) AS well_id,
    meant.site_id,
    meant.taken_at,
    meant.resistance_ohm,
    meant.range_mark,
    meant.outcome,
    meant.method,
    meant.current_a,
    meant.current_kind,
    meant.conductor,
    meant.conductors_in_well,
    meant.repeat_no,
    meant.visit_reason,
    meant.check_ring_ohm,
    meant.instrument_id,
    meant.soil_temp_c,
    meant.soil_moisture_pct,
    meant.crew,
    meant.corrects,
    meant.note,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM meant
JOIN known USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_readings AS
FROM known_readings('infinity'::TIMESTAMP);
