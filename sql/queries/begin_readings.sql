-- The electrodes that stand, their wells and all their names, as they are while a file of readings is taken.
CREATE OR REPLACE TEMP TABLE _electrodes_now AS
SELECT electrode_id, named, life, site_id, well_id, installed_on, retired_on, site_as_registered, well_as_registered
FROM known_lives('infinity'::TIMESTAMP);

-- All lives of one number: which of them a reading means goes by its day, later.
CREATE OR REPLACE TEMP TABLE _numbers_now AS
SELECT
    named,
    any_value(well_id) AS well_id,
    any_value(well_as_registered) AS well_as_registered,
    min(installed_on) AS installed_on,
    arg_max({'on': retired_on}, life)['on'] AS retired_on
FROM _electrodes_now
GROUP BY named;

CREATE OR REPLACE TEMP TABLE _called_now AS
SELECT electrode_id AS name, named FROM _electrodes_now
UNION
SELECT named, named FROM _electrodes_now;

CREATE OR REPLACE TEMP TABLE _names_now AS
FROM known_names('infinity'::TIMESTAMP);

-- What the register itself says, electrodes that are an alias of another among them.
CREATE OR REPLACE TEMP TABLE _register_now AS
SELECT typed.electrode_id, typed.site_id, typed.well_id
FROM raw_electrodes AS typed
SEMI JOIN (FROM raw_rows WHERE table_name = 'electrodes' AND superseded_at IS NULL) AS standing USING (row_id);

CREATE OR REPLACE TEMP TABLE _registered_wells_now AS
SELECT DISTINCT well_id
FROM _register_now;

-- By the sites of the register: two wells of one name stay two when their sites are merged.
CREATE OR REPLACE TEMP TABLE _wells_now AS
SELECT well_id, count(DISTINCT site_as_registered) AS sites
FROM _electrodes_now
WHERE well_id IS NOT NULL
GROUP BY well_id;

-- Wells that the number at the end of their name tells apart within their site. A number at a merged site is the
-- well of that number that was registered there: who means the other site's well gives that site's old name.
CREATE OR REPLACE TEMP TABLE _wells_by_number_now AS
WITH wells AS (
    SELECT site_id, well_id, 1 AS choice FROM _register_now
    UNION
    SELECT site_id, well_id, 2 AS choice FROM _electrodes_now
), numbered AS (
    SELECT
        site_id,
        choice,
        try_cast(regexp_extract(well_id, '([0-9]+)$', 1) AS INTEGER) AS number,
        any_value(well_id) AS well_id
    FROM wells
    GROUP BY site_id, choice, number
    HAVING number IS NOT NULL AND count(DISTINCT well_id) = 1
)
SELECT site_id, number, arg_min(well_id, choice) AS well_id
FROM numbered
GROUP BY site_id, number;
