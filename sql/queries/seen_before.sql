-- Those rows of a file whose content is known from another file, and whether each is held already.
-- The n-th equal row of a file is held when n equal rows are known: repeats within a file stay apart, a file
-- that comes again, whole or in parts, under this name or another, changes nothing. Superseded rows count:
-- an old file must not bring an old value back. A file comes in parts: what its earlier parts held ($kind) counts
-- among its own rows.
WITH hashed AS (
    FROM _hashed  -- line, row_hash
), taken AS (
    SELECT row_hash
    FROM raw_rows
    WHERE table_name = $table_name AND file_id <> $file_id
), refused AS (
    SELECT content_hash AS row_hash
    FROM raw_refused
    WHERE table_name = $table_name AND line IS NOT NULL AND file_id <> $file_id
), known AS MATERIALIZED (
    SELECT row_hash, count(*) AS times
    FROM (FROM taken UNION ALL FROM refused)
    WHERE row_hash IN (SELECT row_hash FROM hashed)
    GROUP BY row_hash
), earlier AS (
    SELECT row_hash, count(*) AS times
    FROM _of_file
    WHERE kind = $kind AND row_hash IN (SELECT row_hash FROM known)
    GROUP BY row_hash
), numbered AS (
    SELECT line, row_hash, row_number() OVER (PARTITION BY row_hash ORDER BY line) AS occurrence
    FROM hashed
    WHERE row_hash IN (SELECT row_hash FROM known)
)
SELECT
    numbered.line,
    numbered.row_hash,
    numbered.occurrence + coalesce(earlier.times, 0) <= known.times AS seen
FROM numbered
JOIN known USING (row_hash)
LEFT JOIN earlier USING (row_hash)
ORDER BY numbered.line;
