-- A refused row is settled when its correction is taken: the same row once what it refers to is known, a row that
-- speaks of the same place and moment, the same line of the same file with the same place or moment, or a row that
-- carries the refused one's mark (`rodfleet refused --write`).
WITH fresh AS (
    SELECT
        line,
        md5_number_lower(cells) AS cells_hash,
        row_place,
        row_moment,
        mark
    FROM _fresh  -- line, cells, row_place, row_moment, mark: the rows just taken from this file
), open_rows AS (
    SELECT rowid AS refused_row, *
    FROM raw_refused
    WHERE settled_at IS NULL AND table_name = $table_name AND line IS NOT NULL AND file_id <> $file_id
), by_content AS (
    SELECT open_rows.refused_row
    FROM open_rows
    SEMI JOIN fresh ON open_rows.content_hash = fresh.cells_hash
), by_subject AS (
    SELECT open_rows.refused_row
    FROM open_rows
    SEMI JOIN fresh ON open_rows.row_place = fresh.row_place AND open_rows.row_moment = fresh.row_moment
), by_line AS (
    SELECT open_rows.refused_row
    FROM open_rows
    JOIN fresh ON open_rows.line = fresh.line
    WHERE open_rows.file = $file
        AND open_rows.sheet = $sheet
        AND (open_rows.row_place = fresh.row_place OR open_rows.row_moment = fresh.row_moment)
), by_mark AS (
    SELECT open_rows.refused_row
    FROM open_rows
    SEMI JOIN fresh
        ON format('{}|{}|{}|{}', open_rows.file, open_rows.sheet, open_rows.line, open_rows.file_id) = fresh.mark
), settled AS (
    FROM by_content
    UNION
    FROM by_subject
    UNION
    FROM by_line
    UNION
    FROM by_mark
)
UPDATE raw_refused
SET settled_at = $known_from
FROM settled
WHERE raw_refused.rowid = settled.refused_row;
