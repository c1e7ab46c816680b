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
    "taken_in": "{rows:fixed0} row(s) were taken in from {files:fixed0} file(s).",
    "newly_set_aside": "{rows:fixed0} row(s) were set aside on loading.",
    # what became of a file in an inbox
    "rows_in": "{tables:listed}: {loaded:fixed0} new row(s), {unchanged:fixed0} already there, "
    "{aside:fixed0} set aside",
    "ride_in": "a recording, kept beside the store",
    "nothing_in": "no rows in it",
    "own_sheet": "a sheet of the team's own making: what its columns mean has to be told once, on "
    "Intake or with slopewatch match",
    # what to do
    "on_the_plan": "It is on this week's plan for the bench.",
    "attend_to": _WHO + ": {action} {reading:optional}",
    "before_race": "{meter} is likely out, and {rider} races on {race_on:day}. {first}",
    "recalibrate": "{device}: {action}",
    "decide_events": "{n:fixed0} proposed event(s) wait for a decision: open Intake.",
    "put_right": "{n:fixed0} row(s) that were set aside wait for a correction: open Intake.",
}
