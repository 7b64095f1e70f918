-- Refused rows whose correction was refused in its turn: the newer one waits in their place.
WITH marked AS (
    FROM _marked  -- mark: file|sheet|line|file_id of the row that is answered
), answered AS (
    SELECT rowid AS refused_row
    FROM raw_refused
    WHERE settled_at IS NULL
        AND line IS NOT NULL
        AND file_id <> $file_id
        AND format('{}|{}|{}|{}', file, sheet, line, file_id) IN (SELECT mark FROM marked)
)
UPDATE raw_refused
SET settled_at = $known_from
FROM answered
WHERE raw_refused.rowid = answered.refused_row;
