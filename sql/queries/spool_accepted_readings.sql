-- spool_accepted_readings: the store's accepted readings up to a day, not vetted yet, into one Parquet folder a
-- shard, each with the place of its electrode in the shard.
COPY (
    WITH readings AS (
        FROM core_readings
    ), places AS (
        FROM _places  -- electrode_id, shard, place
    )
    SELECT
        places.shard,
        places.place,
        readings.* EXCLUDE (electrode_id, site_id, note, corrects)
    FROM readings
    JOIN places USING (electrode_id)
    WHERE readings.taken_at < $until
) TO $folder (FORMAT parquet, PARTITION_BY (shard), COMPRESSION lz4);
