-- The newest imports, or all, with what their tables amounted to, newest first.
SELECT
    i.import_id, i.path, i.kind, i.loaded_at, i.undone_at,
    string_agg(DISTINCT t.table_name, ', ' ORDER BY t.table_name) AS tables,
    coalesce(sum(t.rows_read), 0)::BIGINT AS rows_read,
    coalesce(sum(t.rows_loaded), 0)::BIGINT AS rows_loaded,
    coalesce(sum(t.rows_unchanged), 0)::BIGINT AS rows_unchanged,
    coalesce(sum(t.rows_set_aside), 0)::BIGINT AS rows_set_aside
FROM (FROM imports ORDER BY import_id DESC LIMIT $most) AS i LEFT JOIN import_tables AS t USING (import_id)
GROUP BY ALL
ORDER BY i.import_id DESC
