-- One standing row for each site, electrode, calibration, month of weather and decision on a name.
WITH standing AS (
    SELECT table_name, row_key
    FROM raw_rows
    WHERE superseded_at IS NULL AND table_name IN ('sites', 'electrodes', 'instruments', 'weather', 'aliases')
)
SELECT table_name, row_key, count(*) AS rows
FROM standing
GROUP BY table_name, row_key
HAVING count(*) > 1
ORDER BY table_name, row_key;
