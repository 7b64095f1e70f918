-- No reading stands twice: each row of the history gives at most one accepted reading.
WITH readings AS (
    FROM core_readings
)
SELECT row_id, count(*) AS times
FROM readings
GROUP BY row_id
HAVING count(*) > 1
ORDER BY row_id;
