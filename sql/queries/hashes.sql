-- The hash of the content of each row of a file.
WITH incoming AS (
    FROM _incoming  -- line, content
)
SELECT line, md5_number_lower(content) AS row_hash
FROM incoming;
