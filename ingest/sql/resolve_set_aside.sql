-- Mark an open set-aside row as resolved.
UPDATE set_aside
SET resolved_at = $now, resolution = $resolution, resolved_by = $import_id
WHERE set_aside_id = $set_aside_id AND resolved_at IS NULL
