-- Names by which crews call a site, a well, an electrode or an instrument, and which of ours each one means.
CREATE TABLE raw_aliases (
    row_id BIGINT NOT NULL,
    kind TEXT,
    alias TEXT,
    means TEXT,
    site_id TEXT,      -- where a well's alias holds at one site alone
    decision TEXT,     -- same (also where empty), different: a proposal that a person turned down
    decided_by TEXT,
    note TEXT
);
-- The site that a crew wrote beside a well, kept where the well's name is an alias that holds at that site alone.
ALTER TABLE raw_readings ADD COLUMN site_hint TEXT;
