-- Keep why a file or sheet was refused as a whole, unless this very file is kept as refused already.
INSERT INTO raw_refused BY NAME
WITH refused AS (
    FROM raw_refused
), again AS (
    SELECT count(*) AS times
    FROM refused
    WHERE line IS NULL AND file = $file AND sheet = $sheet AND settled_at IS NULL
        AND content_hash = md5_number_lower($content)
)
SELECT
    $file_id AS file_id,
    $file AS file,
    $sheet AS sheet,
    $table_name AS table_name,
    $reason AS reason,
    md5_number_lower($content) AS content_hash,
    $known_from AS refused_at
FROM again
WHERE times = 0;
