-- For each way in which readings of a file name their electrode: the well that is meant, the place that identifies it
-- (the well, or the electrode where there is none), from when to when the electrode named stood, and why a reading
-- can't be taken where no electrode answers. A reading that names a well alone needs its day to mean an electrode.
WITH incoming AS (
    FROM _incoming  -- way, electrode_id, well_id, site_hint, day (null where an electrode is named)
), electrodes AS (
    FROM _electrodes_now
), wells_by_number AS (
    FROM _wells_by_number_now
), named AS (
    -- A crew that gives the site may write the well by its number there; a full name is never overruled.
    SELECT
        incoming.way,
        incoming.electrode_id,
        incoming.day,
        coalesce(wells_by_number.well_id, incoming.well_id) AS well_id
    FROM incoming
    LEFT JOIN wells_by_number
        ON incoming.site_hint = wells_by_number.site_id
        AND try_cast(incoming.well_id AS INTEGER) = wells_by_number.number
        AND regexp_full_match(incoming.well_id, '[0-9]+')
), wells_of_name AS (
    FROM _wells_now
), in_well AS (
    SELECT named.way, electrodes.electrode_id
    FROM named
    ASOF JOIN electrodes ON named.well_id = electrodes.well_id AND named.day >= electrodes.installed_on
    WHERE named.electrode_id IS NULL
        AND (electrodes.retired_on IS NULL OR named.day <= electrodes.retired_on)
)
SELECT
    named.way,
    named.well_id,
    coalesce(electrodes.well_id, named.well_id, named.electrode_id) AS place,
    electrodes.installed_on,
    electrodes.retired_on,
    CASE
        WHEN named.electrode_id IS NOT NULL THEN
            CASE
                WHEN electrodes.electrode_id IS NULL
                    THEN format('electrode_id ''{}'' is not known', named.electrode_id)
                WHEN named.well_id <> electrodes.well_id
                    THEN format('electrode {} is in well {}, but the row says {}', named.electrode_id, electrodes.well_id, named.well_id)
            END
        WHEN wells_of_name.sites IS NULL
            THEN format('well_id ''{}'' is not known', named.well_id)
        WHEN wells_of_name.sites > 1
            THEN format('well_id ''{}'' is in use at {} sites; give the electrode_id', named.well_id, wells_of_name.sites)
        WHEN in_well.electrode_id IS NULL
            THEN format('no electrode stood in well {} on {}', named.well_id, named.day)
    END AS reason
FROM named
LEFT JOIN electrodes ON named.electrode_id = electrodes.electrode_id
LEFT JOIN wells_of_name ON named.well_id = wells_of_name.well_id
LEFT JOIN in_well ON named.way = in_well.way
ORDER BY named.way;
