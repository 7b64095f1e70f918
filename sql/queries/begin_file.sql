-- The hashes of those rows of the file that is being taken that are known from elsewhere; kind: row (as judged), refused (by its cells).
CREATE OR REPLACE TEMP TABLE _of_file (row_hash UBIGINT, kind TEXT);
