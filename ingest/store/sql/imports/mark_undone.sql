-- Say in the log when an import was undone.
UPDATE imports SET undone_at = $now WHERE import_id = $import_id
