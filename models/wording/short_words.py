"""The same in few words, where there is room for one line: a reason, or what to do next.

Each stands beside the long text of its kind and takes values of it. A kind without one is not
worth a line: what is fine, what only explains, and a rider's legs, which are nobody's business
on a list of meters.
"""

LONGEST_REASON, LONGEST_ACTION = 60, 30
"""Signs, whatever the values; days written in words (theme.prose)."""

SHORT_REASONS = {
    "not_fitted": "Nothing could be estimated for it",
    "never_benched": "Never on the bench",
    "reading_unknown": "May read anything from {low_pct:signed1} to {high_pct:signed1} %",
    "sides_read": "Left reads {left_pct:signed1} %, right {right_pct:signed1} %",
    "chance_below_target": "Within tolerance with a chance of {p:chance} (target "
    "{target:whole_percent})",
    "chance_falls": "Falls below {target:whole_percent} sure on {due_on:day}",
    "not_listed": "Not in the meters table",
    "warm_or_cold": "May read {low_pct:signed1} to {high_pct:signed1} % in cold or heat",
    "warm_or_cold_known": "May read {low_pct:signed1} to {high_pct:signed1} % in cold or heat",
    "happened": "Had a {event:name} on {on:day}",
    "wrong_length_set": "{programmed_mm:plain} mm set on a crank of {crank_mm:plain} mm",
    "unrecorded_reset": "Slope changed by {last:day}, and nobody noted it",
    "step_explained": "Jumped by {size_pct:signed1} % {when}",
    "step_unrecorded": "Jumped by {size_pct:signed1} % {when}",
    "entry": "Its session of {on:day} looks wrongly entered",
    "entry_reset_on": "Reset on a doubtful session; {consequence_pct:signed1} % since",
    "noise": "Its rides scatter {factor:fixed1} times as much since {on:day}",
    "zero_jump": "Its zero jumped by {size:signed2} N·m by {last:day}",
    "zero_jump_counts": "Its zero jumped by {size:signed0} counts by {last:day}",
}

SHORT_ACTIONS = {
    "alarm_first": "Look into the alarm first",
    "bench_as_found": "Bench it as found",
    "bench_now": "Bench it now",
    "bench_before": "Bench it before {due_on:day}",
    "reset_if_confirmed": "Bench it; reset if confirmed",
    "correct_if_confirmed": "Bench it; correct its watts",
    "ride_it": "Ride it beside a trusted meter",
    "set_the_length": "Set {crank_mm:plain} mm, then bench it",
}
