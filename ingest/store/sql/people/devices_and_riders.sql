-- The names of meters and riders that are not among some, and of references that are such a meter.
SELECT DISTINCT name FROM (
    SELECT meter_id AS name FROM meters
    UNION ALL SELECT meter_id FROM bench
    UNION ALL SELECT meter_id FROM assignments
    UNION ALL SELECT rider_id FROM assignments
    UNION ALL SELECT rider_id FROM riders
    UNION ALL SELECT reference_id FROM "references"
        WHERE meter_id NOT IN (SELECT unnest($own::VARCHAR[]))
)
WHERE name IS NOT NULL AND name NOT IN (SELECT unnest($own::VARCHAR[]))
