-- For each alias of a file: why it can't be taken. What it means has to be known, in the register or as another
-- alias, held or of this file; and the aliases must not lead in a circle.
WITH RECURSIVE incoming AS (
    FROM _incoming  -- line, kind, alias, means, site_id, decision
), held AS (
    FROM known_names('infinity'::TIMESTAMP)
), standing AS (
    SELECT row_id
    FROM raw_rows
    WHERE superseded_at IS NULL AND table_name IN ('sites', 'electrodes', 'instruments')
), sites AS (
    SELECT site_id FROM raw_sites SEMI JOIN standing USING (row_id)
), electrodes AS (
    SELECT electrode_id, site_id, well_id FROM raw_electrodes SEMI JOIN standing USING (row_id)
), instruments AS (
    SELECT instrument_id FROM raw_instruments SEMI JOIN standing USING (row_id)
), same AS (
    FROM incoming
    WHERE coalesce(decision, 'same') = 'same'
), known AS (
    SELECT 'site' AS kind, site_id AS name FROM sites
    UNION
    SELECT 'electrode', electrode_id FROM electrodes
    UNION
    SELECT 'well', well_id FROM electrodes
    UNION
    SELECT 'instrument', instrument_id FROM instruments
), site_names AS (
    SELECT name FROM known WHERE kind = 'site'
    UNION
    SELECT alias FROM held WHERE kind = 'site'
    UNION
    SELECT alias FROM same WHERE kind = 'site'
), edges AS (
    SELECT kind, alias, arg_max(means, line) AS means FROM same WHERE site_id IS NULL GROUP BY kind, alias
    UNION ALL
    SELECT kind, alias, means FROM (FROM held WHERE site_id IS NULL) ANTI JOIN same USING (kind, alias)
), walk AS (
    SELECT line, kind, alias, means, 1 AS step
    FROM incoming
    UNION ALL
    SELECT walk.line, walk.kind, walk.alias, edges.means, walk.step + 1
    FROM walk
    JOIN edges ON walk.kind = edges.kind AND walk.means = edges.alias
    WHERE walk.step < 30 AND walk.means <> walk.alias
), ends AS (
    SELECT line, arg_max(means, step) AS means, bool_or(means = alias) OR max(step) = 30 AS in_circle
    FROM walk
    GROUP BY line
)
SELECT
    incoming.line,
    CASE
        WHEN incoming.alias = incoming.means
            THEN format('alias ''{}'' means itself', incoming.alias)
        WHEN incoming.site_id IS NOT NULL AND incoming.kind <> 'well'
            THEN 'site_id goes with the alias of a well alone; leave it empty'
        WHEN incoming.site_id IS NOT NULL AND sites.name IS NULL
            THEN format('site_id ''{}'' is not known', incoming.site_id)
        WHEN NOT ends.in_circle AND coalesce(known.name, later_life.name) IS NULL
            THEN format('means: the {} ''{}'' is not known', incoming.kind, incoming.means)
        WHEN ends.in_circle AND incoming.site_id IS NULL AND coalesce(incoming.decision, 'same') = 'same'
            THEN format('alias ''{}'' leads in a circle back to itself', incoming.alias)
    END AS reason
FROM incoming
LEFT JOIN ends ON incoming.line = ends.line
LEFT JOIN site_names AS sites ON incoming.site_id = sites.name
LEFT JOIN known ON incoming.kind = known.kind AND ends.means = known.name
LEFT JOIN known AS later_life
    ON incoming.kind = later_life.kind AND regexp_replace(ends.means, '~[0-9]+$', '') = later_life.name
ORDER BY incoming.line;
