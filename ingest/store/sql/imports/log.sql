-- The newest imports, or all, newest first, each once for every table that it brought.
SELECT
    i.import_id, i.path, i.kind, i.loaded_at, i.undone_at,
    t.table_name, t.rows_read, t.rows_loaded, t.rows_unchanged, t.rows_set_aside
FROM (FROM imports ORDER BY import_id DESC LIMIT $most) AS i
LEFT JOIN import_tables AS t USING (import_id)
ORDER BY i.import_id DESC, t.table_name
