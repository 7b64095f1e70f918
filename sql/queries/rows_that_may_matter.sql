-- The readings that can bear on what must be attended to first, of one of $parts parts of the fleet, by site. For any
-- other reading the list is the same without it. Sites of _whole_sites come whole, in part -1.
WITH whole_sites AS (
    FROM _whole_sites  -- site_id
), readings AS MATERIALIZED (
    SELECT
        site_id,
        electrode_id,
        well_id,
        conductor,
        taken_at,
        resistance_ohm,
        range_mark,
        current_a,
        current_kind,
        file,
        line
    FROM core_readings
    WHERE CASE
        WHEN $part = -1 THEN site_id IN (FROM whole_sites)
        ELSE hash(site_id) % $parts = $part AND site_id NOT IN (FROM whole_sites)
    END
), on_leads AS (
    SELECT
        site_id,
        taken_at::DATE AS day,
        electrode_id,
        coalesce(conductor, '') AS lead,
        max(abs(current_a)) AS current_a
    FROM readings
    WHERE current_a <> 0
    GROUP BY site_id, day, electrode_id, lead
), visits AS (
    SELECT site_id, day, sum(current_a) AS current_a
    FROM on_leads
    GROUP BY site_id, day
    HAVING count(*) > 1 AND sum(current_a) >= $note_a * (1 - 1e-9)
), newest_visits AS (
    -- Of the visits that are to be noted the newest of a site stands for all.
    SELECT site_id, max(day) AS day
    FROM visits
    WHERE current_a BETWEEN $note_a * (1 + 1e-9) AND $danger_a * (1 - 1e-9)
    GROUP BY site_id
), large_visits AS (
    SELECT site_id, day
    FROM visits
    WHERE current_a >= $danger_a * (1 - 1e-9) OR current_a <= $note_a * (1 + 1e-9)
    UNION
    FROM newest_visits
), odd_leads AS (
    -- One lead that was over the meter's range, or read so many times another value of its own.
    SELECT electrode_id
    FROM readings
    WHERE resistance_ohm > 0
    GROUP BY electrode_id
    HAVING bool_or(coalesce(range_mark = 'over', false))
        OR max(resistance_ohm) >= $open_factor * min(resistance_ohm) * (1 - 1e-9)
)
SELECT readings.*
FROM readings
WHERE $part = -1
    OR abs(current_a) >= $note_a
    OR electrode_id IN (FROM odd_leads)
    OR (site_id, taken_at::DATE) IN (SELECT (site_id, day) FROM large_visits)
ORDER BY site_id, electrode_id, taken_at, file, line;
