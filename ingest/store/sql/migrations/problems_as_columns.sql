-- The earliest texts say nothing of a suggestion, and a key that is not there is an error for a cast.
ALTER TABLE set_aside ALTER COLUMN problems
TYPE STRUCT(sheet VARCHAR, "column" VARCHAR, found VARCHAR, expected VARCHAR, fix VARCHAR,
            suggested VARCHAR, sure BOOLEAN, reason VARCHAR)[]
USING list_transform(
    from_json(
        problems::JSON,
        '[{"sheet":"VARCHAR","column":"VARCHAR","found":"VARCHAR","expected":"VARCHAR",
           "fix":"VARCHAR","suggested":"VARCHAR","sure":"BOOLEAN","reason":"VARCHAR"}]'
    ),
    lambda p: {
        'sheet': p.sheet, 'column': p."column", 'found': p.found, 'expected': p.expected,
        'fix': p.fix, 'suggested': p.suggested, 'sure': coalesce(p.sure, false),
        'reason': coalesce(p.reason, '')
    }
)
