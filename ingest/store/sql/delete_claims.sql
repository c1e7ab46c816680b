-- An import holds nothing any more.
DELETE FROM claims WHERE import_id = $import_id
