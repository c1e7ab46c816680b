-- Every rider whom an input table names.
SELECT rider_id FROM (
    SELECT rider_id FROM riders UNION SELECT rider_id FROM assignments
    UNION SELECT rider_id FROM efforts UNION SELECT rider_id FROM calendar
    UNION SELECT rider_id FROM comparisons UNION SELECT rider_id FROM pairs
)
WHERE rider_id IS NOT NULL ORDER BY rider_id
