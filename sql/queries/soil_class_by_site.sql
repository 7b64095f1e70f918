-- soil_class_by_site: the class of each site's newest survey that names one, "unknown" where none does.
WITH surveys AS (
    FROM core_soil_surveys
), sites AS (
    FROM core_sites
), newest AS (
    SELECT site_id, arg_max(soil_class, (surveyed_on, row_id)) AS soil_class
    FROM surveys
    WHERE soil_class IS NOT NULL AND trim(soil_class) <> ''
    GROUP BY site_id
)
SELECT sites.site_id, coalesce(trim(newest.soil_class), 'unknown') AS soil_class
FROM sites
LEFT JOIN newest USING (site_id)
ORDER BY sites.site_id;
