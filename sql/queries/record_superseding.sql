-- Enter in the books how many rows of a file took the place of an earlier one.
WITH superseded AS (
    SELECT superseded_by
    FROM raw_rows
    WHERE superseded_by IS NOT NULL
), of_file AS (
    SELECT row_id
    FROM raw_rows
    WHERE file_id = $file_id
), counted AS (
    SELECT count(*) AS rows_superseding
    FROM of_file
    SEMI JOIN superseded ON of_file.row_id = superseded.superseded_by
)
UPDATE raw_files
SET rows_superseding = counted.rows_superseding
FROM counted
WHERE file_id = $file_id;
