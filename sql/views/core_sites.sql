-- sites: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_sites(known_at) AS TABLE
WITH typed AS (
    FROM raw_sites
), known AS (
    FROM raw_rows
    WHERE table_name = 'sites' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.site_id,
    typed.site_name,
    typed.region,
    typed.latitude,
    typed.longitude,
    typed.voltage_kv,
    typed.commissioned_on,
    typed.return_path,
    typed.grid_area_m2,
    typed.grid_conductor_m,
    typed.grid_depth_m,
    typed.grid_material,
    typed.rod_count,
    typed.cathodic_protection,
    typed.stray_dc,
    typed.fault_current_ka,
    typed.fault_split_factor,
    typed.clearing_time_s,
    typed.customers,
    typed.consequence_per_year,
    typed.mobilisation_cost,
    typed.rod_replacement_cost,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_sites AS
FROM known_sites('infinity'::TIMESTAMP);
