"""What a bench session's record and its label say alike."""

from datetime import UTC, datetime

from dashboard import theme
from dashboard.navigation import Document

STAGES = {"as_found": "as found", "after_work": "after work", "as_left": "as left"}
SIDES = {"": "whole", "_left": "left", "_right": "right"}


def measured_at(found: Document) -> datetime:
    """Return when the session was measured; a day long ago where that is not known."""
    try:
        return datetime.fromisoformat(str(found["entered"]["measured_at"]))
    except ValueError:
        return datetime(2000, 1, 1, tzinfo=UTC)


def error(document: Document, stage: str) -> str:
    """Return gain error ± U of a stage: as_found, after_work or as_left."""
    before = "" if stage == "as_found" else f"{stage}_"
    return theme.plus_minus(
        document[f"{before}gain_error_pct"], document[f"{before}expanded_uncertainty_pct"], "%"
    )


def due(status: Document) -> str:
    """Return "due" and the day; no day of before the session while its answers follow."""
    if status.get("taking_in"):
        return "due: being worked out, see the fleet page"
    if status.get("due_date"):
        return f"due {status['due_date']}"
    return "due not within five years" if status.get("p_within_tolerance") else "due not known"
