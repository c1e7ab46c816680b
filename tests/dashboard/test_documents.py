"""Documents are what their questions declare: a real team's in full, made-up ones in part."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from models import run
from models.run import Fleet, SeasonAsk
from tests.dashboard.documents import answered_type, departures
from tests.dashboard.fake import FakeData

SEASON = SeasonAsk(date(2024, 8, 1), date(2024, 10, 31), None)
METER, RIDER = "M0003", "Ada"
ASKED: dict[str, tuple[Any, ...]] = {
    **dict.fromkeys(("status", "method", "bench_kit", "set_aside", "imports"), ()),
    **dict.fromkeys(("proposed_events", "rides_waiting", "rides_kept", "ride_devices"), ()),
    **dict.fromkeys(("accounts", "find_changes", "riders", "riders_named", "season"), ()),
    **dict.fromkeys(("history", "meter", "bench_sessions", "comparisons"), (METER,)),
    "whereabouts": (METER,),
    "happened_lately": (),
    **dict.fromkeys(("plan", "budget"), (SEASON,)),
    "rider": (RIDER,),
    "policies": (),
    "ageing": (),
    "hindcast": (),
    "intervals": (),
    "workshops": (),
    "notices": (),
    "doubtful": (),
    "affected": (METER,),
    "concerns": (["out", "alarm"],),
    "intake_news": (date(2024, 7, 1),),
}
"""By the question's name: what it is asked about."""


@pytest.mark.parametrize("name", ASKED)
def test_real_documents_are_as_declared(whole_store, name):
    question: Callable[..., Any] = getattr(run, name)
    document = question(Fleet.at(whole_store), *ASKED[name])
    assert [*departures(document, answered_type(question))] == []


@pytest.mark.parametrize("name", [name for name in ASKED if hasattr(FakeData, name)])
def test_made_up_documents_hold_nothing_that_is_not_declared(name):
    """They may leave out what a page does not read."""
    data = FakeData()
    meter = data.status()["meters"][0]["meter_id"]
    asked = [meter if one == METER else one for one in ASKED[name]]
    document = None
    while document is None:  # some take a moment
        document = data.ask(getattr(run, name), *asked)
    found = departures(document, answered_type(getattr(run, name)))
    assert [one for one in found if one.kind != "missing"] == []


def test_what_is_not_as_declared_is_named():
    declared = answered_type(run.find_changes)
    found = {*departures({"rows": "none", "found": 1.5, "who": [], "what": [], "or": 1}, declared)}
    assert {(one.at, one.kind) for one in found} == {
        (".rows", "type"),
        (".found", "type"),
        (".all", "missing"),
        (".or", "undeclared"),
    }
