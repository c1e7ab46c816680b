-- The riders whom a coach coaches on a day: of a rider's rows the last one begun counts.
SELECT rider_id FROM (
    SELECT rider_id, coach, to_date,
        row_number() OVER (PARTITION BY rider_id ORDER BY from_date DESC NULLS LAST) AS latest
    FROM riders
    WHERE from_date IS NULL OR from_date <= CAST($today AS DATE)
)
WHERE latest = 1 AND coach = $coach AND (to_date IS NULL OR to_date >= CAST($today AS DATE))
