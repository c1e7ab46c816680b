-- Keep how far the correction of set-aside rows got, and what is still wrong with them.
UPDATE set_aside
SET corrected = now.corrected, problems = now.problems
FROM (
    SELECT
        unnest($set_aside_ids::BIGINT[]) AS set_aside_id,
        unnest($corrected::STRUCT("column" VARCHAR, "text" VARCHAR)[][]) AS corrected,
        unnest($problems::STRUCT(
            sheet VARCHAR, "column" VARCHAR, found VARCHAR, expected VARCHAR, fix VARCHAR,
            suggested VARCHAR, sure BOOLEAN, reason VARCHAR
        )[][]) AS problems
) AS now
WHERE set_aside.set_aside_id = now.set_aside_id AND set_aside.resolved_at IS NULL
