-- For each way in which readings of a file name their electrode: the well that it names (of a number within a site,
-- the well's name), the site written beside it where the name is an alias at that site alone, the place that
-- identifies it (the well, or the electrode where there is none), from when to when the electrode named stood, and
-- why a reading can't be taken where no electrode answers. A reading that names a well alone needs its day to mean an
-- electrode. What is meant goes by the aliases; the place of a name that the register itself knows does not, so that
-- the same file is held again whenever they came.
WITH incoming AS (
    FROM _incoming  -- way, electrode_id, well_id, site_hint, day (null where an electrode is named)
), lives AS (
    FROM _electrodes_now
), electrodes AS (
    FROM _numbers_now
), called AS (
    FROM _called_now
), register AS (
    FROM _register_now
), registered_wells AS (
    FROM _registered_wells_now
), names AS (
    FROM _names_now
), site_names AS (
    SELECT alias, means FROM names WHERE kind = 'site'
), well_names AS (
    SELECT alias, means FROM names WHERE kind = 'well' AND site_id IS NULL
), well_names_at AS (
    SELECT alias, means, site_id FROM names WHERE kind = 'well' AND site_id IS NOT NULL
), electrode_names AS (
    SELECT alias, means FROM names WHERE kind = 'electrode'
), wells_by_number AS (
    FROM _wells_by_number_now
), hinted AS (
    SELECT
        incoming.*,
        coalesce(site_names.means, incoming.site_hint) AS site_meant,
        CASE WHEN regexp_full_match(incoming.well_id, '[0-9]+') THEN try_cast(incoming.well_id AS INTEGER) END AS number
    FROM incoming
    LEFT JOIN site_names ON incoming.site_hint = site_names.alias
), written AS (
    -- A crew that gives the site may write the well by its number there; a full name is never overruled.
    SELECT
        hinted.way,
        hinted.electrode_id,
        hinted.day,
        coalesce(alias_there.means, alias_at_site.means) AS meant_there,
        CASE WHEN meant_there IS NOT NULL THEN hinted.site_hint END AS site_hint,
        CASE
            WHEN meant_there IS NOT NULL THEN hinted.well_id
            ELSE coalesce(as_written.well_id, by_number.well_id, hinted.well_id)
        END AS well_id
    FROM hinted
    LEFT JOIN well_names_at AS alias_there
        ON hinted.well_id = alias_there.alias AND hinted.site_hint = alias_there.site_id
    LEFT JOIN well_names_at AS alias_at_site
        ON hinted.well_id = alias_at_site.alias AND hinted.site_meant = alias_at_site.site_id
    LEFT JOIN wells_by_number AS as_written
        ON hinted.site_hint = as_written.site_id AND hinted.number = as_written.number
    LEFT JOIN wells_by_number AS by_number
        ON hinted.site_meant = by_number.site_id AND hinted.number = by_number.number
), named AS (
    SELECT
        written.* EXCLUDE (meant_there),
        coalesce(written.meant_there, well_names.means, written.well_id) AS well_meant,
        coalesce(electrode_names.means, written.electrode_id) AS electrode_meant
    FROM written
    LEFT JOIN well_names ON written.well_id = well_names.alias
    LEFT JOIN electrode_names ON written.electrode_id = electrode_names.alias
), wells_of_name AS (
    FROM _wells_now
), by_well AS (
    FROM named
    WHERE electrode_id IS NULL
), lives_there AS (
    FROM lives
    WHERE well_id IN (SELECT well_meant FROM by_well)
), in_well AS (
    SELECT by_well.way, lives_there.electrode_id
    FROM by_well
    ASOF JOIN lives_there
        ON by_well.well_meant = lives_there.well_id AND by_well.day >= lives_there.installed_on
    WHERE lives_there.retired_on IS NULL OR by_well.day <= lives_there.retired_on
)
SELECT
    named.way,
    named.well_id,
    named.site_hint,
    CASE
        WHEN register.electrode_id IS NOT NULL
            THEN coalesce(register.well_id, named.well_id, named.electrode_id)
        WHEN named.electrode_id IS NOT NULL
            THEN coalesce(electrodes.well_as_registered, named.well_id, electrodes.named, named.electrode_id)
        WHEN registered_wells.well_id IS NOT NULL AND named.site_hint IS NULL THEN named.well_id
        ELSE named.well_meant
    END AS place,
    electrodes.installed_on,
    electrodes.retired_on,
    CASE
        WHEN named.electrode_id IS NOT NULL THEN
            CASE
                WHEN electrodes.named IS NULL
                    THEN format('electrode_id ''{}'' is not known', named.electrode_id)
                WHEN named.well_meant <> electrodes.well_id
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
LEFT JOIN register ON named.electrode_id = register.electrode_id
LEFT JOIN registered_wells ON named.well_id = registered_wells.well_id
LEFT JOIN called ON named.electrode_meant = called.name
LEFT JOIN electrodes ON called.named = electrodes.named
LEFT JOIN wells_of_name ON named.well_meant = wells_of_name.well_id
LEFT JOIN in_well ON named.way = in_well.way
ORDER BY named.way;
