-- site_names: every name that a site is known by, its own and its aliases, with the site that it means.
WITH sites AS (
    SELECT site_id
    FROM core_sites
), names AS (
    SELECT alias, means
    FROM known_names('infinity'::TIMESTAMP)
    WHERE kind = 'site'
)
SELECT site_id AS name, site_id
FROM sites
UNION ALL
SELECT names.alias, names.means
FROM names
SEMI JOIN sites ON names.means = sites.site_id
ORDER BY name;
