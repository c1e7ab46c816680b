-- The time zone in which each file's times were read when it was last loaded.
SELECT path, arg_max(time_zone, import_id) AS time_zone
FROM imports
WHERE kind = 'load' AND undone_at IS NULL
GROUP BY path
