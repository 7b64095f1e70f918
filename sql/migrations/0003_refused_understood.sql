-- What could be read of a refused row, under our names and in our units: a current that a crew found is a danger
-- to people, whatever else is wrong with its row.
ALTER TABLE raw_refused ADD COLUMN understood TEXT;
