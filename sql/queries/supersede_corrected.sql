-- A reading marked `corrects` takes the place of the earlier values of that electrode and moment (of the same
-- repeat, where both name one). Files of one load count as one delivery: the order of the files does not matter.
-- A correction that came before the value that it corrects waits for it.
-- The key of a reading is its place; the moment stands in its typed row.
WITH fresh_keys AS (
    SELECT DISTINCT raw_rows.row_key, typed.taken_at
    FROM raw_rows
    JOIN raw_readings AS typed USING (row_id)
    WHERE file_id = $file_id
), standing AS (
    SELECT row_id, file_id, row_key, known_from, line
    FROM raw_rows
    WHERE table_name = 'readings' AND superseded_at IS NULL
), files AS (
    SELECT file_id, file
    FROM raw_files
), answered AS (
    SELECT DISTINCT superseded_by AS row_id
    FROM raw_rows
    WHERE superseded_by IS NOT NULL
), here AS (
    SELECT
        standing.row_id,
        standing.file_id,
        standing.row_key,
        standing.known_from,
        -- Of two corrections of one moment the later delivery counts; within a delivery, the later line.
        {known: standing.known_from, file: files.file, line: standing.line} AS delivered,
        typed.taken_at,
        typed.repeat_no,
        coalesce(typed.corrects, false) AS corrects
    FROM standing
    JOIN raw_readings AS typed USING (row_id)
    SEMI JOIN fresh_keys ON standing.row_key = fresh_keys.row_key AND typed.taken_at = fresh_keys.taken_at
    JOIN files USING (file_id)
), pairs AS (
    SELECT earlier.row_id, max_by(correction.row_id, correction.delivered) AS by_row
    FROM here AS earlier
    JOIN here AS correction
        ON correction.corrects
        AND correction.row_key = earlier.row_key
        AND correction.taken_at = earlier.taken_at
        AND correction.row_id <> earlier.row_id
        AND coalesce(correction.repeat_no = earlier.repeat_no, true)
    LEFT JOIN answered ON answered.row_id = correction.row_id
    WHERE $file_id IN (earlier.file_id, correction.file_id)
        AND CASE
            WHEN earlier.corrects THEN earlier.delivered < correction.delivered
            ELSE earlier.known_from <= correction.known_from OR answered.row_id IS NULL
        END
    GROUP BY earlier.row_id
)
UPDATE raw_rows
SET superseded_at = $known_from, superseded_by = pairs.by_row
FROM pairs
WHERE raw_rows.row_id = pairs.row_id;
