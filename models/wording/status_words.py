"""What is said beside a status: why a meter or a reference has it, and what to do next."""

_LIMIT = "the limit is {tolerance_pct:plain}."
_WITHIN = "within ± {tolerance_pct:plain} %"
_RANGE = "between {low_pct:signed1} and {high_pct:signed1} % with a chance of 90 %"
_AGREES = "Bench it; if the bench shows the same, "

STATUS_WORDS = {
    # why
    "not_fitted": "Nothing could be estimated for it.",
    "never_benched": "Never benched: its numbers are what its group and its rides suggest "
    "(" + _RANGE + ").",
    "reads": "Reads {error_pct:size1} % {error_pct:high_or_low} ± {half_pct:fixed1}; " + _LIMIT,
    "reads_right": "Reads neither high nor low ± {half_pct:fixed1}; " + _LIMIT,
    "sides_read": "Its left side reads {left_pct:signed1} %, its right {right_pct:signed1} %, the "
    "mean of both {error_pct:signed1} ± {half_pct:fixed1} %; " + _LIMIT,
    "reading_unknown": "Nobody can tell any more what it reads: " + _RANGE + "; " + _LIMIT,
    "chance_below_target": "The chance that it is " + _WITHIN + " is {p:chance}; the target is "
    "{target:whole_percent}.",
    "chance_falls": "Within ± {tolerance_pct:plain} % with a chance of {p:chance} today; that "
    "falls below {target:whole_percent} on {due_on:day}.",
    "chance_holds": "Within ± {tolerance_pct:plain} % with a chance of {p:chance}, and above "
    "{target:whole_percent} for the next five years.",
    "benched_today": "Benched today.",
    "benched": "Not benched for {ago}.",
    "never_compared": "Never compared on a ride.",
    "compared_today": "Compared on a ride today.",
    "compared": "Last compared {ago} ago.",
    "drifts": "Drifts {drift_pct:signed1} % a year.",
    "not_listed": "Not in the meters table: its kind and age are guesses.",
    "warm_or_cold": "Between {low_c:plain} and {high_c:plain} °C it may read {low_pct:signed1} to "
    "{high_pct:signed1} %: its temperature coefficient is not known.",
    "warm_or_cold_known": "Between {low_c:plain} and {high_c:plain} °C it may read "
    "{low_pct:signed1} to {high_pct:signed1} %: its temperature coefficient is "
    "{slope_pct:signed3} % a degree.",
    # how long ago, as exact as a mechanic needs
    "one_day": "1 day",
    "days": "{n:plain} days",
    "weeks": "{n:plain} weeks",
    "months": "{n:plain} months",
    # what to do next
    "alarm_first": "Read first what its page says of the alarm. {action}",
    "actions": "{each:joined}",
    "bench_as_found": "Bench it as found before anyone relies on it.",
    "bench_now": "Bench it now.",
    "bench_before": "Bench it before {due_on:day}.",
    "bench_before_or_planned": "Nothing to do now; bench it before {due_on:day}, or as planned.",
    "bench_then": "Then bench it, to see whether it has moved.",
    "bench_before_ridden": "Nobody is assigned to ride it: nothing to do, unless someone rides it "
    "after {due_on:day}; then bench it before.",
    "nothing_to_do": "Nothing to do.",
    "reset_if_confirmed": _AGREES + "reset its slope.",
    "correct_if_confirmed": _AGREES + "correct its watts or send it away: its slope cannot be set.",
    "ride_it": "It shows torque only when it turns, so the bench cannot tell: ride it against a "
    "device that you trust.",
    # references
    "a_meter_itself": "A meter of the fleet: see its own row.",
    "ridden_once": "Only one comparison: whether it moves cannot be told.",
    "never_ridden": "No comparison yet: whether it moves cannot be told.",
    "moved": "It has moved {change_pct:signed1} % (± {half_pct:fixed1}) since {since:day}.",
    "moved_too_far": "It has moved {change_pct:signed1} % (± {half_pct:fixed1}) since {since:day}, "
    "against ± {tolerance_pct:plain} %: recalibrate it as its maker says (warm, spindown), record "
    "that as an event, and leave its meters alone.",
    # what the fleet's numbers rest on
    "truth": "The fleet's numbers rest on {basis}: {n:plain} of {of:plain} bench sessions of the "
    "last two years.",
    "truth_together": "{truth} All together they may be off by ± {half_pct:fixed2} % (90 %), "
    "whatever is said of each.{also:then}",
    "one_scale": "{sets:anded} share {scale}: what it is off by is in all of them.",
    "no_truth": "The numbers rest on no bench session: no meter was ever at a bench. Comparisons "
    "within the team only: differences between its meters hold, what they all read high or low "
    "together is not known.",
    "no_truth_lately": "The numbers rest on no bench session: no meter was at a bench in the two "
    "years before {day:day}. Comparisons within the team only: differences between its meters "
    "hold, what they all read high or low together is not known.",
    "on_certificate": "the certificate of {sets:anded}{about:bracketed}",
    "on_weighing": "the weighing of {sets:anded}",
    "on_late_weighing": "the weighing of {sets:anded} (its certificate is out of date)",
    "on_stamp": "the stamp on {sets:anded}, good to ± 2 %: weigh the plates",
    "on_entry": "masses as they were entered ({sets:anded}); nothing says how they are known",
    "certificate_numbers": "no. {numbers:anded}",
    "certificate_due": "due {due_on:day}",
    "certificate_both": "no. {numbers:anded}, due {due_on:day}",
    "weigh_a_set": "Get one mass set weighed or certified, and bench a few meters on it.",
}
