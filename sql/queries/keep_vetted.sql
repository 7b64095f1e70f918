-- keep_vetted: replace the vetted readings by those of all shards.
DELETE FROM _vetted_readings;
INSERT INTO _vetted_readings BY NAME
WITH vetted AS (
    FROM read_parquet($files)
)
SELECT row_id, electrode_id, site_id, taken_at, resistance_ohm, range_mark, verdict, sd_extra_log
FROM vetted;
