"""Which drawn pages are kept while a team's data change, and which are drawn anew."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import pytest
from plotly.io.json import to_json_plotly

from dashboard.navigation import find, find_pages
from dashboard.security import Guarded, People
from dashboard.service import Service
from dashboard.web import page_cache
from dashboard.web.page_cache import Bodies
from models import run
from models.run import COACH, HERE, Person
from tests.dashboard.people import make_store

PATHS = ("/", "/meter/K1", "/meter/K2")
CLEO = Person("Cleo", COACH, "Cleo")
OF_K2 = {"session_id": "S9", "meter_id": "K2", "measured_at": "2026-03-09T09:00:00Z"}
HUNG = [
    {**OF_K2, "mass_kg": "20", "crank_length_mm": "170", "load": load, "torque_nm": torque}
    for load, torque in (("zero", "0.1"), ("mass", "34.9"), ("mass", "34.95"))
]


@pytest.fixture
def service(tmp_path: Path) -> Service:
    return Service(make_store(tmp_path))


def drawer(
    service: Service, person: Person, paths: Sequence[str] = PATHS
) -> Callable[[], dict[str, Any]]:
    """Gives the bodies that a person gets of PATHS: the same objects while they are kept."""
    data = Guarded(service, lambda: person, scope=People(service).scope)
    pages, bodies = find_pages(), Bodies()

    def draw() -> dict[str, Any]:
        found = {path: find(pages, path, "") for path in paths}
        return {path: bodies.body(at[0], data, at[1], person) for path, at in found.items() if at}

    return draw


def kept(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    return [path for path in before if before[path] is after[path]]


def test_a_page_is_written_as_its_parts_would_write_themselves(service: Service) -> None:
    data = Guarded(service, lambda: HERE, scope=People(service).scope)
    for path in (*PATHS, "/intake", "/season"):
        found = find(find_pages(), path, "")
        if found is not None:
            drawn = found[0].layout(data, found[1])
            written = json.loads(orjson.dumps(page_cache._written(drawn)))
            assert written == json.loads(to_json_plotly(drawn))


def event_of(service: Service, meter_id: str) -> int:
    rows = service.ask(run.proposed_events)
    return next(int(row["event_row"]) for row in rows if row["meter_id"] == meter_id)


def test_a_page_is_kept_until_what_it_shows_changes(service: Service) -> None:
    draw = drawer(service, HERE)
    first = draw()
    assert kept(first, draw()) == [*PATHS]
    elsewhere = run.Fleet(service.store)  # by another program: nothing follows here
    run.save_bench_event(elsewhere, "K2", "remount", "2026-03-03")
    then = draw()
    assert kept(first, then) == []  # the fit is older than the data from here on
    run.decide_event(elsewhere, event_of(service, "K2"), "rejected")
    later = draw()
    assert kept(then, later) == ["/", "/meter/K1"]
    run.decide_event(elsewhere, event_of(service, "K1"), "rejected")
    assert kept(later, draw()) == ["/", "/meter/K2"]


def test_a_page_drawn_while_its_meter_is_written_to_is_not_kept(service: Service) -> None:
    data = Guarded(service, lambda: HERE, scope=People(service).scope)
    elsewhere, bodies = run.Fleet(service.store), Bodies()
    run.decide_event(elsewhere, event_of(service, "K1"), "rejected")  # the fit is older than it
    found = find(find_pages(), "/meter/K2", "")
    assert found is not None
    page, view = found
    entered: list[int | None] = []

    def meanwhile(data: Any, view: Any) -> Any:
        entered.append(run.save_bench(elsewhere, HUNG)["import_id"])
        return page.layout(data, view)

    said = b"and the models are being refitted"
    first = bodies.body(replace(page, layout=meanwhile), data, view, HERE)
    assert said in orjson.dumps(first)
    run.undo_bench_entry(elsewhere, entered[0])  # all is as it was when the page was asked for
    assert said not in orjson.dumps(bodies.body(page, data, view, HERE))


def test_a_session_taken_in_changes_the_fleet_and_its_own_meter_alone(service: Service) -> None:
    elsewhere, draw = run.Fleet(service.store), drawer(service, HERE)
    run.decide_event(elsewhere, event_of(service, "K2"), "rejected")  # the fit is older than it
    before = draw()
    run.save_bench(elsewhere, HUNG)
    after = draw()
    assert kept(before, after) == ["/meter/K1"]
    said = "and the models are being refitted"
    assert [said in orjson.dumps(after[path]).decode() for path in PATHS[1:]] == [False, True]


def test_a_coach_whose_riders_change_gets_no_page_of_before(service: Service) -> None:
    mine = ["/", "/meter/K1"]
    draw = drawer(service, CLEO, mine)
    first = draw()
    assert kept(first, draw()) == mine
    elsewhere = run.Fleet(service.store)
    run.decide_event(elsewhere, event_of(service, "K2"), "rejected")
    before = draw()
    run.decide_event(elsewhere, event_of(service, "K1"), "rejected")
    assert kept(before, draw()) == ["/"]
    before = draw()
    run.move_meter(elsewhere, "K2", "B1", "2026-03-04", "R1")  # who is Cleo's
    assert kept(before, draw()) == []
