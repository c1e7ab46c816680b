"""What the browser is given at the bench: data to judge by, words, and who is next."""

from __future__ import annotations

from dashboard import theme
from dashboard.navigation import Document, Door

STATES = {
    "statuses": {name: status.word for name, status in theme.STATUSES.items()},
    "verdicts": theme.VERDICTS,
    "advice": theme.ADVICE,
}
"""Words for statuses (the most urgent first), verdicts and advice."""


def given(data: Door) -> Document:
    """Return the models' data for the page, with the words for its states."""
    return data.bench_kit() | {"states": STATES}


def planned_next(data: Door) -> Document:
    """Return whom the season's plan wants on the bench next.

    Out  state and said: of the plan; week: the first from today on with a visit, None where the
         plan has none; meters: their ids
    """
    season = data.season()
    if season.get("empty"):
        return {"state": "done", "said": "", "week": None, "meters": []}
    told = data.plan(season["first"], season["last"])
    visits = (told.get("document") or {}).get("visits") or []
    week = min((visit["week"] for visit in visits), default=None)
    meters = [visit["meter_id"] for visit in visits if visit["week"] == week]
    said = theme.sentence(told["said"])
    return {"state": told["state"], "said": said, "week": week, "meters": meters}
