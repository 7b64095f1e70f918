-- keep_calibration: put a dated calibration beside the earlier ones.
INSERT INTO out_calibrations
SELECT $fitted_at::TIMESTAMP, $facts::JSON;
