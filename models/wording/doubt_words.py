"""What is said of a stretch in which a meter's watts are in doubt."""

DOUBT_WORDS = {
    "doubt": "{meter}{rider:optional} is in doubt {began} {ended}: it shows {error_pct:size1} % "
    "{error_pct:more_or_less} than {than} ({low_pct:signed1} to {high_pct:signed1} %). "
    "Why: {why}. {ending}",
    "doubt_than_rider": "the rider puts out",
    "doubt_than_due": "it should",
    "doubt_rider": " under {rider}",
    "doubt_from": "from {on:day}",
    "doubt_from_between": "from a day between {first:day} and {last:day}",
    "doubt_taken_over": "from {on:day}, when the rider took it over,",
    "doubt_until_today": "until today",
    "doubt_until": "until {on:day}",
    "doubt_until_between": "until a day between {first:day} and {last:day}",
    # why
    "doubt_why": "{causes:anded}",
    "doubt_cause": "{what}{size:optional}",
    "doubt_size": " ({size_pct:signed1} %)",
    "doubt_setting": "a wrong crank length in its settings",
    "doubt_step": "a sudden step that nobody recorded",
    "doubt_entry": "a slope reset on a session with a wrong entry",
    "doubt_reset": "a slope that was changed and not noted",
    "doubt_ring": "an oval ring",
    "doubt_legs": "the rider's left leg, counted for both",
    "doubt_chain": "the chain between crank and hub",
    "doubt_drift": "slow drift",
    # how it ended
    "doubt_lasts": "It has not been put right: correct its rides, those to come too.",
    "doubt_lasts_road": "The sensor is not to blame: leave its slope, and use the rider's watts.",
    "doubt_put_right": "Then it was put right. The rides of these days still need the correction.",
    "doubt_handed_on": "Then it was handed on. The rides of these days still need the correction.",
    "doubt_back": "Then it came back by itself. The rides of these days still need the correction.",
    "no_doubt": "No stretch is in doubt: on no day was a meter more likely out of tolerance than "
    "in, and nothing was found that speaks against its watts.",
    "doubts_last": "{n:plain} of {all:plain} stretches last until today.",
}
