-- The electrodes as the register itself names them, as readings of a file may name them.
SELECT DISTINCT electrode_id, well_id, NULL::VARCHAR AS site_hint, NULL::DATE AS day
FROM _register_now
WHERE electrode_id IS NOT NULL;
