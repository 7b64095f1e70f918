-- For each row of a file: the hash of its content, and whether a row with that content is held already.
-- The n-th equal row of a file is held when n equal rows are known: repeats within a file stay apart, a file
-- that comes again, whole or in parts, under this name or another, changes nothing. Superseded rows count:
-- an old file must not bring an old value back. A file comes in parts: what its earlier parts held ($kind) counts
-- among its own rows.
WITH incoming AS (
    FROM _incoming  -- line, content
), taken AS (
    SELECT row_hash
    FROM raw_rows
    WHERE table_name = $table_name AND file_id <> $file_id
), refused AS (
    SELECT content_hash AS row_hash
    FROM raw_refused
    WHERE table_name = $table_name AND line IS NOT NULL AND file_id <> $file_id
), hashed AS (
    SELECT line, md5_number_lower(content) AS row_hash
    FROM incoming
), earlier AS (
    SELECT row_hash, count(*) AS times
    FROM _of_file
    WHERE kind = $kind
    GROUP BY row_hash
), numbered AS (
    SELECT line, row_hash, row_number() OVER (PARTITION BY row_hash ORDER BY line) AS occurrence
    FROM hashed
), known AS (
    SELECT row_hash, count(*) AS times
    FROM (FROM taken UNION ALL FROM refused)
    WHERE row_hash IN (SELECT row_hash FROM hashed)
    GROUP BY row_hash
)
SELECT
    numbered.line,
    numbered.row_hash,
    numbered.occurrence + coalesce(earlier.times, 0) <= coalesce(known.times, 0) AS seen
FROM numbered
LEFT JOIN known USING (row_hash)
LEFT JOIN earlier USING (row_hash)
ORDER BY numbered.line;
