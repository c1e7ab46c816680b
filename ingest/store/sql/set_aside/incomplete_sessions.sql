-- Bench sessions that lost at least one row which nobody has corrected yet.
SELECT DISTINCT session_id
FROM set_aside
WHERE table_name = 'bench' AND resolved_at IS NULL AND session_id IS NOT NULL
ORDER BY session_id
