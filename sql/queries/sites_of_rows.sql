-- For each row of a file that names a site or an electrode: why it can't be taken where they are not known, under
-- this name or another.
WITH incoming AS (
    FROM _incoming  -- line, site_id, electrode_id
), sites AS (
    SELECT site_id
    FROM core_sites
), names AS (
    FROM known_names('infinity'::TIMESTAMP)
), site_names AS (
    SELECT alias, means FROM names WHERE kind = 'site'
), electrode_names AS (
    SELECT alias, means FROM names WHERE kind = 'electrode'
), electrodes AS (
    SELECT electrode_id, site_id
    FROM core_electrodes
), resolved AS (
    SELECT
        incoming.*,
        coalesce(site_names.means, incoming.site_id) AS site_meant,
        coalesce(electrode_names.means, incoming.electrode_id) AS electrode_meant
    FROM incoming
    LEFT JOIN site_names ON incoming.site_id = site_names.alias
    LEFT JOIN electrode_names ON incoming.electrode_id = electrode_names.alias
), found AS (
    SELECT resolved.*, electrodes.site_id AS electrode_at
    FROM resolved
    LEFT JOIN electrodes ON resolved.electrode_meant = electrodes.electrode_id
)
SELECT
    found.line,
    CASE
        WHEN found.site_id IS NOT NULL AND sites.site_id IS NULL
            THEN format('site_id ''{}'' is not known', found.site_id)
        WHEN found.electrode_id IS NOT NULL AND found.electrode_at IS NULL
            THEN format('electrode_id ''{}'' is not known', found.electrode_id)
        WHEN found.electrode_at <> found.site_meant
            THEN format('electrode {} is at site {}, but the row says {}', found.electrode_id, found.electrode_at, found.site_id)
    END AS reason
FROM found
LEFT JOIN sites ON found.site_meant = sites.site_id
ORDER BY found.line;
