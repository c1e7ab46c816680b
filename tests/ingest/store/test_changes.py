"""Who changed what: every change is written down in the transaction that makes it."""

import json
import shutil

import pytest

from dashboard.security import Guarded
from dashboard.service import Service
from ingest.admin import remove_rider
from ingest.load import (
    correct_set_aside,
    decide_event,
    dismiss_set_aside,
    imports,
    load_paths,
    proposed_events,
    set_aside_rows,
    undo_import,
)
from ingest.load.typed_rows import DecisionError
from ingest.schema import TABLES, SettingError
from ingest.store import Store, acting, changes
from models import run
from models.run import Fleet, Person
from tests.ingest import team
from tests.once import built_once


@pytest.fixture
def store(loaded, tmp_path):
    """A store of its own: the team, two bad rows set aside, an event proposed."""
    return Store(shutil.copy(loaded, tmp_path / "team.duckdb"))


@pytest.fixture(scope="session")
def loaded(tmp_path_factory):
    return built_once(tmp_path_factory, "changes", make) / "team.duckdb"


def make(folder):
    tables = {name: list(rows) for name, rows in team.TEAM.items()}
    tables["bench"].append(team.reading("S2", 1, crank_length_mm=17.25))
    tables["bench"].append(team.reading("S2", 2, crank_length_mm=17.25))
    tables["events"].append(
        {"meter_id": "M1", "date": "2024-03-01", "event": "firmware_update", "state": "proposed"}
    )
    team.load(folder, team.write_team(folder / "tables", tables))


def last(store):
    return changes(store).row(0, named=True)


def test_correction_is_written_down_with_the_cell_before_and_after(store):
    ticket = set_aside_rows(store)["set_aside_id"][0]
    with acting("Ilse"):
        correct_set_aside(store, ticket, {"crank_length_mm": "172.5"})
    row = last(store)
    assert (row["who"], row["what"]) == ("Ilse", "row corrected")
    assert "bench.csv, row" in row["subject"]
    assert json.loads(row["before"]) == {"crank_length_mm": "17.25"}
    assert json.loads(row["after"]) == {"crank_length_mm": "172.5"}


def test_dismissal_keeps_what_the_row_said(store):
    ticket = set_aside_rows(store)["set_aside_id"][0]
    dismiss_set_aside(store, ticket)
    row = last(store)
    assert row["what"] == "row dismissed"
    assert json.loads(row["before"])["crank_length_mm"] == "17.25"
    assert row["who"].startswith("command line (")


def test_undo_and_settings_are_written_down(store):
    number = imports(store)["import_id"][0]
    undo_import(store, number)
    assert (last(store)["what"], f"import {number}" in last(store)["subject"]) == (
        "import undone",
        True,
    )
    run.set_setting(Fleet(store), "tolerance_pct", "1,0")
    row = last(store)
    assert (row["subject"], row["before"], row["after"]) == ("tolerance_pct", "1.5", "1.0")


def test_change_that_failed_is_not_written_down(store):
    before = changes(store).height
    with pytest.raises(SettingError):
        run.set_setting(Fleet(store), "tolerance_pct", "lots")
    assert changes(store).height == before


def test_removing_a_rider_leaves_no_name_in_the_record_either(store):
    with acting("Ada"):
        with store.writing() as db:
            from ingest.store import record

            record(db, "row corrected", "efforts.csv, row 2", before={"rider_id": "R1"})
        remove_rider(store, "R1")
    row = last(store)
    assert (row["what"], row["who"]) == ("rider removed", "Ada")
    assert "R1" not in str(changes(store).to_dicts())
    assert "row corrected" in changes(store)["what"].to_list()


@pytest.mark.parametrize("decision", ["confirmed", "rejected"])
def test_proposed_event_is_decided_once_and_the_decision_can_be_undone(store, decision):
    waiting = proposed_events(store)
    assert waiting.select("meter_id", "event").rows() == [("M1", "firmware_update")]
    number = waiting["event_row"].item()
    decide_event(store, number, decision)
    with store.reading() as db:
        states = dict(db.frame("events").select("event", "state").iter_rows())
    assert states["firmware_update"] == decision
    assert len(states) == 4
    assert proposed_events(store).is_empty()
    row = last(store)
    assert (row["what"], row["subject"]) == (
        f"event {decision}",
        "M1, firmware_update on 2024-03-01",
    )
    with pytest.raises(DecisionError, match="decided about already"):
        decide_event(store, number, decision)
    undo_import(store, imports(store)["import_id"][0])
    assert proposed_events(store).height == 1


def test_only_a_decision_decides(store):
    with pytest.raises(DecisionError, match="confirmed, rejected"):
        decide_event(store, proposed_events(store)["event_row"].item(), "perhaps")


def test_loading_the_table_again_does_not_propose_a_decided_event_again(store, loaded):
    decide_event(store, proposed_events(store)["event_row"].item(), "confirmed")
    load_paths(store, [loaded.parent / "tables"])
    assert proposed_events(store).is_empty()


def test_change_that_does_not_write_itself_down_is_written_down_by_the_guard(tmp_path):
    service = Service(tmp_path / "new.duckdb")
    guarded = Guarded(
        service,
        lambda: Person("Mo", "mechanic"),
        scope=lambda _person: pytest.fail("only a coach has a scope"),
    )
    files = [("meters.csv", b"meter_id,kind,in_service_date,slope_convention\n")]
    guarded.begin(run.load_files, files)
    assert service.settled()
    row = last(Store(tmp_path / "new.duckdb"))
    assert (row["who"], row["what"], row["subject"]) == ("Mo", "files loaded", "meters.csv")


def test_list_of_riders_looks_into_every_table_that_names_one():
    from ingest.admin.riders import ABOUT_THE_RIDER, NAMES_THE_RIDER
    from ingest.store.database import SQL_FOLDER

    text = (SQL_FOLDER / "people" / "riders_named.sql").read_text("utf-8")
    naming = {name for name, table in TABLES.items() if "rider_id" in table.polars_schema}
    assert naming == {*ABOUT_THE_RIDER, *NAMES_THE_RIDER}
    assert all(f"FROM {name}" in text for name in naming)


def test_the_record_names_the_meter_or_the_file_and_what_was_and_is(store, tmp_path):
    """What the guard alone would note is a session's text without a meter, or a token."""
    fleet = Fleet(store)
    saved = run.save_bench(fleet, [team.reading("S9", n, torque_nm=33 + n / 2) for n in (1, 2)])
    row = last(store)
    assert (row["what"], row["subject"]) == ("bench session saved", "S9, M1")
    assert [cells["torque_nm"] for cells in json.loads(row["after"])] == [33.5, 34.0]
    run.take_back_session(fleet, saved["session_id"])
    assert json.loads(last(store)["before"]) == {"bench": ["M1"]}
    drop = run.look_at_rides(fleet, [("morning.csv", b"time,power_w\n1,200\n2,210\n")])["drop"]
    run.discard_rides(fleet, drop)
    row = last(store)
    assert (row["what"], "morning.csv" in row["subject"]) == ("recordings discarded", True)
