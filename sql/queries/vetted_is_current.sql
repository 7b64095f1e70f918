-- vetted_is_current: whether the vetted readings are of everything that is loaded, up to a day.
WITH files AS (
    FROM raw_files
), made_from AS (
    FROM _vetted_from
)
SELECT count(*) > 0 AS current
FROM made_from
WHERE until >= $until::DATE AND newest_file = (SELECT coalesce(max(file_id), 0) FROM files);
