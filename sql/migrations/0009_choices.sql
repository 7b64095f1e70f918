-- What readings can only be one of is a number in the store: a word a row took a tenth of the time of taking it.
ALTER TABLE raw_readings ALTER COLUMN range_mark TYPE ENUM ('over', 'under');
ALTER TABLE raw_readings ALTER COLUMN outcome TYPE ENUM ('read', 'no_reading', 'flooded', 'inaccessible', 'noise');
ALTER TABLE raw_readings ALTER COLUMN method TYPE ENUM ('clamp_on', 'fall_of_potential', 'other');
ALTER TABLE raw_readings ALTER COLUMN current_kind TYPE ENUM ('ac', 'dc');
ALTER TABLE raw_readings ALTER COLUMN visit_reason TYPE ENUM ('routine', 'follow_up', 'after_work', 'commissioning', 'other');
