-- What became of one line of a file: each row that was taken from it or refused, newest load first.
WITH files AS (
    FROM raw_files
    WHERE file = $file OR ends_with(file, '/' || $file)
), rows AS (
    FROM raw_rows
), refused AS (
    FROM raw_refused
), later AS (
    SELECT rows.row_id, files.file, files.sheet, rows.line
    FROM rows
    JOIN raw_files AS files USING (file_id)
), taken AS (
    SELECT
        files.file_id,
        rows.row_id,
        rows.superseded_at,
        later.file AS superseded_in,
        later.line AS superseded_on,
        NULL AS reason,
        NULL::TIMESTAMP AS settled_at,
        NULL AS cells
    FROM files
    JOIN rows USING (file_id)
    LEFT JOIN later ON rows.superseded_by = later.row_id
    WHERE rows.line = $line
), turned_away AS (
    SELECT files.file_id, NULL, NULL, NULL, NULL, refused.reason, refused.settled_at, refused.cells
    FROM files
    JOIN refused USING (file_id)
    WHERE refused.line = $line
), both_kinds AS (
    FROM taken
    UNION ALL
    FROM turned_away
)
SELECT
    files.file,
    files.sheet,
    files.table_name,
    files.profile,
    files.content_sha256,
    files.loaded_at,
    files.loaded_by,
    both_kinds.* EXCLUDE (file_id)
FROM both_kinds
JOIN files USING (file_id)
ORDER BY files.loaded_at DESC, files.file_id DESC, both_kinds.row_id;
