"""How a group of meters ages, in sentences."""

AGEING_WORDS = {
    "ageing_rate": "This group {drift_pct:loses_or_gains} {drift_pct:size2} % a year "
    "(90 %: {low_pct:signed2} to {high_pct:signed2}){swap:optional}.",
    "ageing_swap": " and {swap_pct:loses_or_gains} {swap_pct:size2} % at each battery swap "
    "({low_pct:signed2} to {high_pct:signed2})",
    "ageing_no_swap": "; no effect of a battery swap can be seen "
    "({low_pct:signed2} to {high_pct:signed2} %)",
    "ageing_unknown": "How fast this group ages is hardly known: between {low_pct:signed2} and "
    "{high_pct:signed2} % a year, from {n:n_meter}.",
    "ageing_settles": "Its ageing settles: it was faster when the meters were new.",
    "ageing_speeds_up": "Its ageing speeds up with age.",
    "ageing_outside": "{meter} ages by {drift_pct:signed2} % a year, {times:optional}beyond the "
    "limits of its group ({low_pct:signed2} to {high_pct:signed2}).",
    "times_as_fast": "{times:fixed1} times as fast as its group and ",
    "ageing_inside": "No meter ages unlike the others.",
    "ageing_alone": "One meter is no group to compare with.",
}
