-- newest_reading: the day of the newest accepted reading, null where there is none.
WITH readings AS (
    FROM core_readings
)
SELECT max(taken_at)::DATE AS day
FROM readings;
