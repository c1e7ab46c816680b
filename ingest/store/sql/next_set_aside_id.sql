-- The number of the next row to be set aside.
SELECT coalesce(max(set_aside_id), 0) + 1 AS next FROM set_aside
