"""The words for a meter's state: on the mechanic's pages, on the coach's, on paper."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Status:
    """How one status is shown: its word, what it means, and what it means for a rider's watts."""

    word: str
    meaning: str
    watts: str
    watts_meaning: str


# In the order of urgency; a status is always shown with its word and its own glyph.
STATUSES: dict[str, Status] = {
    "out": Status(
        "Out",
        "more likely out of tolerance than within",
        "Correct first",
        "more likely out of tolerance than within: use the corrected watts",
    ),
    "due": Status(
        "Due",
        "no longer sure enough to be within tolerance",
        "Take with care",
        "it may well be right, but nobody can be sure enough: use the corrected watts",
    ),
    "soon": Status(
        "Soon",
        "due within 28 days",
        "Still as shown",
        "its watts can be compared as they stand; its bench visit is near",
    ),
    "unknown": Status(
        "Unknown",
        "no bench session to go by",
        "Cannot be told",
        "no bench session to go by; only changes on this one meter can be compared",
    ),
    "ok": Status(
        "OK",
        "within tolerance, and sure of it",
        "Take as shown",
        "its watts can be compared as they stand",
    ),
}
VERDICTS = {
    "in_tolerance": "Within tolerance",
    "out_of_tolerance": "Out of tolerance",
    "indeterminate": "Too close to the limit to call",
}
ADVICE = {
    "leave": "Leave the slope alone",
    "repeat": "Repeat the readings",
    "reset": "Reset the slope",
    "fix_setting": "Put a setting right",
    "send_away": "Send it to service",
}


def known_status(status: object) -> str:
    """Return the status, `unknown` for anything else."""
    return str(status) if status in STATUSES else "unknown"
