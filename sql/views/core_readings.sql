-- readings: the accepted rows with the electrode that each one means. A row that names a well means the electrode
-- that stood in it on that date; on the day of a replacement, the new one. A well, an electrode or a meter under
-- another name is the one that the name means. This is worked out here and not when loading, so that a corrected
-- date of installation, or an alias that a person accepts later, moves the readings with it.
--
-- meant_readings: every row that was ever taken and means an electrode, with electrode_id, site_id and in_well. Where
-- $two_named, only those of the wells and electrodes that have more than one name: few, and quickly found.
CREATE OR REPLACE MACRO meant_readings(known_at, two_named) AS TABLE
WITH names AS (
    FROM known_names(known_at)
), site_names AS (
    SELECT alias, means FROM names WHERE kind = 'site'
), well_names AS (
    SELECT alias, means FROM names WHERE kind = 'well' AND site_id IS NULL
), well_names_at AS (
    SELECT alias, means, site_id FROM names WHERE kind = 'well' AND site_id IS NOT NULL
), electrode_names AS (
    SELECT alias, means FROM names WHERE kind = 'electrode'
), lives AS (
    SELECT electrode_id, site_id, well_id, well_as_registered, installed_on, retired_on, named, life, life_from, life_until
    FROM known_lives(known_at)
), called AS (
    -- The name of a later life, OLD~2, is the electrode's name and a day.
    SELECT named AS name, electrode_id, site_id, well_id, life_from, life_until FROM lives
    UNION ALL
    SELECT later.electrode_id, lives.electrode_id, lives.site_id, lives.well_id, lives.life_from, lives.life_until
    FROM lives
    JOIN lives AS later ON lives.named = later.named AND later.life > 1
), touched AS (
    SELECT electrode_id, named, well_id, well_as_registered
    FROM lives
    WHERE named IN (SELECT means FROM electrode_names)
        OR well_id IN (SELECT means FROM names WHERE kind = 'well')
), two_names AS (
    SELECT alias AS name FROM names WHERE kind IN ('well', 'electrode')
    UNION
    SELECT unnest([electrode_id, named, well_id, well_as_registered]) FROM touched
), typed AS (
    FROM raw_readings
    WHERE NOT two_named OR coalesce(electrode_id, well_id) IN (SELECT name FROM two_names WHERE name IS NOT NULL)
), by_electrode AS (
    SELECT called.electrode_id, called.site_id, called.well_id AS in_well, typed.* EXCLUDE (electrode_id)
    FROM typed
    LEFT JOIN electrode_names ON typed.electrode_id = electrode_names.alias
    JOIN called
        ON coalesce(electrode_names.means, typed.electrode_id) = called.name
        AND typed.taken_at >= called.life_from
        AND typed.taken_at < called.life_until
), naming_well AS (
    SELECT
        typed.* EXCLUDE (electrode_id),
        coalesce(as_written.means, at_site.means, well_names.means, typed.well_id) AS well_meant
    FROM typed
    LEFT JOIN site_names ON typed.site_hint = site_names.alias
    LEFT JOIN well_names_at AS as_written
        ON typed.well_id = as_written.alias AND typed.site_hint = as_written.site_id
    LEFT JOIN well_names_at AS at_site ON typed.well_id = at_site.alias AND site_names.means = at_site.site_id
    LEFT JOIN well_names ON typed.well_id = well_names.alias
    WHERE typed.electrode_id IS NULL
), by_well AS (
    SELECT lives.electrode_id, lives.site_id, lives.well_id AS in_well, naming_well.* EXCLUDE (well_meant)
    FROM naming_well
    ASOF JOIN lives ON naming_well.well_meant = lives.well_id AND naming_well.taken_at >= lives.installed_on
    WHERE lives.retired_on IS NULL OR naming_well.taken_at::DATE <= lives.retired_on
)
FROM by_electrode
UNION ALL
FROM by_well;

-- spare_readings: rows that are not shown, since another stands for them: the same reading under another name of its
-- place (as loading has it, seen_before.sql: equal rows of one file are repeats, of two files the same rows again), or
-- a value that was corrected under another name.
CREATE OR REPLACE MACRO spare_readings(known_at) AS TABLE
WITH known AS (
    FROM raw_rows
    WHERE table_name = 'readings' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), two_named AS (
    SELECT
        meant.electrode_id,
        {known: known.known_from, file: files.file, line: known.line} AS delivered,
        known.file_id,
        known.row_key,
        meant.row_id,
        meant.taken_at,
        meant.repeat_no,
        meant.corrects,
        row(
            meant.electrode_id,
            meant.taken_at, meant.resistance_ohm, meant.range_mark, meant.outcome, meant.method,
            meant.current_a, meant.current_kind, meant.conductor, meant.conductors_in_well,
            meant.repeat_no, meant.visit_reason, meant.check_ring_ohm, meant.instrument_id,
            meant.soil_temp_c, meant.soil_moisture_pct, meant.crew, meant.corrects, meant.note
        ) AS content
    FROM meant_readings(known_at, true) AS meant
    JOIN known USING (row_id)
    JOIN files USING (file_id)
), numbered AS (
    SELECT row_id, content, row_number() OVER (PARTITION BY content, file_id ORDER BY row_id) AS occurrence
    FROM two_named
), again AS (
    SELECT row_id
    FROM numbered
    QUALIFY row_number() OVER (PARTITION BY content, occurrence ORDER BY row_id) > 1
), corrected AS (
    SELECT earlier.row_id
    FROM two_named AS earlier
    SEMI JOIN two_named AS correction
        ON correction.corrects
        AND correction.electrode_id = earlier.electrode_id
        AND correction.taken_at = earlier.taken_at
        AND correction.row_key <> earlier.row_key
        AND coalesce(correction.repeat_no = earlier.repeat_no, true)
        AND (NOT coalesce(earlier.corrects, false) OR earlier.delivered < correction.delivered)
)
FROM again
UNION
FROM corrected;

CREATE OR REPLACE MACRO known_readings(known_at) AS TABLE
WITH known AS (
    FROM raw_rows
    WHERE table_name = 'readings' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), spare AS (
    FROM spare_readings(known_at)
), meter_names AS (
    SELECT alias, means
    FROM known_names(known_at)
    WHERE kind = 'instrument'
)
SELECT
    meant.electrode_id,
    coalesce(meant.in_well, meant.well_id) AS well_id,
    meant.site_id,
    meant.taken_at,
    meant.resistance_ohm,
    meant.range_mark::VARCHAR AS range_mark,
    meant.outcome::VARCHAR AS outcome,
    meant.method::VARCHAR AS method,
    meant.current_a,
    meant.current_kind::VARCHAR AS current_kind,
    meant.conductor,
    meant.conductors_in_well,
    meant.repeat_no,
    meant.visit_reason::VARCHAR AS visit_reason,
    meant.check_ring_ohm,
    coalesce(meter_names.means, meant.instrument_id) AS instrument_id,
    meant.soil_temp_c,
    meant.soil_moisture_pct,
    meant.crew,
    meant.corrects,
    meant.note,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM meant_readings(known_at, false) AS meant
JOIN known USING (row_id)
JOIN files USING (file_id)
LEFT JOIN meter_names ON meant.instrument_id = meter_names.alias
ANTI JOIN spare ON meant.row_id = spare.row_id;

CREATE OR REPLACE VIEW core_readings AS
FROM known_readings('infinity'::TIMESTAMP);

CREATE OR REPLACE VIEW _meant_readings AS
SELECT row_id
FROM meant_readings('infinity'::TIMESTAMP, false);
