-- For each reading of a file: the well that it means, the place that identifies it (the well, or the electrode
-- where there is none), and why it can't be taken where no electrode answers.
WITH incoming AS (
    FROM _incoming  -- line, electrode_id, well_id, taken_at, site_hint
), electrodes AS (
    SELECT electrode_id, site_id, well_id, installed_on, retired_on
    FROM core_electrodes
), wells AS (
    SELECT DISTINCT site_id, well_id, try_cast(regexp_extract(well_id, '([0-9]+)$', 1) AS INTEGER) AS number
    FROM electrodes
    WHERE well_id IS NOT NULL
), wells_by_number AS (
    SELECT site_id, number, any_value(well_id) AS well_id
    FROM wells
    WHERE number IS NOT NULL
    GROUP BY site_id, number
    HAVING count(*) = 1
), named AS (
    -- A crew that gives the site may write the well by its number there; a full name is never overruled.
    SELECT
        incoming.line,
        incoming.electrode_id,
        incoming.taken_at,
        coalesce(wells_by_number.well_id, incoming.well_id) AS well_id
    FROM incoming
    LEFT JOIN wells_by_number
        ON incoming.site_hint = wells_by_number.site_id
        AND try_cast(incoming.well_id AS INTEGER) = wells_by_number.number
        AND regexp_full_match(incoming.well_id, '[0-9]+')
), sites_of_well AS (
    SELECT well_id, count(DISTINCT site_id) AS sites
    FROM wells
    GROUP BY well_id
), in_well AS (
    SELECT named.line, electrodes.electrode_id
    FROM named
    ASOF JOIN electrodes ON named.well_id = electrodes.well_id AND named.taken_at >= electrodes.installed_on
    WHERE named.electrode_id IS NULL
        AND (electrodes.retired_on IS NULL OR named.taken_at::DATE <= electrodes.retired_on)
)
SELECT
    named.line,
    named.well_id,
    coalesce(electrodes.well_id, named.well_id, named.electrode_id) AS place,
    CASE
        WHEN named.electrode_id IS NOT NULL THEN
            CASE
                WHEN electrodes.electrode_id IS NULL
                    THEN format('electrode_id ''{}'' is not known', named.electrode_id)
                WHEN named.well_id <> electrodes.well_id
                    THEN format('electrode {} is in well {}, but the row says {}', named.electrode_id, electrodes.well_id, named.well_id)
                WHEN named.taken_at < electrodes.installed_on
                    THEN format('taken on {}, before electrode {} was installed ({})', named.taken_at::DATE, named.electrode_id, electrodes.installed_on)
                WHEN named.taken_at::DATE > electrodes.retired_on
                    THEN format('taken on {}, after electrode {} was retired ({})', named.taken_at::DATE, named.electrode_id, electrodes.retired_on)
            END
        WHEN sites_of_well.sites IS NULL
            THEN format('well_id ''{}'' is not known', named.well_id)
        WHEN sites_of_well.sites > 1
            THEN format('well_id ''{}'' is in use at {} sites; give the electrode_id', named.well_id, sites_of_well.sites)
        WHEN in_well.electrode_id IS NULL
            THEN format('no electrode stood in well {} on {}', named.well_id, named.taken_at::DATE)
    END AS reason
FROM named
LEFT JOIN electrodes ON named.electrode_id = electrodes.electrode_id
LEFT JOIN sites_of_well ON named.well_id = sites_of_well.well_id
LEFT JOIN in_well ON named.line = in_well.line
ORDER BY named.line;
