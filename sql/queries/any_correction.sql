-- One row where any reading of the store is marked as a correction, none otherwise.
WITH readings AS (
    FROM raw_readings
)
SELECT row_id
FROM readings
WHERE corrects
LIMIT 1;
