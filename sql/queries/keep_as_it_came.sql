-- Keep rows of a file as they came, packed.
INSERT INTO raw_as_they_came BY NAME
SELECT $file_id AS file_id, $first_line AS first_line, $last_line AS last_line, $rows AS rows;
