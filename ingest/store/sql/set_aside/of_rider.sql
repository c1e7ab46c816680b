-- Set-aside rows that name a rider, in the file or as corrected.
SELECT set_aside_id
FROM set_aside
WHERE list_contains(cells, {'column': 'rider_id', 'text': $rider_id})
   OR list_contains(corrected, {'column': 'rider_id', 'text': $rider_id})
