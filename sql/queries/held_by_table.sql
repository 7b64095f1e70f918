-- What the store holds, table by table: rows that stand, rows that were superseded, refused rows still open.
WITH tables AS (
    SELECT unnest(['sites', 'electrodes', 'readings', 'soil_surveys', 'soundings', 'instruments', 'works', 'weather', 'aliases'])
        AS table_name,
        generate_subscripts([1, 2, 3, 4, 5, 6, 7, 8, 9], 1) AS place
), rows AS (
    FROM raw_rows
), refused AS (
    FROM core_refused
), counted AS (
    SELECT
        table_name,
        count(*) FILTER (WHERE superseded_at IS NULL) AS standing,
        count(*) FILTER (WHERE superseded_at IS NOT NULL) AS superseded
    FROM rows
    GROUP BY table_name
), open_refused AS (
    SELECT table_name, count(*) AS refused_open
    FROM refused
    WHERE NOT settled AND line IS NOT NULL
    GROUP BY table_name
)
SELECT
    tables.table_name,
    coalesce(counted.standing, 0) AS standing,
    coalesce(counted.superseded, 0) AS superseded,
    coalesce(open_refused.refused_open, 0) AS refused_open
FROM tables
LEFT JOIN counted USING (table_name)
LEFT JOIN open_refused USING (table_name)
ORDER BY tables.place;
