-- What answers rest on beside the fit: how often visits were pinned or riders left; and how many
-- notices were read.
SELECT
    count(*) FILTER (what IN ('visits pinned', 'rider removed')) AS said,
    count(*) FILTER (what = 'notice acknowledged') AS acknowledged
FROM changes
