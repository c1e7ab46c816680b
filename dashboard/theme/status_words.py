"""How far a meter's watts can be taken as they are: a status in a coach's words."""

from __future__ import annotations

from dashboard.navigation import Document
from dashboard.theme import look

WORDS = {
    "ok": "Take as shown",
    "soon": "Still as shown",
    "due": "Take with care",
    "out": "Correct first",
    "unknown": "Cannot be told",
}
MEANINGS = {
    "ok": "its watts can be compared as they stand",
    "soon": "its watts can be compared as they stand; its bench visit is near",
    "due": "it may well be right, but nobody can be sure enough: use the corrected watts",
    "out": "more likely beyond its tolerance than within: use the corrected watts",
    "unknown": "no bench session to go by; only changes on this one meter can be compared",
}


def elsewhere(status: str) -> str:
    """What the fleet's and the meter's pages call the same."""
    return f"{look.sentence(MEANINGS[status])} Other pages call it “{look.STATUSES[status].word}”."


def known(status: object) -> str:
    """The status, `unknown` for anything else."""
    return str(status) if status in WORDS else "unknown"


def reads(row: Document) -> str:
    """What the meter shows of 300 W: 306 ± 2 W."""
    value, interval = row.get("gain_error_pct"), row.get("interval90_pct")
    if value is None:
        return look.MISSING
    half = look.half(interval)
    tail = "" if half is None else f" ±{look.NBSP}{look.number(3 * half, 0)}"
    return f"{look.number(300 + 3 * value, 0)}{tail}{look.NBSP}W"
