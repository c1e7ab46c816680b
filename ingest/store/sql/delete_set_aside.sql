-- Remove set-aside rows for good.
DELETE FROM set_aside WHERE set_aside_id IN (SELECT unnest($set_aside_ids::BIGINT[]))
