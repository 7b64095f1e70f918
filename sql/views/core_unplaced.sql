-- unplaced: readings that stand in the store and mean no electrode, since a person turned down what their name meant.
-- They wait for another meaning as refused rows do, in the same columns, and are read for dangers meanwhile.
CREATE OR REPLACE MACRO known_unplaced(known_at) AS TABLE
WITH turned_down AS (
    SELECT alias
    FROM known_aliases(known_at)
    WHERE kind IN ('well', 'electrode') AND decision = 'different'
), registered AS (
    SELECT unnest([electrode_id, named, well_id]) AS name
    FROM known_lives(known_at)
), named AS (
    SELECT raw_readings.* EXCLUDE (site_hint), site_hint AS site_id, coalesce(electrode_id, well_id) AS name
    FROM raw_readings
    WHERE name IN (FROM turned_down) AND name NOT IN (SELECT name FROM registered WHERE name IS NOT NULL)
), known AS (
    FROM raw_rows
    WHERE table_name = 'readings' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    files.file,
    files.sheet,
    known.line,
    'readings' AS table_name,
    format('{} ''{}'' is not known', if(named.electrode_id IS NULL, 'well_id', 'electrode_id'), named.name) AS reason,
    NULL::VARCHAR AS cells,
    false AS settled,
    known.known_from AS refused_at,
    named.name AS row_place,
    named.taken_at::VARCHAR AS row_moment,
    to_json(named)::VARCHAR AS understood,
    known.file_id,
    named.row_id
FROM named
JOIN known USING (row_id)
JOIN files USING (file_id)
ANTI JOIN meant_readings(known_at, true) AS meant ON named.row_id = meant.row_id;

CREATE OR REPLACE VIEW core_unplaced AS
FROM known_unplaced('infinity'::TIMESTAMP);
