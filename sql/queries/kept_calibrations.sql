-- kept_calibrations: the calibrations that a run can be made under, the newest first.
WITH calibrations AS (
    FROM out_calibrations
)
SELECT
    name,
    fitted_at,
    program,
    why,
    as_of,
    first_on,
    last_on,
    sites,
    electrodes,
    readings,
    squared_noise,
    wild_share,
    not_understood,
    content
FROM calibrations
WHERE content IS NOT NULL
ORDER BY fitted_at DESC, name DESC;
