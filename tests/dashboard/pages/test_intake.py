"""The intake page: what loads, what is put right, what is taken back, and who may do it."""

import io
import json
import shutil
import zipfile

import numpy as np
import polars as pl
import pytest
from dash import dcc
from plotly.utils import PlotlyJSONEncoder

from dashboard.components import decoded
from dashboard.navigation import View
from dashboard.pages.intake import lists
from dashboard.pages.intake import page as intake
from dashboard.pages.intake.aside import aside_list, columns_to_fill
from dashboard.pages.intake.calls import decided, zip_cells
from dashboard.pages.intake.preview import preview
from dashboard.pages.intake.progress import work_line
from dashboard.security import Guarded
from dashboard.service import Service
from dashboard.service.service import FIT_STOPPED
from ingest.store import changes
from models import run
from models.run import HERE
from tests.dashboard.browsing import serving
from tests.dashboard.cli.test_rides import ONE_PAIR, csv_of
from tests.dashboard.fake import FakeData
from tests.dashboard.people import Caller
from tests.dashboard.reading import text
from tests.dashboard.service.lanes import until
from tests.simulate.rides import Truth, simulate_pair

BAD = (
    "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm,slope_before\n"
    "S9,K1,2026-03-09T09:00:00Z,20,17,mass,33.75,5.69\n"
    "S9,K1,2026-03-09T09:00:00Z,20,170,mass,33.80,5.69\n"
)
EFFORT = "rider_id,date,watts,meter_id\nR1,2026-03-09,lots,K1\nR2,2026-03-09,301,K2\n"


@pytest.fixture
def data(people_service):
    """A service of its own; refitting is left out, it has tests of its own."""
    return people_service


def load(data, *files):
    data.begin(run.load_files, [(name, content.encode()) for name, content in files])
    assert data.settled()
    return data.work()["ended"]["load_files"]


def frame(data, name):
    with data.store.reading() as db:
        return db.frame(name)


def here(service):
    """The service as a page has it on this machine."""
    return Guarded(service, lambda: HERE, scope=lambda _person: pytest.fail("an owner has none"))


# ---- what the page does, without a browser ---------------------------------------------------


def test_bad_row_is_put_right_in_place_and_its_import_taken_back(data):
    done = load(data, ("bench-march.csv", BAD))
    assert done["answer"]["files"][0]["rows_loaded"] == 1
    (row,) = data.ask(run.set_aside)
    assert (row["file"], row["row"], columns_to_fill(row)) == (
        "bench-march.csv",
        2,
        ["crank_length_mm"],
    )
    assert (
        "100 to 250" in data.ask(run.correct_row, row["set_aside_id"], {"crank_length_mm": "16"})[0]
    )
    assert data.ask(run.correct_row, row["set_aside_id"], {"crank_length_mm": "170"}) == []
    assert data.ask(run.set_aside) == []
    mine = pl.col("session_id") == "S9"
    assert frame(data, "bench").filter(mine).height == 2
    corrected, loaded = data.ask(run.imports)[:2]
    assert data.ask(run.undo_import, corrected["import_id"])["removed"] == 1
    assert data.ask(run.undo_import, loaded["import_id"])["removed"] == 1
    assert frame(data, "bench").filter(mine).is_empty()


def test_load_is_followed_by_a_fit_and_a_row_put_right_by_one_once_nothing_more_is(data, followed):
    load(data, ("bench-march.csv", BAD))
    assert followed == ["fit"]
    (row,) = data.ask(run.set_aside)
    data.ask(run.correct_row, row["set_aside_id"], {"crank_length_mm": "170"})
    event = data.ask(run.proposed_events)[0]["event_row"]
    data.ask(run.decide_event, event, "confirmed")
    data.ask(run.undo_import, data.ask(run.imports)[0]["import_id"])
    data.ask(run.remove_rider, "R2")
    assert followed == ["fit", *["fit soon"] * 4]


def test_file_without_a_table_is_said_and_nothing_is_refitted(data, followed):
    kept = Service(data.store.path)
    kept.begin(run.refit)
    assert kept.settled()
    done = load(data, ("notes.csv", "a,b\n1,2\n"))
    assert done["answer"]["set_aside"]
    assert followed == []


def test_uploads_are_decoded_and_damaged_ones_left_out():
    good = "data:text/csv;base64,YSxiCg=="
    assert decoded([good, "data:;base64,???"], ["a.csv", "b.csv"]) == [("a.csv", b"a,b\n")]


def test_emptied_cell_is_none():
    ids = [{"row": 3, "column": "torque_nm"}, {"row": 3, "column": "arm"}]
    assert zip_cells([" 33,8 ", " "], ids) == [((3, "torque_nm"), "33,8"), ((3, "arm"), None)]


def test_many_rows_are_shown_a_screenful_at_a_time():
    problem = {"column": "torque_nm", "found": "x", "expected": "a number", "fix": "write one"}
    problem |= {"suggested": None, "sure": False}
    rows = [
        {"set_aside_id": n, "file": "b.csv", "sheet": None, "table": "bench", "row": n}
        | {"cells": {"torque_nm": "x"}, "problems": [problem]}
        for n in range(60)
    ]
    said = text(aside_list(rows))
    assert "Set aside (60)" in said
    assert "35 more" in said


def test_what_is_sure_is_taken_with_one_press_and_fields_hold_what_is_suggested(data):
    pounds = BAD.replace(",20,", ",44.1 lb,")
    load(data, ("bench-march.csv", pounds))
    shown = aside_list(data.ask(run.set_aside))
    said = " ".join(text(shown).split()).replace(" :", ":")
    assert "mass kg: “44.1 lb” is 20.003424 (2 times)" in said
    assert "Accept all: 2 cells" in said
    assert "crank length mm: a guess, check it" in said
    assert "44.1 lb is 20.003424 kg: write that number alone." in said
    fields = [field.value for field in shown._traverse() if isinstance(field, dcc.Input)]
    assert fields == ["20.003424", "170", "20.003424"]
    done, _ = decided(data, {"type": "intake-accept"}, {})
    assert "2 cells taken as suggested: 1 row loaded. In 1 row something else" in done
    assert "Accept all" not in text(aside_list(data.ask(run.set_aside)))
    (row,) = data.ask(run.set_aside)
    assert row["cells"]["mass_kg"] == "20.003424"


def test_days_that_are_to_be_typed_are_shown_to_the_letter(data):
    load(data, ("bench-march.csv", BAD.replace("2026-03-09T09:00:00Z", "9.3.2026 9:00")))
    said = text(aside_list(data.ask(run.set_aside)))
    assert "Is it 2026-03-09T09:00?" in said
    assert "9 March" not in said


def test_page_of_an_empty_store_says_what_to_do(tmp_path):
    said = text(intake.layout(here(Service(tmp_path / "none.duckdb")), View()))
    for expected in ("No row is set aside.", "Nothing has been loaded yet.", "Empty tables"):
        assert expected in said
    assert "No event waits" in text(intake.layout(FakeData(1), View()))


# ---- work in the background --------------------------------------------------------------------


@pytest.fixture
def fitting(people_store, cheap_hashes, tmp_path):
    """A service that refits after what is brought in."""
    service = Service(shutil.copy(people_store, tmp_path / "team.duckdb"))
    yield service
    assert service.settled()


def test_load_ends_with_a_fit_beside_the_pages_and_the_state_says_so(fitting):
    load(fitting, ("bench-march.csv", BAD))
    ended = fitting.work()["ended"]
    assert (ended["load_files"]["count"], ended["refit"]["count"]) == (1, 1)
    assert (ended["refit"]["failure"], ended["refit"]["answer"]["ran"]) == (None, True)
    assert "refitted" in text(work_line(fitting.work()))
    assert fitting.ask(run.status)["fit"]["stale"] is False
    assert not fitting.standing().behind


def test_fit_that_cannot_be_made_is_said(tmp_path):
    missing = Service(tmp_path / "gone" / "none.duckdb")
    missing.begin(run.refit)
    assert missing.settled()
    failure = missing.work()["ended"]["refit"]["failure"]
    assert "there is no store here yet" in failure
    assert "here is no store here yet" in text(work_line(missing.work()))


def test_a_fit_at_work_is_stopped_and_the_rows_stay(fitting):
    with fitting.store.reading() as db:  # until it ends, no fit can be written
        rows = db.frame("bench").height
        fitting.begin(run.refit)
        until(lambda: fitting.work()["now"] == "refit")
        fitting.cancel(run.refit)
        assert fitting.settled()
    assert fitting.work()["ended"]["refit"]["failure"] == FIT_STOPPED
    assert FIT_STOPPED in text(work_line(fitting.work()))
    assert fitting.standing().fit is None
    assert frame(fitting, "bench").height == rows > 0
    fitting.begin(run.refit)
    assert fitting.settled()
    assert fitting.work()["ended"]["refit"]["failure"] is None


def test_recordings_alone_bring_a_fit_about(fitting):
    """A pair whose recordings come later than its row changes the fit, and no table."""
    pair = simulate_pair(np.random.default_rng(3), Truth(), kind="outdoor", minutes=20)
    references = "reference_id,kind\nTR-1,trainer\n"
    load(fitting, ("references.csv", references), ("pairs.csv", ONE_PAIR))
    before = fitting.work()["ended"]["refit"]["count"]
    assert fitting.ask(run.rides_kept) == []
    fitting.begin(
        run.load_files,
        [("ride-a.csv", csv_of(pair.meter)), ("ride-b.csv", csv_of(pair.reference))],
    )
    assert fitting.settled()
    assert [kept["comparison_id"] for kept in fitting.ask(run.rides_kept)] == ["first"]
    assert fitting.work()["ended"]["refit"]["count"] == before + 1
    assert fitting.ask(run.comparisons, "K1")[-1]["comparison_id"] == "first"


# ---- who may ----------------------------------------------------------------------------------


@pytest.fixture
def served(data):
    with serving(data) as address:
        yield address


UPLOAD = ["intake-tick.disabled", "intake-work.children", "intake-upload.contents"]


def upload(caller, name, content):
    """Send a file as the page does; the ids of shared outputs carry Dash's own suffix."""
    import base64

    outputs = [output for output in callbacks(caller) if "intake-upload.contents" in output]
    outputs = [output for output in outputs if "intake-upload.contents@" not in output]
    (output,) = outputs
    names = output.strip(".").split("...")
    listed = [dict(zip(("id", "property"), n.rsplit(".", 1), strict=True)) for n in names]
    request = {
        "output": output,
        "outputs": listed,
        "inputs": [
            {
                "id": "intake-upload",
                "property": "contents",
                "value": [f"data:text/csv;base64,{base64.b64encode(content.encode()).decode()}"],
            }
        ],
        "state": [{"id": "intake-upload", "property": "filename", "value": [name]}],
        "changedPropIds": ["intake-upload.contents"],
    }
    status, said, _ = caller.ask("/_dash-update-component", json.dumps(request).encode())
    return status, said


def callbacks(caller):
    return [entry["output"] for entry in json.loads(caller.ask("/_dash-dependencies")[1])]


def press(caller, button):
    """Press one of the page's buttons without the page: what a forged request would do."""
    (output,) = [o for o in callbacks(caller) if "intake-said.children" in o and "wrong" in o]
    names = ["intake-aside", "intake-events", "intake-imports", "intake-said", "intake-tick"]
    listed = [dict(zip(("id", "property"), n.rsplit(".", 1), strict=True)) for n in
              output.strip(".").split("...")[:5]]  # fmt: skip
    assert {entry["id"] for entry in listed} == set(names)
    kind = button["type"]
    kinds = ("intake-accept", "intake-fix", "intake-dismiss", "intake-undo", "intake-decide")
    request = {
        "output": output,
        "outputs": [*listed, []],
        "inputs": [
            [{"id": button, "property": "n_clicks", "value": 1}] if k == kind else [] for k in kinds
        ],
        "state": [[], []],
        "changedPropIds": [json.dumps(button, sort_keys=True, separators=(",", ":")) + ".n_clicks"],
    }
    status, said, _ = caller.ask("/_dash-update-component", json.dumps(request).encode())
    return status, said


@pytest.mark.parametrize("role", ["mechanic", "manager", "owner"])
def test_intake_page_is_drawn_for_those_who_bring_files_in(served, role):
    status, said = Caller(served).as_role(role).page("/intake")
    assert status == 200
    assert "Bring files in" in said
    assert ("Proposed events" in said) is (role != "manager")
    assert ("One rider" in said) is (role == "owner")


def test_coach_is_refused_the_page_and_every_write_behind_it(served, data):
    caller = Caller(served).as_role("coach")
    status, said = caller.page("/intake")
    assert "not open to a coach" in said
    assert "Intake" not in json.loads(said)["response"]["shell-nav"]["children"].__repr__()
    before = (frame(data, "events").to_dicts(), len(data.ask(run.imports)))
    event = data.ask(run.proposed_events)[0]["event_row"]
    for button in (
        {"type": "intake-decide", "event": event, "as": "confirmed"},
        {"type": "intake-undo", "import": data.ask(run.imports)[0]["import_id"]},
        {"type": "intake-accept", "rows": "sure"},
    ):
        status, said = press(caller, button)
        assert status == 200
        assert "not open to a coach" in said
    status, said = upload(caller, "bench-march.csv", BAD)
    assert "not open to a coach" in said
    assert data.settled()
    assert (frame(data, "events").to_dicts(), len(data.ask(run.imports))) == before


def test_mechanic_confirms_an_event_and_it_is_recorded_in_their_name(served, data):
    event = next(e for e in data.ask(run.proposed_events) if e["meter_id"] == "K1")
    button = {"type": "intake-decide", "event": event["event_row"], "as": "confirmed"}
    status, said = press(Caller(served).as_role("mechanic"), button)
    assert status == 200
    assert "The event was confirmed." in said
    row = changes(data.store).row(0, named=True)
    assert (row["who"], row["what"]) == ("Mo", "event confirmed")


def test_manager_may_not_decide_about_devices(served, data):
    button = {"type": "intake-decide", "event": data.ask(run.proposed_events)[0]["event_row"]}
    _, said = press(Caller(served).as_role("manager"), button | {"as": "confirmed"})
    assert "not open to a manager" in said
    assert len(data.ask(run.proposed_events)) == 2


@pytest.mark.parametrize(
    ("role", "loads"), [("mechanic", False), ("manager", False), ("owner", True)]
)
def test_table_that_a_role_may_not_change_is_not_loaded_for_it(served, data, role, loads):
    before = len(data.ask(run.imports))
    _, said = upload(Caller(served).as_role(role), "efforts-march.csv", EFFORT)
    assert data.settled()
    assert ("load_files" in data.work()["ended"]) is loads
    assert len(data.ask(run.imports)) == before + loads
    assert ("may not change" in said) is not loads


def test_set_aside_rows_of_tables_that_are_no_business_of_a_role_are_not_shown(served, data):
    load(data, ("efforts-march.csv", EFFORT), ("bench-march.csv", BAD))
    assert "lots" in Caller(served).as_role("owner").page("/intake")[1]
    for role, bench in (("mechanic", True), ("manager", False)):
        said = Caller(served).as_role(role).page("/intake")[1]
        assert "lots" not in said
        assert ("bench-march.csv, row 2" in said) is bench
    effort = next(row for row in data.ask(run.set_aside) if row["table"] == "efforts")
    button = {"type": "intake-dismiss", "row": effort["set_aside_id"]}
    assert "not set aside any more" in press(Caller(served).as_role("mechanic"), button)[1]
    assert len(data.ask(run.set_aside)) == 2


def test_import_that_holds_another_roles_table_is_not_taken_back(served, data):
    number = next(i["import_id"] for i in data.ask(run.imports) if i["tables"] == "efforts")
    button = {"type": "intake-undo", "import": number}
    _, said = press(Caller(served).as_role("mechanic"), button)
    assert "your role may not change" in said
    assert frame(data, "efforts").height == 1
    _, said = press(Caller(served).as_role("owner"), button)
    assert f"Import {number} was taken back" in said
    assert frame(data, "efforts").is_empty()


@pytest.mark.parametrize(
    ("address", "roles"),
    [
        ("/download/templates", {"mechanic", "coach", "manager", "owner"}),
        ("/download/tables/csv", {"owner"}),
        ("/download/devices/csv", {"mechanic", "manager", "owner"}),
        ("/download/store", {"owner"}),
        ("/download/set-aside", {"owner"}),
        ("/download/rider/R1", {"coach", "owner"}),
        ("/download/rider/R2", {"owner"}),
    ],
)
def test_each_file_is_handed_to_whom_it_may_be(served, address, roles):
    assert Caller(served).ask(address)[0] == 303
    for role in ("mechanic", "coach", "manager", "owner"):
        status, _, headers = Caller(served).as_role(role).ask(address)
        assert status == (200 if role in roles else 403), role
        if status == 200:
            assert headers["Content-Disposition"].startswith("attachment")


def test_nothing_is_at_a_made_up_download(served):
    caller = Caller(served).as_role("owner")
    assert caller.ask("/download/passwords")[0] == 404
    assert caller.ask("/download/tables/exe")[0] == 409
    assert caller.ask("/download/rider/Nobody")[0] == 409


def files_in(download):
    name, content = download
    assert name.endswith(".zip")
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {n: archive.read(n) for n in archive.namelist()}


def test_what_is_taken_out_loads_again(data, tmp_path):
    whole = files_in(data.ask(run.tables_file, "csv"))
    other = Service(tmp_path / "other.duckdb")
    other.begin(run.load_files, list(whole.items()))
    assert other.settled()
    for name in ("meters", "bench", "events", "efforts"):
        assert frame(other, name).equals(frame(data, name))
    book = data.ask(run.tables_file, "xlsx")
    assert book[0].endswith(".xlsx")
    assert pl.read_parquet(
        io.BytesIO(files_in(data.ask(run.tables_file, "parquet"))["meters.parquet"])
    ).height


def test_files_for_devices_name_no_rider_and_hold_no_watts(data):
    whole = files_in(data.ask(run.device_tables_file, "csv"))
    assert "meters.csv" in whole
    assert not {"riders.csv", "efforts.csv", "assignments.csv"} & set(whole)
    assert b"R1" not in b"".join(whole.values())


def test_template_holds_a_file_a_table_a_workbook_and_the_dictionary(data):
    whole = files_in(data.ask(run.template_file))
    assert {"bench.csv", "slopewatch-tables.xlsx", "data-dictionary.md"} <= set(whole)


def test_riders_data_go_out_and_then_go(data):
    assert b"312" in files_in(data.ask(run.rider_file, "R1"))["efforts.csv"]
    assert data.ask(run.riders_named) == [{"rider_id": "R1"}, {"rider_id": "R2"}]
    assert data.ask(run.remove_rider, "R1")["rows_removed"] == 3
    assert data.ask(run.riders_named) == [{"rider_id": "R2"}]


def test_preview_names_stored_cells_that_a_file_would_change(data):
    asked = here(data)
    told = asked.ask(run.preview_files, [("meters.csv", b"meter_id,tolerance_pct\nK1,0.9\n")])
    said = text(preview(told))
    assert "1 stored row would change" in said
    assert "meters K1 tolerance pct nothing 0.9" in said
    assert frame(data, "meters").filter(meter_id="K1")["tolerance_pct"].to_list() != [0.9]


def test_a_long_log_begins_with_its_newest_files(data, monkeypatch):
    def shown(**query):
        drawn = intake.layout(here(data), View(query=query))
        return json.dumps(drawn, cls=PlotlyJSONEncoder)

    monkeypatch.setattr(lists, "NEWEST", 2)
    short, every = shown(), shown(imports="yes")
    older = [f'"import_id": {row["import_id"]},' for row in data.ask(run.imports)][2:]
    assert older
    assert not any(number in short for number in older)
    assert all(number in every for number in older)
    said = "These are the newest 2; there are older ones."
    assert said in short
    assert said not in every
