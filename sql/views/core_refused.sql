-- Every row, sheet and file that was refused; `settled` once the corrected row has been taken.
CREATE OR REPLACE MACRO known_refused(known_at) AS TABLE
WITH refused AS (
    FROM raw_refused
    WHERE refused_at <= known_at
)
SELECT
    file,
    sheet,
    line,
    table_name,
    reason,
    cells,
    coalesce(settled_at <= known_at, false) AS settled,
    refused_at,
    row_place,
    row_moment,
    understood,  -- JSON: what could be read of the row, under our names and in our units; null for whole files
    file_id
FROM refused;

CREATE OR REPLACE VIEW core_refused AS
FROM known_refused('infinity'::TIMESTAMP);
