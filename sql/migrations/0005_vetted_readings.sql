-- The readings of a large fleet with their verdicts, from which its site pass begins, and what they were made of.
CREATE TABLE _vetted_readings (
    row_id BIGINT NOT NULL,
    electrode_id TEXT NOT NULL,
    site_id TEXT NOT NULL,
    taken_at TIMESTAMP NOT NULL,
    resistance_ohm DOUBLE,
    range_mark TEXT,
    verdict TEXT NOT NULL,
    sd_extra_log DOUBLE
);
CREATE TABLE _vetted_from (
    until DATE NOT NULL,           -- readings up to this day
    newest_file INTEGER NOT NULL   -- of those loaded, the last one that was looked at
);
