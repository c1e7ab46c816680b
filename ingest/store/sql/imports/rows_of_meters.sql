-- What the input tables hold of each meter, every version of its rows, and which imports brought its
-- sessions: a count and a sum of hashes, which differ when anything of it does. Without a meter: who
-- rides what bike, which every meter's page offers to choose from.
WITH held AS (
    SELECT meter_id, 'meters' AS part, count(*) AS n, sum(hash(r)::HUGEINT) AS content
    FROM rows_meters AS r GROUP BY meter_id
    UNION ALL
    SELECT meter_id, 'assignments', count(*), sum(hash(r)::HUGEINT)
    FROM rows_assignments AS r GROUP BY meter_id
    UNION ALL
    SELECT meter_id, 'installations', count(*), sum(hash(r)::HUGEINT)
    FROM rows_installations AS r GROUP BY meter_id
    UNION ALL
    SELECT meter_id, 'events', count(*), sum(hash(r)::HUGEINT)
    FROM rows_events AS r GROUP BY meter_id
    UNION ALL
    SELECT meter_id, 'bench', count(*), sum(hash(r)::HUGEINT)
    FROM rows_bench AS r GROUP BY meter_id
    UNION ALL
    SELECT meter_id, 'comparisons', count(*), sum(hash(r)::HUGEINT)
    FROM rows_comparisons AS r GROUP BY meter_id
    UNION ALL
    SELECT meter_id, 'pairs', count(*), sum(hash(r)::HUGEINT)
    FROM rows_pairs AS r GROUP BY meter_id
    UNION ALL
    SELECT b.meter_id, 'claims', count(*), sum(hash(c)::HUGEINT)
    FROM claims AS c JOIN rows_bench AS b ON b.row_id = c.row_id
    WHERE c.table_name = 'bench' GROUP BY b.meter_id
    UNION ALL
    SELECT '', 'bikes', count(*) FILTER (live), sum(hash(bike_id)::HUGEINT) FILTER (live)
    FROM rows_installations
    UNION ALL
    SELECT '', 'riders', count(*) FILTER (live), sum(hash(r)::HUGEINT) FILTER (live)
    FROM rows_assignments AS r
)
SELECT meter_id, string_agg(part || ' ' || n || ' ' || coalesce(content, 0), ', ' ORDER BY part) AS held
FROM held WHERE meter_id IS NOT NULL GROUP BY meter_id
