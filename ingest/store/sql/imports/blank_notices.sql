-- Notices in the import log that name someone who is to be forgotten.
UPDATE import_notices SET text = '(removed)' WHERE contains(text, $word)
