"""From a meter's page to the bench, and its proposed events decided there."""

import json
import shutil

import pytest
from dash import html

from dashboard.navigation import View, bench_path
from dashboard.pages.meter import page as meter
from dashboard.pages.meter import where
from dashboard.pages.meter.entries import session_actions
from dashboard.pages.meter.records import events_part
from dashboard.service import Service
from ingest.store import changes
from models import run
from tests.dashboard.browsing import serving
from tests.dashboard.fake import FakeData
from tests.dashboard.people import Caller
from tests.dashboard.reading import text

pytestmark = pytest.mark.usefixtures("cheap_hashes")


@pytest.fixture
def served(fitted_people_store, tmp_path, followed):
    data = Service(shutil.copy(fitted_people_store, tmp_path / "team.duckdb"))
    with serving(data) as address:
        yield address, data


def press(caller, event, decision, path="/meter/K1"):
    button = {"type": "meter-decide", "event": event, "as": decision}
    name = json.dumps(button, separators=(",", ":"), sort_keys=True)
    request = {
        "output": "meter-proposed.children",
        "outputs": {"id": "meter-proposed", "property": "children"},
        "inputs": [[{"id": button, "property": "n_clicks", "value": 1}]],
        "state": [{"id": "place", "property": "pathname", "value": path}],
        "changedPropIds": [f"{name}.n_clicks"],
    }
    status, text, _ = caller.ask("/_dash-update-component", json.dumps(request).encode())
    return status, text


def row_of(data, meter_id):
    return next(e["event_row"] for e in data.ask(run.proposed_events) if e["meter_id"] == meter_id)


@pytest.mark.parametrize(
    ("role", "there"), [("mechanic", True), ("owner", True), ("coach", False), ("manager", False)]
)
def test_who_may_not_bench_sees_neither_the_way_there_nor_the_buttons(served, role, there):
    text = Caller(served[0]).as_role(role).page("/meter/K1")[1]
    assert ("Take it to the bench" in text) is there
    assert ("meter-decide" in text) is there


def test_event_is_confirmed_on_its_meters_page(served):
    address, data = served
    mechanic = Caller(address).as_role("mechanic")
    assert "firmware" not in mechanic.page("/meter/K1")[1]  # K2's event is not here
    event = row_of(data, "K1")
    assert "The event was confirmed" in press(mechanic, event, "confirmed")[1]
    assert [e["meter_id"] for e in data.ask(run.proposed_events)] == ["K2"]
    row = changes(data.store).row(0, named=True)
    assert (row["who"], row["what"], row["after"]) == ("Mo", "event confirmed", "confirmed")
    text = mechanic.page("/meter/K1")[1]
    assert "meter-decide" not in text
    assert "decided about already" in press(mechanic, event, "rejected")[1]


@pytest.mark.parametrize("role", ["coach", "manager"])
def test_event_is_not_decided_by_whom_it_does_not_concern(served, role):
    address, data = served
    text = press(Caller(address).as_role(role), row_of(data, "K1"), "confirmed")[1]
    assert f"not open to a {role}" in text
    assert len(data.ask(run.proposed_events)) == 2


def test_state_of_an_event_decided_since_the_fit_says_so():
    event = {"date": "2026-02-01", "event": "battery_swap", "note": None, "state": "proposed"}
    assert "decided; counts from the next fit" in str(events_part([event], []))
    assert "decided" not in str(events_part([event], [event]))
    assert "decided" not in str(events_part([event], None))


def test_no_way_to_the_bench_from_another_day():
    now = meter.layout(FakeData(), View({"meter_id": "V005"}))
    then = meter.layout(FakeData(), View({"meter_id": "V005"}, {"as_of": "2027-01-01"}))
    assert "Take it to the bench" in str(now)
    assert "Take it to the bench" not in str(then)
    assert bench_path("a/b &c") == "/bench?meter=a%2Fb+%26c"


@pytest.mark.browser
def test_link_opens_the_bench_with_the_meter_chosen(team_service, visit):
    with serving(team_service) as address:
        page = visit(width=390, height=844).page
        page.goto(f"{address}/meter/SP-1")
        page.click("text=Take it to the bench")
        page.wait_for_selector("#bench-title:has-text('SP-1')")
        page.wait_for_selector("#bench-expected")
        page.wait_for_load_state("networkidle")


@pytest.mark.parametrize(("role", "there"), [("mechanic", True), ("manager", False)])
def test_who_may_not_change_where_a_meter_is_sees_no_way_to(served, role, there):
    address, data = served
    caller = Caller(address).as_role(role)
    assert ("Note the loan" in caller.page("/meter/K1")[1]) is there
    _, said = press_button(caller, {"type": "meter-where", "do": "lend"}, "Guest team")
    assert ("Lent: noted in meters" in said) is there
    with data.store.reading() as db:
        state = db.frame("meters").filter(meter_id="K1")["state"].item()
    assert (state == "lent") is there


def press_button(caller, button, to):
    """Press a button of the section Where it is, with one field filled in."""
    name = json.dumps(button, separators=(",", ":"), sort_keys=True)
    fields = {f"meter-{n}": "data" if n.endswith("-chosen") else "value" for n in where.FIELDS}
    request = {
        "output": "meter-where-said.children",
        "outputs": {"id": "meter-where-said", "property": "children"},
        "inputs": [[{"id": button, "property": "n_clicks", "value": 1}], []],
        "state": [
            *(
                {"id": f, "property": p, "value": to if f == "meter-lend-to" else None}
                for f, p in fields.items()
            ),
            {"id": "place", "property": "pathname", "value": "/meter/K1"},
        ],
        "changedPropIds": [f"{name}.n_clicks"],
    }
    status, text, _ = caller.ask("/_dash-update-component", json.dumps(request).encode())
    return status, text


def test_session_shows_its_note_its_corrections_and_what_can_be_done():
    said = text(
        html.Div(session_actions(FakeData(), View(), {"session_id": "S1", "meter_id": "A"}))
    )
    for words in ("windy", "Record (PDF)", "Correct it", "Yes, take the correction back",
                  "by Mo: reading 2, torque nm 33.12 → 33.72"):  # fmt: skip
        assert words in said
    assert session_actions(FakeData(), View(query={"as_of": "2026-01-01"}), {}) == []
