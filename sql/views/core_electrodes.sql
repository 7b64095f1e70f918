-- electrodes: the accepted rows, as they were known at a moment, and as they stand now.
--
-- known_lives: one row for each buried electrode, with the name that readings and works call it by (named) and
-- the days between which that name means it (life_from, before life_until). An electrode that is an alias of another
-- drops out; site and well go by their own names. A works record `replaced` splits an electrode whose register knows nothing of it,
-- neither a retirement nor a newer electrode in the well within a quarter of that day (90 days: common practice,
-- no source; a register is written up later): the old one ends there, OLD~2 begins in its place, like for like,
-- with a baseline of its own only where one was taken from that day on. A record of the electrode's own first
-- quarter is taken for the job that put it in. The alias `OLD~2 means OLD` takes a split back.
CREATE OR REPLACE MACRO known_lives(known_at) AS TABLE
WITH typed AS (
    FROM raw_electrodes
), known AS (
    FROM raw_rows
    WHERE table_name IN ('electrodes', 'works')
        AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), works AS (
    FROM raw_works
    WHERE work = 'replaced' AND electrode_id IS NOT NULL
), names AS (
    FROM known_names(known_at)
), site_names AS (
    SELECT alias, means FROM names WHERE kind = 'site'
), well_names AS (
    SELECT alias, means FROM names WHERE kind = 'well' AND site_id IS NULL
), electrode_names AS (
    SELECT alias, means FROM names WHERE kind = 'electrode'
), standing AS (
    SELECT
        typed.* REPLACE (
            coalesce(site_names.means, typed.site_id) AS site_id,
            coalesce(well_names.means, typed.well_id) AS well_id
        ),
        typed.site_id AS site_as_registered,
        typed.well_id AS well_as_registered,
        known.file_id,
        known.line
    FROM typed
    JOIN known USING (row_id)
    LEFT JOIN site_names ON typed.site_id = site_names.alias
    LEFT JOIN well_names ON typed.well_id = well_names.alias
    ANTI JOIN electrode_names ON typed.electrode_id = electrode_names.alias
), replaced AS (
    -- OLD~2 that was replaced in its turn is called OLD, or OLD~2.
    SELECT DISTINCT
        coalesce(standing.electrode_id, regexp_replace(named.name, '~[0-9]+$', '')) AS electrode_id,
        named.done_on
    FROM (
        SELECT coalesce(electrode_names.means, works.electrode_id) AS name, works.done_on
        FROM works
        SEMI JOIN known USING (row_id)
        LEFT JOIN electrode_names ON works.electrode_id = electrode_names.alias
    ) AS named
    LEFT JOIN standing ON named.name = standing.electrode_id
), unregistered AS (
    SELECT standing.electrode_id, standing.site_id, standing.well_id, standing.installed_on, replaced.done_on
    FROM replaced
    JOIN standing USING (electrode_id)
    WHERE replaced.done_on > standing.installed_on + 90
        AND (standing.retired_on IS NULL OR standing.retired_on > replaced.done_on + 90)
), without_newer AS (
    SELECT unregistered.electrode_id, unregistered.done_on
    FROM unregistered
    ANTI JOIN standing AS newer
        ON newer.site_id = unregistered.site_id
        AND newer.well_id IS NOT DISTINCT FROM unregistered.well_id
        AND newer.electrode_id <> unregistered.electrode_id
        AND newer.installed_on > unregistered.installed_on
        AND newer.installed_on <= unregistered.done_on + 90
        AND (newer.well_id IS NOT NULL OR newer.installed_on >= unregistered.done_on - 90)
), apart AS (
    SELECT electrode_id, done_on
    FROM without_newer
    -- Records within a quarter tell of one job.
    QUALIFY coalesce(done_on > lag(done_on) OVER (PARTITION BY electrode_id ORDER BY done_on) + 90, true)
), jobs AS (
    SELECT electrode_id, done_on, 1 + row_number() OVER (PARTITION BY electrode_id ORDER BY done_on) AS life
    FROM apart
), free_jobs AS (
    FROM jobs
    ANTI JOIN standing ON format('{}~{}', jobs.electrode_id, jobs.life) = standing.electrode_id
    ANTI JOIN electrode_names ON format('{}~{}', jobs.electrode_id, jobs.life) = electrode_names.alias
), spans AS (
    SELECT
        electrode_id,
        life,
        done_on AS begins,
        lead(done_on) OVER (PARTITION BY electrode_id ORDER BY life) AS ends
    FROM (
        FROM free_jobs
        UNION ALL
        SELECT DISTINCT electrode_id, NULL AS done_on, 1 AS life FROM free_jobs
    )
), lived AS (
    SELECT
        standing.*,
        coalesce(spans.life, 1) AS life,
        spans.begins,
        spans.ends,
        CASE
            WHEN spans.life IS NULL THEN true
            WHEN standing.baseline_on IS NULL THEN spans.life = 1
            ELSE standing.baseline_on >= coalesce(spans.begins, standing.baseline_on)
                AND coalesce(standing.baseline_on < spans.ends, true)
        END AS has_baseline
    FROM standing
    LEFT JOIN spans USING (electrode_id)
)
SELECT
    CASE WHEN life > 1 THEN format('{}~{}', electrode_id, life) ELSE electrode_id END AS electrode_id,
    site_id,
    well_id,
    has_test_well,
    kind,
    material,
    length_m,
    diameter_mm,
    cladding_um,
    top_depth_m,
    x_m,
    y_m,
    connection,
    coalesce(begins, installed_on) AS installed_on,
    coalesce(ends, retired_on) AS retired_on,
    CASE WHEN ends IS NULL THEN retired_reason ELSE 'replaced' END AS retired_reason,
    CASE WHEN has_baseline THEN baseline_ohm END AS baseline_ohm,
    CASE WHEN has_baseline THEN baseline_on END AS baseline_on,
    CASE WHEN has_baseline THEN baseline_tied_in END AS baseline_tied_in,
    lived.row_id,
    files.file,
    files.sheet,
    lived.line,
    electrode_id AS named,
    life,
    coalesce(begins, DATE '0001-01-01') AS life_from,
    coalesce(ends, DATE '9999-12-31') AS life_until,
    site_as_registered,
    well_as_registered
FROM lived
JOIN files USING (file_id);

CREATE OR REPLACE MACRO known_electrodes(known_at) AS TABLE
SELECT * EXCLUDE (named, life, life_from, life_until, site_as_registered, well_as_registered)
FROM known_lives(known_at);

CREATE OR REPLACE VIEW core_electrodes AS
FROM known_electrodes('infinity'::TIMESTAMP);
