-- Every import's claims of a table's rows, with the columns that the import brought (empty: all).
SELECT c.import_id, c.row_id, c.sheet, c.row, i.kind, i.path, t.brought
FROM claims AS c
JOIN imports AS i USING (import_id)
LEFT JOIN import_tables AS t
    ON t.import_id = c.import_id AND t.table_name = c.table_name
    AND t.sheet IS NOT DISTINCT FROM c.sheet
WHERE c.table_name = $table_name
ORDER BY c.import_id, c.row_id
