-- What the input tables hold of one meter, every version of its rows, and which imports brought
-- its sessions: a count and a sum of hashes a table, which differ when anything of it does.
SELECT 'meters' AS part, count(*) AS rows, sum(hash(r)::HUGEINT)::VARCHAR AS content
FROM rows_meters AS r WHERE meter_id = $meter
UNION ALL
SELECT 'assignments', count(*), sum(hash(r)::HUGEINT)::VARCHAR
FROM rows_assignments AS r WHERE meter_id = $meter
UNION ALL
SELECT 'installations', count(*), sum(hash(r)::HUGEINT)::VARCHAR
FROM rows_installations AS r WHERE meter_id = $meter
UNION ALL
SELECT 'bikes', count(*) FILTER (live), sum(row_id)::VARCHAR
FROM rows_installations
UNION ALL
SELECT 'events', count(*), sum(hash(r)::HUGEINT)::VARCHAR
FROM rows_events AS r WHERE meter_id = $meter
UNION ALL
SELECT 'bench', count(*), sum(hash(r)::HUGEINT)::VARCHAR
FROM rows_bench AS r WHERE meter_id = $meter
UNION ALL
SELECT 'comparisons', count(*), sum(hash(r)::HUGEINT)::VARCHAR
FROM rows_comparisons AS r WHERE meter_id = $meter
UNION ALL
SELECT 'pairs', count(*), sum(hash(r)::HUGEINT)::VARCHAR
FROM rows_pairs AS r WHERE meter_id = $meter
UNION ALL
SELECT 'claims', count(*), sum(hash(c)::HUGEINT)::VARCHAR
FROM claims AS c
WHERE table_name = 'bench' AND row_id IN (SELECT row_id FROM rows_bench WHERE meter_id = $meter)
