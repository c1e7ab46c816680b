-- The meters that were ever assigned to some riders.
SELECT DISTINCT meter_id FROM assignments
WHERE rider_id IN (SELECT unnest($riders::VARCHAR[]))
