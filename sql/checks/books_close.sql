-- The books close: rows read = taken + held + refused, and what the books say was taken or refused is in the store.
-- A full outer join, so that rows without books fail as books without rows do.
WITH files AS (
    FROM raw_files
), rows AS (
    FROM raw_rows
), refused AS (
    FROM raw_refused
), taken_by_file AS (
    SELECT file_id, count(*) AS taken
    FROM rows
    GROUP BY file_id
), refused_by_file AS (
    SELECT file_id, count(*) AS refused
    FROM refused
    WHERE line IS NOT NULL
    GROUP BY file_id
), compared AS (
    SELECT
        file_id,
        files.file,
        files.sheet,
        files.rows_read,
        files.rows_taken,
        files.rows_held,
        files.rows_refused,
        coalesce(taken_by_file.taken, 0) AS taken_in_store,
        coalesce(refused_by_file.refused, 0) + files.rows_refused_before AS refused_in_store
    FROM files
    FULL OUTER JOIN taken_by_file USING (file_id)
    FULL OUTER JOIN refused_by_file USING (file_id)
)
FROM compared
WHERE rows_read IS DISTINCT FROM rows_taken + rows_held + rows_refused
    OR rows_taken IS DISTINCT FROM taken_in_store
    OR rows_refused IS DISTINCT FROM refused_in_store
ORDER BY file_id;
