-- The packed rows among which an accepted row stands as it came; `cells` where it was taken by an older program.
WITH wanted AS (
    SELECT file_id, line, cells
    FROM raw_rows
    WHERE row_id = $row_id
), kept AS (
    FROM raw_as_they_came
)
SELECT wanted.line, wanted.cells, kept.rows
FROM wanted
LEFT JOIN kept
    ON kept.file_id = wanted.file_id
    AND wanted.line BETWEEN kept.first_line AND kept.last_line
ORDER BY kept.first_line
LIMIT 1;
