-- The newest import that brought any of these rows of a table.
SELECT i.import_id, i.path
FROM claims AS c
JOIN imports AS i USING (import_id)
WHERE c.table_name = $table_name AND c.row_id IN (SELECT unnest($row_ids::BIGINT[]))
ORDER BY i.import_id DESC
LIMIT 1
