-- The import that claimed each row of a table last.
SELECT row_id, max(import_id) AS latest FROM claims WHERE table_name = $table_name GROUP BY row_id
