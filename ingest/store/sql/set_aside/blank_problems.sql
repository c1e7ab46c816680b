-- Problems of set-aside rows that name someone who is to be forgotten.
UPDATE set_aside
SET problems = list_transform(problems, lambda p: CASE
    WHEN contains(concat_ws(' ', p.found, p.expected, p.fix, p.suggested), $word)
    THEN {
        'sheet': p.sheet, 'column': p."column", 'found': NULL::VARCHAR,
        'expected': '(removed)', 'fix': '(removed)',
        'suggested': NULL::VARCHAR, 'sure': false, 'reason': ''
    }
    ELSE p END)
WHERE list_contains(
    list_transform(
        problems, lambda p: contains(concat_ws(' ', p.found, p.expected, p.fix, p.suggested), $word)
    ),
    true
)
