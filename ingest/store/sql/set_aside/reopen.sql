-- What an undone import had corrected is open again.
UPDATE set_aside SET resolved_at = NULL, resolution = NULL, resolved_by = NULL
WHERE resolved_by = $import_id AND resolution IN ('reloaded', 'corrected')
