-- Rows set aside from a file that are open, or that a person settled by hand.
SELECT set_aside_id, sheet, table_name, cells, problems, resolved_at
FROM set_aside
WHERE file = $path AND (resolved_at IS NULL OR resolution IN ('corrected', 'dismissed'))
ORDER BY resolved_at IS NOT NULL, set_aside_id
