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
    SELECT typed.row_id, electrodes.electrode_id, electrodes.site_id, electrodes.well_id
    FROM typed
    JOIN electrodes USING (electrode_id)
), by_well AS (
    SELECT typed.row_id, electrodes.electrode_id, electrodes.site_id, electrodes.well_id
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
    coalesce(meant.well_id, typed.well_id) AS well_id,
    meant.site_id,
    typed.taken_at,
    typed.resistance_ohm,
    typed.range_mark,
    typed.outcome,
    typed.method,
    typed.current_a,
    typed.current_kind,
    typed.conductor,
    typed.conductors_in_well,
    typed.repeat_no,
    typed.visit_reason,
    typed.check_ring_ohm,
    typed.instrument_id,
    typed.soil_temp_c,
    typed.soil_moisture_pct,
    typed.crew,
    typed.corrects,
    typed.note,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN meant USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_readings AS
FROM known_readings('infinity'::TIMESTAMP);
