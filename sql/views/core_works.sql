-- works: the accepted rows, as they were known at a moment, and as they stand now. Site and electrode go by their
-- own names; of an electrode that was replaced under its old number the life is meant that stood on that day, on
-- the day of the replacement the new one, but of the replacement itself the old one.
CREATE OR REPLACE MACRO known_works(known_at) AS TABLE
WITH typed AS (
    FROM raw_works
), known AS (
    FROM raw_rows
    WHERE table_name = 'works' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), names AS (
    FROM known_names(known_at)
), site_names AS (
    SELECT alias, means FROM names WHERE kind = 'site'
), electrode_names AS (
    SELECT alias, means FROM names WHERE kind = 'electrode'
), lives AS (
    SELECT electrode_id, named, life, life_from, life_until
    FROM known_lives(known_at)
), called AS (
    -- The name of a later life, OLD~2, is the electrode's name and a day.
    SELECT named AS name, electrode_id, life_from, life_until FROM lives
    UNION ALL
    SELECT later.electrode_id, lives.electrode_id, lives.life_from, lives.life_until
    FROM lives
    JOIN lives AS later ON lives.named = later.named AND later.life > 1
), resolved AS (
    SELECT
        typed.row_id,
        coalesce(site_names.means, typed.site_id) AS site_id,
        coalesce(electrode_names.means, typed.electrode_id) AS name,
        typed.site_id IS DISTINCT FROM coalesce(site_names.means, typed.site_id)
            OR electrode_names.means IS NOT NULL AS by_alias,
        -- A job ends the old life: of the day before the new one begins.
        CASE WHEN typed.work = 'replaced' THEN typed.done_on - 1 ELSE typed.done_on END AS meant_on
    FROM typed
    LEFT JOIN site_names ON typed.site_id = site_names.alias
    LEFT JOIN electrode_names ON typed.electrode_id = electrode_names.alias
), meant AS (
    SELECT
        resolved.row_id,
        resolved.site_id,
        resolved.by_alias,
        coalesce(called.electrode_id, resolved.name) AS electrode_id
    FROM resolved
    LEFT JOIN called
        ON resolved.name = called.name
        AND resolved.meant_on >= called.life_from
        AND resolved.meant_on < called.life_until
)
SELECT
    meant.site_id,
    meant.electrode_id,
    typed.done_on,
    typed.work,
    typed.note,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN meant USING (row_id)
JOIN files USING (file_id)
-- A job that came in under two names counts once.
QUALIFY rank() OVER (
    PARTITION BY meant.site_id, meant.electrode_id, typed.done_on, typed.work, typed.note
    ORDER BY meant.by_alias, typed.site_id, typed.electrode_id
) = 1;

CREATE OR REPLACE VIEW core_works AS
FROM known_works('infinity'::TIMESTAMP);
