-- spool_parquet_readings: readings that lie in Parquet files (vetted or not), up to a day, into one Parquet folder
-- a shard, each with the place of its electrode in the shard.
COPY (
    WITH readings AS (
        FROM read_parquet($readings, union_by_name = true)
    ), places AS (
        FROM _places  -- electrode_id, shard, place
    )
    SELECT
        places.shard,
        places.place,
        readings.* EXCLUDE (electrode_id)
    FROM readings
    JOIN places USING (electrode_id)
    WHERE readings.taken_at < $until
) TO $folder (FORMAT parquet, PARTITION_BY (shard), COMPRESSION lz4);
