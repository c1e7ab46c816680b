-- Take what names somebody out of the recorded changes; that there was a change stays.
UPDATE changes
SET subject = CASE WHEN contains(subject, $word) THEN NULL ELSE subject END,
    before = CASE WHEN contains(before, $word) THEN NULL ELSE before END,
    after = CASE WHEN contains(after, $word) THEN NULL ELSE after END
WHERE contains(subject, $word) OR contains(before, $word) OR contains(after, $word)
