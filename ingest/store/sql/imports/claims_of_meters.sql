-- Which imports brought each meter's sessions: a count of the claims and a sum of their hashes, which
-- differ when anything of them does.
SELECT b.meter_id, count(*) || ' ' || sum(hash(c)::HUGEINT) AS held
FROM claims AS c JOIN rows_bench AS b ON b.row_id = c.row_id
WHERE c.table_name = 'bench' AND b.meter_id IS NOT NULL
GROUP BY b.meter_id
