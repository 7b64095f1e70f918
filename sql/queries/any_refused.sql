-- One row where a refused row of a table waits for its correction, none otherwise.
WITH refused AS (
    FROM raw_refused
)
SELECT file_id
FROM refused
WHERE settled_at IS NULL AND table_name = $table_name AND line IS NOT NULL
LIMIT 1;
