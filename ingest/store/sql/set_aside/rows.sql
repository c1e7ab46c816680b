-- Rows set aside, with the time zone their file was read in; open ones only, or all.
SELECT s.*, i.time_zone
FROM set_aside AS s JOIN imports AS i USING (import_id)
WHERE NOT $only_open OR s.resolved_at IS NULL
ORDER BY s.import_id DESC, s.file, s.sheet, s.row, s.set_aside_id
