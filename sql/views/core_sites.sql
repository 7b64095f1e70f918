-- sites: the accepted rows, as they were known at a moment, and as they stand now. A site that is an alias of
-- another (renamed, merged) drops out; its row stays in the history. The one that stands keeps what its own row says
-- of it. Its count of rods is added up with theirs only where it can't hold them yet: where it is less than the rods
-- in service that are listed there now.
CREATE OR REPLACE MACRO known_sites(known_at) AS TABLE
WITH typed AS (
    FROM raw_sites
), known AS (
    FROM raw_rows
    WHERE table_name = 'sites' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
), names AS (
    SELECT alias, means
    FROM known_names(known_at)
    WHERE kind = 'site'
), merged AS (
    SELECT names.means AS site_id, sum(typed.rod_count)::BIGINT AS rod_count
    FROM typed
    JOIN known USING (row_id)
    JOIN names ON typed.site_id = names.alias
    GROUP BY names.means
), listed AS (
    SELECT site_id, count(*) AS rods
    FROM known_electrodes(known_at)
    WHERE retired_on IS NULL AND coalesce(kind, 'driven_rod') = 'driven_rod' AND site_id IN (SELECT site_id FROM merged)
    GROUP BY site_id
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
    CASE
        WHEN typed.rod_count < listed.rods THEN typed.rod_count + coalesce(merged.rod_count, 0)
        ELSE typed.rod_count
    END AS rod_count,
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
JOIN files USING (file_id)
LEFT JOIN merged ON typed.site_id = merged.site_id
LEFT JOIN listed ON typed.site_id = listed.site_id
ANTI JOIN names ON typed.site_id = names.alias;

CREATE OR REPLACE VIEW core_sites AS
FROM known_sites('infinity'::TIMESTAMP);
