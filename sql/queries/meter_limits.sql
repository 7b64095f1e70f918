-- The upper end of each meter's range (ohm), where all its records agree: what a cell says that reads 'over range'.
WITH instruments AS (
    FROM core_instruments
)
SELECT instrument_id, any_value(range_high_ohm) AS range_high_ohm
FROM instruments
WHERE range_high_ohm IS NOT NULL
GROUP BY instrument_id
HAVING count(DISTINCT range_high_ohm) = 1;
