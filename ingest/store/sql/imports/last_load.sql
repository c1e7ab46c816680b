-- What the last load of a file that was not undone held, one row a table of it.
WITH last AS (
    SELECT import_id, time_zone, loaded_at
    FROM imports
    WHERE path = $path AND kind = 'load' AND undone_at IS NULL
    ORDER BY import_id DESC
    LIMIT 1
)
SELECT last.import_id, last.time_zone, last.loaded_at, t.sheet, t.table_name, t.sha256
FROM last JOIN import_tables AS t ON t.import_id = last.import_id
