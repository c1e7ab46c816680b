-- Keep how far the correction of a set-aside row got, and what is still wrong with it.
UPDATE set_aside
SET corrected = $corrected, problems = $problems
WHERE set_aside_id = $set_aside_id AND resolved_at IS NULL
