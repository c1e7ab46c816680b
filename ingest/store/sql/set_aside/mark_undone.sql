-- What an undone import set aside is no longer of interest.
UPDATE set_aside SET resolved_at = $now, resolution = 'undone', resolved_by = $import_id
WHERE import_id = $import_id AND resolved_at IS NULL
