-- Take away the calibrations that were fitted after a moment, as if it had not come yet.
DELETE FROM out_calibrations
WHERE fitted_at > $known_at;
