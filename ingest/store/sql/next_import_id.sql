-- The number of the next import.
SELECT coalesce(max(import_id), 0) + 1 AS next FROM imports
