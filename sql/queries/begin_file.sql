-- The hashes of the rows of the file that is being taken; kind: row (as judged), refused (by its cells).
CREATE OR REPLACE TEMP TABLE _of_file (row_hash UBIGINT, kind TEXT);
