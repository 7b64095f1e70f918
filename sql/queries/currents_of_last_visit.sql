-- currents_of_last_visit: by site, the largest current on one lead and their sum on the newest day with a
-- current; summed in a fixed order, so that it is the same to the last bit.
WITH readings AS (
    FROM core_readings
), measured AS (
    SELECT site_id, electrode_id, taken_at::DATE AS day, max(abs(current_a)) AS current_a
    FROM readings
    WHERE current_a IS NOT NULL AND taken_at::DATE <= $as_of
    GROUP BY ALL
), newest AS (
    SELECT site_id, max(day) AS day
    FROM measured
    GROUP BY site_id
)
SELECT measured.site_id, max(current_a) AS current_max_a, sum(current_a ORDER BY electrode_id) AS current_sum_a
FROM measured
JOIN newest USING (site_id, day)
GROUP BY measured.site_id
ORDER BY measured.site_id;
