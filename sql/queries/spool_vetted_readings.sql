-- spool_vetted_readings: the store's vetted readings up to a day into one Parquet folder a shard, each with the
-- place of its electrode in the shard.
COPY (
    WITH readings AS (
        FROM _vetted_readings
    ), places AS (
        FROM _places  -- electrode_id, shard, place
    )
    SELECT
        places.shard,
        places.place,
        readings.taken_at,
        readings.resistance_ohm,
        readings.range_mark,
        readings.verdict,
        readings.sd_extra_log,
        readings.row_id
    FROM readings
    JOIN places USING (electrode_id)
    WHERE readings.taken_at < $until
) TO $folder (FORMAT parquet, PARTITION_BY (shard), COMPRESSION lz4);
