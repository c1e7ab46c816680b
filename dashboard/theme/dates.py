"""How days and instants are written: 4 Mar 2026, in 12 days."""

from datetime import date, datetime

from dashboard.theme.numbers import MISSING, NBSP, plural


def day(value: object) -> str:
    """Return a date as 4 Mar 2026; a dash when there is none."""
    found = as_date(value)
    return MISSING if found is None else f"{found.day}{NBSP}{found:%b}{NBSP}{found.year}"


def as_date(value: object) -> date | None:
    """Return the calendar day of an ISO text, a date or an instant; None for anything else."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value)[:10])
    except ValueError:
        return None


def iso(value: object) -> str | None:
    """Return the calendar day as ISO text; None when there is none."""
    found = as_date(value)
    return found.isoformat() if found else None


def minute(instant: object) -> str:
    """Return an instant as a table shows and sorts it: 2026-03-14 09:05."""
    try:
        return f"{datetime.fromisoformat(str(instant)):%Y-%m-%d %H:%M}"
    except ValueError:
        return ""


def away(value: object, today: object) -> str:
    """Return how far a day is from today, in words: in 12 days, 3 weeks ago."""
    then, now = as_date(value), as_date(today)
    if then is None or now is None:
        return ""
    days = (then - now).days
    if days == 0:
        return "today"
    count = _rough(abs(days))
    return f"in {count}" if days > 0 else f"{count} ago"


def _rough(days: int) -> str:
    for unit, length, until in (("day", 1, 21), ("week", 7, 70), ("month", 30.44, 730)):
        if days < until:
            return plural(round(days / length), unit)
    return plural(round(days / 365.25), "year")
