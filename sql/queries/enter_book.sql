-- Enter the books of one file or sheet.
INSERT INTO raw_files BY NAME
SELECT
    $file_id::INTEGER AS file_id,
    $file AS file,
    $sheet AS sheet,
    $table_name AS table_name,
    $profile AS profile,
    $layout AS layout,
    $content AS content_sha256,
    $loaded_at::TIMESTAMP AS loaded_at,
    $loaded_by AS loaded_by,
    $read AS rows_read,
    $taken AS rows_taken,
    $held AS rows_held,
    $refused AS rows_refused,
    $refused_before AS rows_refused_before,
    0 AS rows_superseding;
