-- What answers rest on beside the fit: who rides what, the calendar, capacity, costs, pinned
-- visits, who left; and how many notices were read.
SELECT
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_calendar)
        AS calendar,
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_assignments)
        AS assignments,
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_capacity)
        AS capacity,
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_costs)
        AS costs,
    (SELECT count(*) FROM changes WHERE what IN ('visits pinned', 'rider removed')) AS said,
    (SELECT count(*) FROM changes WHERE what = 'notice acknowledged') AS acknowledged
