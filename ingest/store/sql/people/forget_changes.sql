-- Recorded changes before an instant, but for those of a kind that is kept.
DELETE FROM changes WHERE changed_at < $before AND what <> $kept
