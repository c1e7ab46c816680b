-- Mark open set-aside rows as resolved.
UPDATE set_aside
SET resolved_at = $now, resolution = $resolution, resolved_by = $import_id
WHERE set_aside_id IN (SELECT unnest($set_aside_ids::BIGINT[])) AND resolved_at IS NULL
