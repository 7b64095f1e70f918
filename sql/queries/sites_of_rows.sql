-- For each row of a file that names a site or an electrode: why it can't be taken where they are not known.
WITH incoming AS (
    FROM _incoming  -- line, site_id, electrode_id
), sites AS (
    SELECT site_id
    FROM core_sites
), electrodes AS (
    SELECT electrode_id, site_id
    FROM core_electrodes
)
SELECT
    incoming.line,
    CASE
        WHEN incoming.site_id IS NOT NULL AND sites.site_id IS NULL
            THEN format('site_id ''{}'' is not known', incoming.site_id)
        WHEN incoming.electrode_id IS NOT NULL AND electrodes.electrode_id IS NULL
            THEN format('electrode_id ''{}'' is not known', incoming.electrode_id)
        WHEN electrodes.site_id <> incoming.site_id
            THEN format('electrode {} is at site {}, but the row says {}', incoming.electrode_id, electrodes.site_id, incoming.site_id)
    END AS reason
FROM incoming
LEFT JOIN sites ON incoming.site_id = sites.site_id
LEFT JOIN electrodes ON incoming.electrode_id = electrodes.electrode_id
ORDER BY incoming.line;
