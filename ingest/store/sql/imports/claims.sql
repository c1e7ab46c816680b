-- The rows of the store that an import holds, and whether another import holds them too.
SELECT
    c.table_name, c.row_id,
    EXISTS (
        SELECT 1 FROM claims AS o
        WHERE o.table_name = c.table_name AND o.row_id = c.row_id AND o.import_id <> c.import_id
    ) AS elsewhere
FROM claims AS c
WHERE c.import_id = $import_id
ORDER BY c.table_name, c.row_id
