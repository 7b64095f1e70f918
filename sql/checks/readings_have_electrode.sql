-- Each reading that stands has its electrode: a reading drops out of core_readings when the electrodes table is
-- changed so that none answers to its well any more, and that must not pass unseen. A reading that is shown once for
-- two rows (_meant_readings.spare) has its electrode; one whose name's meaning a person turned down waits for another
-- in core_unplaced.
WITH standing AS (
    SELECT row_id, file_id, line
    FROM raw_rows
    WHERE table_name = 'readings' AND superseded_at IS NULL
), files AS (
    FROM raw_files
), typed AS (
    FROM raw_readings
), resolved AS (
    SELECT row_id
    FROM _meant_readings
), unplaced AS (
    SELECT row_id
    FROM core_unplaced
)
SELECT files.file, files.sheet, standing.line, typed.well_id, typed.electrode_id, typed.taken_at
FROM standing
ANTI JOIN resolved USING (row_id)
ANTI JOIN unplaced USING (row_id)
JOIN files USING (file_id)
JOIN typed USING (row_id)
ORDER BY standing.row_id;
