-- Every row, sheet and file that was refused; `settled` once the corrected row has been taken.
CREATE OR REPLACE VIEW core_refused AS
WITH refused AS (
    FROM raw_refused
)
SELECT
    file,
    sheet,
    line,
    table_name,
    reason,
    cells,
    settled_at IS NOT NULL AS settled,
    refused_at,
    row_place,
    row_moment,
    understood  -- JSON: what could be read of the row, under our names and in our units; null for whole files
FROM refused;
