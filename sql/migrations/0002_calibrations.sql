-- A calibration is dated and kept: which parameters stood behind which runs.
CREATE TABLE out_calibrations (
    fitted_at TIMESTAMP PRIMARY KEY,
    facts JSON NOT NULL
);
