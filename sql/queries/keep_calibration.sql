-- keep_calibration: put a dated calibration beside the earlier ones.
WITH kept AS (
    FROM _calibration
)
INSERT INTO out_calibrations BY NAME
FROM kept;
