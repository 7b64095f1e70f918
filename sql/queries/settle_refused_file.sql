-- A file or sheet that was refused as a whole is settled when one of that name has been read.
UPDATE raw_refused
SET settled_at = $known_from
WHERE settled_at IS NULL AND line IS NULL AND file = $file AND sheet IN ('', $sheet);
