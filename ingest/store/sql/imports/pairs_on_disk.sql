-- Each pair of recordings with the table it was read from: its files are relative to that table.
SELECT DISTINCT ON (r.row_id)
    r.meter_file, r.reference_file, r.meter_id, r.reference_id, r.comparison_id, r.rider_id,
    i.path AS table_path
FROM rows_pairs AS r
JOIN claims AS c ON c.table_name = 'pairs' AND c.row_id = r.row_id
JOIN imports AS i ON i.import_id = c.import_id
WHERE r.live
ORDER BY r.row_id, i.import_id DESC
