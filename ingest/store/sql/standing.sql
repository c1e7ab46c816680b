-- What answers rest on beside the fit: who rides what, the calendar, what was acknowledged, who left.
SELECT
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_calendar)
        AS calendar,
    (SELECT count(*) FILTER (live) || ' ' || coalesce(sum(row_id) FILTER (live), 0) FROM rows_assignments)
        AS assignments,
    (SELECT count(*) FROM changes WHERE what IN ('notice acknowledged', 'rider removed')) AS said
