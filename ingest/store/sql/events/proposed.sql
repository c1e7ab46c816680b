-- The events that wait for a person's word, newest first: event_row and the columns of `events`.
SELECT row_id AS event_row, * EXCLUDE (row_id, live)
FROM rows_events
WHERE live AND state = 'proposed'
ORDER BY date DESC, row_id
