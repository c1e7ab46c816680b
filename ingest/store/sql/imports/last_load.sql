-- What the last load of a file that was not undone held, one row a table of it.
SELECT import_id, sheet, table_name, sha256
FROM import_tables
WHERE import_id = (
    SELECT max(import_id) FROM imports
    WHERE path = $path AND kind = 'load' AND undone_at IS NULL
)
