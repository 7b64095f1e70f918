-- How often the content of rows of a file is known from other files, and how often earlier parts of this one held it
-- ($kind: among the rows as judged, or among the refused ones by their cells). Content that is not known is left out.
-- Superseded rows count: an old file must not bring an old value back.
WITH hashed AS (
    FROM _hashed  -- row_hash
), taken AS (
    SELECT row_hash
    FROM raw_rows
    WHERE table_name = $table_name AND file_id <> $file_id AND row_hash IN (FROM hashed)
), refused AS (
    SELECT content_hash AS row_hash
    FROM raw_refused
    WHERE table_name = $table_name AND line IS NOT NULL AND file_id <> $file_id AND content_hash IN (FROM hashed)
), known AS (
    SELECT row_hash, count(*) AS times
    FROM (FROM taken UNION ALL FROM refused)
    GROUP BY row_hash
), earlier AS (
    SELECT row_hash, count(*) AS times
    FROM _of_file
    WHERE kind = $kind AND row_hash IN (FROM hashed)
    GROUP BY row_hash
)
SELECT known.row_hash, known.times, coalesce(earlier.times, 0) AS earlier
FROM known
LEFT JOIN earlier USING (row_hash);
