-- The recorded changes of one kind to one subject, the newest first.
SELECT changed_at, who, what, subject, before, after
FROM changes
WHERE what = $what AND subject = $subject
ORDER BY changed_at DESC
