"""What a digest says: what changed since a day, and what to do next."""

_WHO = "{meter}{rider:bracketed}"

DIGEST_WORDS = {
    "digest_title": "Power meters from {since:day} to {as_of:day}",
    # what changed
    "now_out": _WHO + " is out now and was not. {reading:optional}",
    "now_due": _WHO + " is due now and was not. {reading:optional}",
    "needs_no_bench": _WHO + " does not need the bench any more. {reading:optional}",
    "new_alarm": "New alarm: {said}",
    "event_decided": "{subject}: {decided:name}.",
    "visit_moved": "The bench visit of {subject} was put into another week.",
    "setting_changed": "The setting {subject:name} was changed.",
    "taken_in": "Taken in: {rows:n_row} from {files:n_file}.",
    "newly_set_aside": "Set aside on loading: {rows:n_row}.",
    # what became of a file in an inbox
    "rows_in": "{tables:listed}: {loaded:n_row} loaded, {unchanged:fixed0} already there, "
    "{aside:fixed0} set aside",
    "ride_in": "a recording, kept beside the store",
    "nothing_in": "no rows in it",
    "own_sheet": "a sheet of the team's own making: what its columns mean has to be told once, on "
    "Intake or with slopewatch match",
    # what to do
    "on_the_plan": "It is on this week's plan for the bench.",
    "attend_to": _WHO + ": {action}{why:stated}{reading:then}",
    "before_race": "{meter} is likely out, and {rider} races {days:in_days}, {race_on:day}. "
    "{first} If it still is, the page Season says what to race on.{why:stated}{reading:then}",
    "recalibrate": "{device}: {action}",
    "decide_events": "The records suggest {n:n_event} that nobody wrote down, such as a battery "
    "swap: whoever knows confirms or rejects it on the page Intake.",
    "put_right": "Set aside and to be corrected: {n:n_row}. Open the page Intake.",
}
