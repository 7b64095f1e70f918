-- Whatever stands speaks of a site and an electrode that stand.
WITH sites AS (
    SELECT site_id
    FROM core_sites
), electrodes AS (
    SELECT electrode_id
    FROM core_electrodes
), spoken_of AS (
    SELECT 'electrodes' AS table_name, file, line, site_id, NULL AS electrode_id FROM core_electrodes
    UNION ALL
    SELECT 'soil_surveys', file, line, site_id, NULL FROM core_soil_surveys
    UNION ALL
    SELECT 'soundings', file, line, site_id, NULL FROM core_soundings
    UNION ALL
    SELECT 'works', file, line, site_id, electrode_id FROM core_works
    UNION ALL
    SELECT 'weather', file, line, site_id, NULL FROM core_weather
    UNION ALL
    SELECT 'readings', file, line, site_id, electrode_id FROM core_readings
)
SELECT spoken_of.*
FROM spoken_of
LEFT JOIN sites USING (site_id)
LEFT JOIN electrodes USING (electrode_id)
WHERE (spoken_of.site_id IS NOT NULL AND sites.site_id IS NULL)
    OR (spoken_of.electrode_id IS NOT NULL AND electrodes.electrode_id IS NULL)
ORDER BY spoken_of.table_name, spoken_of.file, spoken_of.line;
