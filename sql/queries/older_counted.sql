-- The files of an older program need no other look; in which layout they were read is not known.
UPDATE raw_files
SET layout = ''
WHERE layout IS NULL AND rows_taken > 0;
