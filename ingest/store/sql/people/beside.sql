-- What answers rest on beside the fit: who rides what, the calendar, capacity, costs.
SELECT
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_calendar)
        AS calendar,
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_assignments)
        AS assignments,
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_capacity)
        AS capacity,
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_costs)
        AS costs
