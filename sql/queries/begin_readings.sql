-- The electrodes that stand, and their wells, as they are while a file of readings is taken.
CREATE OR REPLACE TEMP TABLE _electrodes_now AS
SELECT electrode_id, site_id, well_id, installed_on, retired_on
FROM core_electrodes;

CREATE OR REPLACE TEMP TABLE _wells_now AS
SELECT well_id, count(DISTINCT site_id) AS sites
FROM _electrodes_now
WHERE well_id IS NOT NULL
GROUP BY well_id;

-- Wells that the number at the end of their name tells apart within their site.
CREATE OR REPLACE TEMP TABLE _wells_by_number_now AS
SELECT site_id, try_cast(regexp_extract(well_id, '([0-9]+)$', 1) AS INTEGER) AS number, any_value(well_id) AS well_id
FROM _electrodes_now
GROUP BY site_id, number
HAVING number IS NOT NULL AND count(DISTINCT well_id) = 1;
