-- The books, the rows as they came with their history, the refused rows, and the typed rows of each table.
-- No index and no foreign key: DuckDB scans these columns faster than it keeps an index up to date, and the checks look after the rest.

CREATE TABLE raw_files (
    file_id INTEGER NOT NULL,
    file TEXT NOT NULL,              -- as given, or below the folder that was given
    sheet TEXT NOT NULL,             -- empty where the file has no sheets
    table_name TEXT,                 -- null where the file was not recognised
    profile TEXT,                    -- the source profile; null for the contract's own names
    content_sha256 TEXT NOT NULL,
    loaded_at TIMESTAMP NOT NULL,
    rows_read BIGINT NOT NULL,
    rows_taken BIGINT NOT NULL,
    rows_held BIGINT NOT NULL,
    rows_refused BIGINT NOT NULL,
    rows_refused_before BIGINT NOT NULL,  -- of rows_refused: refused in the same words by an earlier load, kept there
    rows_superseding BIGINT NOT NULL      -- of rows_taken: put in place of an earlier row
);

CREATE TABLE raw_rows (
    row_id BIGINT NOT NULL,
    file_id INTEGER NOT NULL,
    table_name TEXT NOT NULL,
    line BIGINT NOT NULL,
    row_key TEXT NOT NULL,           -- what the row speaks of: rows with one key may supersede each other
    row_hash UBIGINT NOT NULL,       -- of the typed content: the same row in another file has the same
    cells TEXT NOT NULL,             -- JSON of the whole row as it came
    known_from TIMESTAMP NOT NULL,
    superseded_at TIMESTAMP,
    superseded_by BIGINT
);

CREATE TABLE raw_refused (
    file_id INTEGER NOT NULL,
    file TEXT NOT NULL,
    sheet TEXT NOT NULL,
    line BIGINT,                     -- null where the whole file or sheet was refused
    table_name TEXT,
    reason TEXT NOT NULL,
    cells TEXT,
    row_place TEXT,                  -- what the row speaks of, as far as it could be read
    row_moment TEXT,
    content_hash UBIGINT NOT NULL,   -- of the cells, or of the file
    refused_at TIMESTAMP NOT NULL,
    settled_at TIMESTAMP             -- the corrected row has been taken since
);

CREATE TABLE raw_sites (
    row_id BIGINT NOT NULL,
    site_id TEXT,
    site_name TEXT,
    region TEXT,
    latitude DOUBLE,
    longitude DOUBLE,
    voltage_kv DOUBLE,
    commissioned_on DATE,
    return_path TEXT,
    grid_area_m2 DOUBLE,
    grid_conductor_m DOUBLE,
    grid_depth_m DOUBLE,
    grid_material TEXT,
    rod_count BIGINT,
    cathodic_protection BOOLEAN,
    stray_dc BOOLEAN,
    fault_current_ka DOUBLE,
    fault_split_factor DOUBLE,
    clearing_time_s DOUBLE,
    customers DOUBLE,
    consequence_per_year DOUBLE,
    mobilisation_cost DOUBLE,
    rod_replacement_cost DOUBLE
);

CREATE TABLE raw_electrodes (
    row_id BIGINT NOT NULL,
    electrode_id TEXT,
    site_id TEXT,
    well_id TEXT,
    has_test_well BOOLEAN,
    kind TEXT,
    material TEXT,
    length_m DOUBLE,
    diameter_mm DOUBLE,
    cladding_um DOUBLE,
    top_depth_m DOUBLE,
    x_m DOUBLE,
    y_m DOUBLE,
    connection TEXT,
    installed_on DATE,
    retired_on DATE,
    retired_reason TEXT,
    baseline_ohm DOUBLE,
    baseline_on DATE,
    baseline_tied_in BOOLEAN
);

CREATE TABLE raw_instruments (
    row_id BIGINT NOT NULL,
    instrument_id TEXT,
    calibrated_on DATE,
    calibration_due_on DATE,
    range_low_ohm DOUBLE,
    range_high_ohm DOUBLE,
    accuracy_pct DOUBLE,
    accuracy_ohm DOUBLE,
    as_found_error_pct DOUBLE,
    test_frequency_hz DOUBLE
);

CREATE TABLE raw_soil_surveys (
    row_id BIGINT NOT NULL,
    site_id TEXT,
    surveyed_on DATE,
    soil_class TEXT,
    sample_depth_m DOUBLE,
    drainage TEXT,
    ph DOUBLE,
    chloride_ppm DOUBLE,
    sulphate_ppm DOUBLE,
    redox_mv DOUBLE,
    sulphide TEXT,
    moisture TEXT,
    resistivity_ohm_m DOUBLE
);

CREATE TABLE raw_soundings (
    row_id BIGINT NOT NULL,
    site_id TEXT,
    surveyed_on DATE,
    spacing_m DOUBLE,
    resistance_ohm DOUBLE
);

CREATE TABLE raw_works (
    row_id BIGINT NOT NULL,
    site_id TEXT,
    electrode_id TEXT,
    done_on DATE,
    work TEXT,
    note TEXT
);

CREATE TABLE raw_weather (
    row_id BIGINT NOT NULL,
    site_id TEXT,
    region TEXT,
    month DATE,
    rain_mm DOUBLE,
    air_temp_c DOUBLE,
    soil_temp_c DOUBLE
);

CREATE TABLE raw_readings (
    row_id BIGINT NOT NULL,
    electrode_id TEXT,
    well_id TEXT,
    taken_at TIMESTAMP,
    resistance_ohm DOUBLE,
    range_mark TEXT,
    outcome TEXT,
    method TEXT,
    current_a DOUBLE,
    current_kind TEXT,
    conductor TEXT,
    conductors_in_well BIGINT,
    repeat_no BIGINT,
    visit_reason TEXT,
    check_ring_ohm DOUBLE,
    instrument_id TEXT,
    soil_temp_c DOUBLE,
    soil_moisture_pct DOUBLE,
    crew TEXT,
    corrects BOOLEAN,
    note TEXT
);
