-- A calibration is kept whole, so that a later run can be made under it: its name, what it was fitted to, and
-- every value of it. Rows of before hold parameters by name alone (facts) and can't be used again.
ALTER TABLE out_calibrations ADD COLUMN name TEXT;
ALTER TABLE out_calibrations ADD COLUMN program TEXT;      -- the version that fitted it
ALTER TABLE out_calibrations ADD COLUMN why TEXT;          -- why the one before was not used
ALTER TABLE out_calibrations ADD COLUMN as_of DATE;
ALTER TABLE out_calibrations ADD COLUMN first_on DATE;     -- of the readings that it was fitted to
ALTER TABLE out_calibrations ADD COLUMN last_on DATE;
ALTER TABLE out_calibrations ADD COLUMN sites BIGINT;
ALTER TABLE out_calibrations ADD COLUMN electrodes BIGINT;
ALTER TABLE out_calibrations ADD COLUMN readings BIGINT;
ALTER TABLE out_calibrations ADD COLUMN squared_noise DOUBLE;    -- of the run under it that followed its fit
ALTER TABLE out_calibrations ADD COLUMN wild_share DOUBLE;
ALTER TABLE out_calibrations ADD COLUMN not_understood DOUBLE;
ALTER TABLE out_calibrations ADD COLUMN content TEXT;      -- the whole calibration, every digit
