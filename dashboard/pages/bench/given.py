"""What the browser is given at the bench: data to judge by, words, and who is next."""

from __future__ import annotations

from dashboard import theme
from dashboard.navigation import Document
from dashboard.security import Guarded
from dashboard.service import asked_of
from models import run

STATES = {
    "statuses": {name: status.word for name, status in theme.STATUSES.items()},
    "verdicts": theme.VERDICTS,
    "advice": theme.ADVICE,
}
"""Words for statuses (the most urgent first), verdicts and advice."""


def given(data: Guarded) -> Document:
    """Return the models' data for the page, with the words for its states.

    owner: whose entries the browser keeps until they are saved, a person's at a store
    """
    happened = data.ask(run.happened_lately)
    kit = data.ask(run.bench_kit)
    meters = [
        {**meter, "next_action": theme.prose(meter["next_action"])} for meter in kit["meters"]
    ]
    return {**kit, "meters": meters, "states": STATES, "happened": happened, "owner": data.asker()}


def planned_next(data: Guarded) -> Document:
    """Return whom the season's plan wants on the bench next.

    Out  state and said: of the plan; week: the first from today on with a visit, None where the
         plan has none; meters: their ids
    """
    season = data.ask(run.season)
    if season.get("empty"):
        return {"state": "done", "said": "", "week": None, "meters": []}
    told = data.later(run.plan, asked_of(season["first"], season["last"]))
    visits = told["document"]["visits"] if told["document"] else []
    week = min((visit["week"] for visit in visits), default=None)
    meters = [visit["meter_id"] for visit in visits if visit["week"] == week]
    said = theme.sentence(told["said"])
    return {"state": told["state"], "said": said, "week": week, "meters": meters}
