-- From when to when the store's readings reach, when it was last loaded, and the files refused as a whole.
WITH readings AS (
    FROM core_readings
), books AS (
    FROM core_books
), refused AS (
    FROM core_refused
)
SELECT
    (SELECT min(taken_at)::DATE FROM readings) AS first_reading_on,
    (SELECT max(taken_at)::DATE FROM readings) AS last_reading_on,
    (SELECT max(loaded_at) FROM books) AS last_loaded_at,
    (SELECT count(*) FROM books) AS files_loaded,
    (SELECT count(*) FROM refused WHERE line IS NULL AND NOT settled) AS files_refused_open;
