-- Each row of the history has its typed content in the table that it names, and the other way round.
WITH history AS (
    SELECT row_id, table_name
    FROM raw_rows
), content AS (
    SELECT row_id, 'sites' AS table_name FROM raw_sites
    UNION ALL
    SELECT row_id, 'electrodes' FROM raw_electrodes
    UNION ALL
    SELECT row_id, 'instruments' FROM raw_instruments
    UNION ALL
    SELECT row_id, 'soil_surveys' FROM raw_soil_surveys
    UNION ALL
    SELECT row_id, 'soundings' FROM raw_soundings
    UNION ALL
    SELECT row_id, 'works' FROM raw_works
    UNION ALL
    SELECT row_id, 'weather' FROM raw_weather
    UNION ALL
    SELECT row_id, 'readings' FROM raw_readings
    UNION ALL
    SELECT row_id, 'aliases' FROM raw_aliases
), compared AS (
    SELECT row_id, table_name, count(history.row_id) AS in_history, count(content.row_id) AS in_content
    FROM history
    FULL OUTER JOIN content USING (row_id, table_name)
    GROUP BY row_id, table_name
)
FROM compared
WHERE in_history <> 1 OR in_content <> 1
ORDER BY row_id;
