-- Enter the rows just taken from a file in the history.
INSERT INTO raw_rows BY NAME
SELECT
    row_id,
    $file_id::INTEGER AS file_id,
    $table_name AS table_name,
    line,
    row_key,
    row_hash,
    $known_from::TIMESTAMP AS known_from
FROM _taken;  -- row_id, line, row_key, row_hash
