-- aliases: the accepted rows, as they were known at a moment, and as they stand now.
CREATE OR REPLACE MACRO known_aliases(known_at) AS TABLE
WITH typed AS (
    FROM raw_aliases
), known AS (
    FROM raw_rows
    WHERE table_name = 'aliases' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), files AS (
    FROM raw_files
)
SELECT
    typed.kind,
    typed.alias,
    typed.means,
    typed.site_id,
    typed.decision,
    typed.decided_by,
    typed.note,
    known.row_id,
    files.file,
    files.sheet,
    known.line
FROM typed
JOIN known USING (row_id)
JOIN files USING (file_id);

CREATE OR REPLACE VIEW core_aliases AS
FROM known_aliases('infinity'::TIMESTAMP);

-- What each alias means in the end (A means B means C), at a moment: kind, alias, site_id, means. Of several
-- meanings of one alias the newest counts. An alias of a well that holds at one site alone has that site. A circle can't be loaded (meanings_of_aliases.sql); should two deliveries
-- make one all the same, its aliases mean nothing.
CREATE OR REPLACE MACRO known_names(known_at) AS TABLE
WITH RECURSIVE typed AS (
    FROM raw_aliases
    WHERE coalesce(decision, 'same') = 'same'
), known AS (
    FROM raw_rows
    WHERE table_name = 'aliases' AND known_from <= known_at AND (superseded_at IS NULL OR superseded_at > known_at)
), newest AS (
    SELECT typed.kind, typed.alias, typed.site_id, arg_max(typed.means, known.row_id) AS means
    FROM typed
    JOIN known USING (row_id)
    GROUP BY typed.kind, typed.alias, typed.site_id
), steps AS (
    SELECT kind, alias, site_id, means, 1 AS step
    FROM newest
    UNION ALL
    SELECT steps.kind, steps.alias, steps.site_id, newest.means, steps.step + 1
    FROM steps
    JOIN newest ON steps.kind = newest.kind AND steps.means = newest.alias AND newest.site_id IS NULL
    WHERE steps.step < 30
), ends AS (
    SELECT kind, alias, site_id, arg_max(means, step) AS means
    FROM steps
    GROUP BY kind, alias, site_id
    HAVING max(step) < 30
)
SELECT kind, alias, site_id, means
FROM ends;
