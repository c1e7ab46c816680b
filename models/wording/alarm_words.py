"""What each alarm says: what happened, how sure it is, what a mechanic does about it."""

_SIZE = "{size_pct:size1} % (± {half_pct:fixed1})"
_STEP = "{device} has read " + _SIZE + " {size_pct:higher_or_lower} than before since a "
_TO_THE_BENCH = "take it to the bench before its slope is changed."
_BEND = (
    "The meters of group {group} have drifted {size_pct:size1} % a year (± {half_pct:fixed1}) "
    "further "
)
_SEASON = (
    "{what} of group {{group}} read {{size_pct:size1}} % (± {{half_pct:fixed1}}) higher about "
    "{{on:day}} than on average over the year, and as much lower half a year later. It is taken "
    "out as an effect of the season. Write down temperature_c {how}: then it becomes a "
    "coefficient per degree."
)
_IN_COMMON = (
    " since about {on:day} than in their past. Look for what they have in common: firmware, a "
    "batch, storage, a way of mounting."
)
_ZERO = (
    "{line:optional}. Look at bolts and bearings and for a blow. It is no gain error: set the zero "
    "before each ride. Bench the meter, for its gain may have moved too."
)

ALARM_WORDS = {
    "step_explained": _STEP + "sudden step {when}: {done:anded} may have done it. See that it was "
    "finished well, then " + _TO_THE_BENCH,
    "step_unrecorded": _STEP + "sudden step {when} that nobody recorded.{also:then} Look for a "
    "blow, loose bolts or a loose ring, then " + _TO_THE_BENCH,
    "event": "the {event:name} of {on:day}{note:bracketed}",
    "zero_jump_too": "Its zero jumped in the same days{note:bracketed}: both are likely one blow.",
    "work_came_after": "The work at the bench of {on:day}{note:bracketed} came after it.",
    "reference_step": _STEP + "step {when}; several meters agree, so they are not to blame. Ask "
    "what was done to it (spindown, firmware, service) and record it as an event.",
    "bench_step": "Sessions on {device} have found " + _SIZE + " {size_pct:higher_or_lower} values "
    "since a step {when}. Weigh its masses and hanger again: a part may have been exchanged or "
    "left off.",
    "bench_heavier": "Sessions on {device} find " + _SIZE + " higher values than the rest of the "
    "fleet's evidence: its masses behave as if they were that much heavier than stated. Weigh "
    "them; the meters are not to blame.",
    "bench_lighter": "Sessions on {device} find " + _SIZE + " lower values than the rest of the "
    "fleet's evidence: its masses behave as if they were that much lighter than stated. Weigh "
    "them; the meters are not to blame.",
    "not_carried": "{said} No other record tells of it, and all meters together may have moved "
    "instead: the numbers do not count on it until the set is weighed again (an event recertified "
    "with the change it found) or sessions on another set show it too.",
    "season": _SEASON.format(what="Sessions", how="with each bench session"),
    "ride_season": _SEASON.format(what="Rides", how="of each ride"),
    "entry": "The session of {on:day} ({session}) found {device} " + _SIZE + " too "
    "{size_pct:high_or_low}, against what came before and after. Check the crank length, hanger "
    "and mass set written down for it.",
    "entry_reset_on": "{entry} The slope was reset on it: the meter has read "
    "{consequence_pct:size1} % too {consequence_pct:high_or_low} since. Measure it again and set "
    "the slope again.",
    "noise": "{device}'s comparisons scatter {factor:fixed1} times as much as they used to since "
    "{on:day}. Check battery, bolts, bearings and the zero before each ride.",
    "bend_up": _BEND + "upwards" + _IN_COMMON,
    "bend_down": _BEND + "downwards" + _IN_COMMON,
    "zero_jump": "{meter}'s zero jumped by {size:signed2} N·m (± {half:fixed2}) between "
    "{first:day} and {last:day}" + _ZERO,
    "zero_jump_counts": "{meter}'s zero jumped by {size:signed0} counts (± {half:fixed0}) between "
    "{first:day} and {last:day}" + _ZERO,
    "line_taken_out": ", its temperature line ({per_c:signed3} {unit}/°C) taken out",
    "on_day": "on {on:day}",
    "between_days": "between {first:day} and {last:day}",
}
