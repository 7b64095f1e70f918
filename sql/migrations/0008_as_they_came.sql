-- Rows as they came are kept by the sheet, packed (Parquet, zstd): a tenth of the room, and quicker. The column
-- `cells` of raw_rows is filled in rows of before alone. The books say who loaded, and in which layout.
CREATE TABLE raw_as_they_came (
    file_id INTEGER NOT NULL,
    first_line BIGINT NOT NULL,
    last_line BIGINT NOT NULL,
    rows BLOB NOT NULL               -- _line, and the cells under their own headings
);
ALTER TABLE raw_rows ALTER COLUMN cells DROP NOT NULL;
ALTER TABLE raw_files ADD COLUMN layout TEXT;     -- fingerprint of what said how the sheet is read
ALTER TABLE raw_files ADD COLUMN loaded_by TEXT;
-- The key of a reading is its place: its moment stands in raw_readings.
UPDATE raw_rows SET row_key = regexp_replace(row_key, '\|[^|]*$', '') WHERE table_name = 'readings';
