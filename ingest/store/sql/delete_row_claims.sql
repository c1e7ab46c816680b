-- Rows that are gone are held by no import.
DELETE FROM claims WHERE table_name = $table_name AND row_id IN (SELECT unnest($row_ids::BIGINT[]))
