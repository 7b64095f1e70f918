-- How many readings the store holds, superseded ones too.
WITH readings AS (
    FROM raw_readings
)
SELECT count(*) AS readings
FROM readings;
