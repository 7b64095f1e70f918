-- electrodes: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_electrodes(known_at) AS TABLE
WITH typed AS (
    FROM raw_electrodes
), known AS (
    FROM raw_rows
    WHERE table_name = 'electrodes' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.electrode_id,
    typed.site_id,
    typed.well_id,
    typed.has_test_well,
    typed.kind,
    typed.material,
    typed.length_m,
    typed.diameter_mm,
    typed.cladding_um,
    typed.top_depth_m,
    typed.x_m,
    typed.y_m,
    typed.connection,
    typed.installed_on,
    typed.retired_on,
    typed.retired_reason,
    typed.baseline_ohm,
    typed.baseline_on,
    typed.baseline_tied_in,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_electrodes AS
FROM known_electrodes('infinity'::TIMESTAMP);
