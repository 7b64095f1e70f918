-- The hash of each row by its cells as they came.
WITH incoming AS (
    FROM _incoming  -- line, content
)
SELECT line, md5_number_lower(content) AS row_hash
FROM incoming
ORDER BY line;
