-- Where each row of a table was read from last.
SELECT c.row_id, arg_max(i.path, c.import_id) AS path, arg_max(c.row, c.import_id) AS row
FROM claims AS c JOIN imports AS i USING (import_id)
WHERE c.table_name = $table_name
GROUP BY c.row_id
