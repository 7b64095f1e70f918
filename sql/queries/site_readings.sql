-- site_readings: from when to when each site was read, and how often.
WITH readings AS (
    FROM core_readings
)
SELECT site_id, min(taken_at)::DATE AS first_on, max(taken_at)::DATE AS last_on, count(*) AS readings
FROM readings
GROUP BY site_id
ORDER BY site_id;
