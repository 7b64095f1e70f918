-- mark_vetted: write down what the vetted readings were made of.
DELETE FROM _vetted_from;
INSERT INTO _vetted_from
WITH files AS (
    FROM raw_files
)
SELECT $until::DATE, coalesce(max(file_id), 0)
FROM files;
