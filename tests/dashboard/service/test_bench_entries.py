"""What the bench page writes: a session once, taken back whole, followed by the answers."""

from __future__ import annotations

import io

import pytest
from pypdf import PdfReader

from dashboard import pdf as record
from dashboard.cli.command_line import main
from dashboard.pages.bench.given import planned_next
from dashboard.service import Service
from ingest.schema import UserError
from ingest.store import Store
from ingest.store.kept import Kept
from models import run
from tests.dashboard import bench_team as team
from tests.dashboard.fake_service import FakeService

AT = "2026-05-20T08:00:00Z"


def session(name="SP-2", session_id="new", **options):
    rows = team.session(name, session_id, AT, **{"gain": 1.004} | options)
    return [row | {"measured_at": AT} for row in rows]


def stored(service, session_id="new"):
    with service.store.reading() as db:
        frame = db.frame("bench")
    return frame.filter(frame["session_id"] == session_id).sort("reading")


def row_of(service, name):
    return next(row for row in service.ask(run.status)["meters"] if row["meter_id"] == name)


def test_saving_twice_makes_no_second_session(team_service, followed):
    rows = session()
    first, second = team_service.ask(run.save_bench, rows), team_service.ask(run.save_bench, rows)
    assert (first["already"], second["already"]) == (False, True)
    assert first["import_id"] == second["import_id"]
    assert stored(team_service)["torque_nm"].to_list() == [row["torque_nm"] for row in rows]
    team_service.ask(run.undo_bench_entry, first["import_id"])
    assert stored(team_service).is_empty()
    assert not team_service.ask(run.save_bench, rows)["already"]
    assert stored(team_service).height == len(rows)


def test_saved_session_is_judged_as_before_and_the_answers_follow(team_service):
    rows = session(gain=1.012)
    before = row_of(team_service, "SP-2")
    draft = team_service.ask(run.judge_bench, rows)
    saved = team_service.ask(run.save_bench, rows)["document"]
    assert saved == draft
    assert team_service.settled()
    kept = team_service.ask(run.bench_sessions, "SP-2")[-1]
    for key in ("gain_error_pct", "expanded_uncertainty_pct", "verdict", "advice"):
        assert kept[key] == draft[key], key
    status = team_service.ask(run.status)
    after = row_of(team_service, "SP-2")
    assert before["gain_error_pct"] < after["gain_error_pct"] < 1.3
    assert after["last_bench"] == team.TODAY.isoformat()
    assert status["fit"]["stale"]  # the hyperparameters are still the last fit's


def test_entry_that_cannot_be_right_is_refused_whole(team_service, followed):
    rows = session()
    rows[2]["crank_length_mm"] = 1700.0
    with pytest.raises(UserError, match=r'reading 3, crank_length_mm: found "1700.0"'):
        team_service.ask(run.save_bench, rows)
    assert stored(team_service).is_empty()
    rows = session()
    team_service.ask(run.save_bench, rows)
    rows[1]["torque_nm"] += 1
    with pytest.raises(UserError, match="not saved: reading 2, torque_nm"):
        team_service.ask(run.save_bench, rows)
    assert stored(team_service).height == len(rows)


def test_only_entries_of_the_page_can_be_taken_back_here(team_service):
    with pytest.raises(UserError, match="was no entry of this page"):
        team_service.ask(run.undo_bench_entry, 1)


def test_an_event_twice_on_a_day_is_one(team_service):
    first = team_service.ask(run.save_bench_event, "SP-1", "crash", "2026-05-20")
    again = team_service.ask(run.save_bench_event, "SP-1", "crash", "2026-05-20")
    assert (first["already"], again["already"]) == (False, True)
    with team_service.store.reading() as db:
        assert db.frame("events").height == 1
    with pytest.raises(UserError, match="expected one of"):
        team_service.ask(run.save_bench_event, "SP-1", "sold", "2026-05-20")
    assert team_service.settled()
    row = row_of(team_service, "SP-1")
    assert row["reason_kinds"][0] == "happened"
    assert row["status"] == "due"
    assert row["reasons"][0].startswith("It had a crash on 2026-05-20, and has not been on the")


def test_what_was_mended_is_taken_back_with_its_session(team_service, followed):
    rows = session()
    name = rows[0]["session_id"]
    saved = team_service.ask(run.save_bench, rows)
    mended = ("SP-2", "service", "2026-05-20", None, "bearings", name)
    team_service.ask(run.save_bench_event, *mended)
    team_service.ask(run.save_bench_event, "SP-2", "battery_swap", "2026-05-20")
    corrected = team_service.ask(run.correct_bench, [r | {"temperature_c": 21.0} for r in rows])
    for entry, left in ((corrected, {"service", "battery_swap"}), (saved, {"battery_swap"})):
        team_service.ask(run.undo_bench_entry, entry["import_id"])
        with team_service.store.reading() as db:
            assert set(db.frame("events")["event"]) == left


def test_session_of_a_file_is_corrected_but_not_taken_back_alone(team_service, followed):
    rows = [
        {name: cell for name, cell in row.items() if cell is not None}
        for row in team_service.ask(run.opened_session, "past-SP-1-2")["rows"]
    ]
    with pytest.raises(UserError, match=r"came with import \d+, a file: correct it here"):
        team_service.ask(run.take_back_session, "past-SP-1-2")
    corrected = [row | {"crank_length_mm": 170.0} for row in rows]
    before = team_service.ask(run.judge_bench, rows)["gain_error_pct"]
    saved = team_service.ask(run.correct_bench, corrected)
    assert saved["document"]["gain_error_pct"] == pytest.approx(before + 1.48, abs=0.05)
    opened = team_service.ask(run.opened_session, "past-SP-1-2")
    assert (opened["by_hand"], opened["import_id"]) == (True, saved["import_id"])
    assert opened["corrections"][0]["before"] == {"crank_length_mm": "172.5"}
    team_service.ask(run.take_back_session, "past-SP-1-2")
    assert team_service.ask(run.judge_bench, rows)["gain_error_pct"] == pytest.approx(before)


@pytest.fixture(scope="module")
def team_read(team_store):
    """The service over the team's store, to read only."""
    return Service(team_store)


def words(made):
    return " ".join(" ".join(p.extract_text() for p in PdfReader(io.BytesIO(made)).pages).split())


@pytest.mark.parametrize("name", [name for name in team.METERS if name != "TO-1"])
def test_record_of_every_kind_says_what_was_measured(team_read, name):
    found = team_read.ask(run.bench_record, f"past-{name}-2")
    document = found["document"]
    text = words(record.record_pdf(found))
    sign = "+" if document["gain_error_pct"] > 0 else "−"
    error = f"Gain error {sign}{abs(document['gain_error_pct']):.2f} ± "
    assert error + f"{document['expanded_uncertainty_pct']:.2f}" in text
    for said in (
        name,
        "Wren",
        "N·m",
        "|e| − U",
        "certificate GW-118",
        "9.81120 m/s²",
        "θ",
        "ρ_air",
    ):
        assert said in text, said
    for term in document["budget"]:
        assert term["source"].replace("_", " ") in text
    assert record.record_pdf(found) == record.record_pdf(found)
    assert name in words(record.label_pdf(found))


def test_negative_errors_strange_names_and_uncertified_masses_print(team_service, followed):
    rows = session(gain=0.95, zero=-0.3)
    for row in rows:
        row |= {"technician": "Žofia Łęcka", "bench_id": "iron"}
    team_service.ask(run.save_bench, rows)
    text = words(record.record_pdf(team_service.ask(run.bench_record, "new")))
    assert "Gain error −" in text
    assert "Žofia Łęcka" in text
    assert "there is no certificate behind them" in text


def test_record_on_the_command_line(team_store, tmp_path, capsys):
    out = tmp_path / "deep" / "record.pdf"
    asked = ["report", "record", "past-SP-1-2", "--store", str(team_store), "--out", str(out)]
    assert main(asked) == 0
    assert capsys.readouterr().out.strip() == str(out)
    assert "Calibration record" in words(out.read_bytes())
    assert main([*asked, "--label"]) == 0
    assert "Next due" in words(out.read_bytes())
    asked[2] = "none"
    assert main(asked) == 2
    said = capsys.readouterr().err
    assert 'found session "none"' in said
    assert "Traceback" not in said


class Planned(FakeService):
    """A service whose season's plan stands at something."""

    def __init__(self, told, *, empty=False):
        self.told, self.empty = told, empty

    def season(self):
        return {"empty": self.empty, "first": "2026-05-20", "last": "2026-10-04"}

    def plan(self, asked):
        assert (str(asked.first), str(asked.last)) == ("2026-05-20", "2026-10-04")
        return self.told


def test_next_by_the_plan_is_the_first_week_with_a_visit():
    visits = [
        {"week": "2026-06-08", "meter_id": "C"},
        {"week": "2026-06-01", "meter_id": "A"},
        {"week": "2026-06-01", "meter_id": "B"},
    ]
    done = {"state": "done", "said": "", "document": {"visits": visits}}
    assert planned_next(Planned(done)) == {
        "state": "done", "said": "", "week": "2026-06-01", "meters": ["A", "B"],
    }  # fmt: skip
    working = {"state": "working", "said": "fitting", "document": None}
    assert planned_next(Planned(working))["state"] == "working"
    assert planned_next(Planned(None, empty=True))["meters"] == []


def held(service, monkeypatch):
    """Keep the answers where they are, as while they are being worked out."""
    monkeypatch.setattr(service, "_begin_then", lambda _then: None)


def kit_of(service, name):
    return next(m for m in service.ask(run.bench_kit)["meters"] if m["meter_id"] == name)


def reset_rows(to=5.63):
    return [row | {"slope_after": to} for row in session(gain=1.012)]


def test_slope_just_saved_is_the_last_noted_before_any_answer_follows(team_service, monkeypatch):
    assert kit_of(team_service, "SP-2")["slopes"]["slope"] == 5.7
    held(team_service, monkeypatch)
    saved = team_service.ask(run.save_bench, reset_rows())
    waiting = kit_of(team_service, "SP-2")
    assert (waiting["slopes"]["slope"], waiting["taking_in"]) == (5.63, "measured")
    assert kit_of(team_service, "SP-1")["taking_in"] is None
    team_service.ask(run.undo_bench_entry, saved["import_id"])
    back = kit_of(team_service, "SP-2")
    assert (back["slopes"]["slope"], back["taking_in"]) == (5.7, None)


def test_label_never_prints_the_due_date_of_before_the_session(team_service, monkeypatch):
    old = row_of(team_service, "SP-2")["due_date"]
    held(team_service, monkeypatch)
    team_service.ask(run.save_bench, reset_rows())
    found = team_service.ask(run.bench_record, "new")
    for made in (record.label_pdf(found), record.record_pdf(found)):
        assert "due: being worked out, see the fleet page" in words(made)
        assert old not in words(made)


def test_label_asked_for_at_once_has_the_date_that_follows(team_service):
    before = row_of(team_service, "SP-2")
    rows = session(gain=1.0149)
    team_service.ask(run.save_bench, rows)
    assert team_service.settled()
    after = row_of(team_service, "SP-2")
    assert after["due_date"] != before["due_date"]
    assert f"Next due {after['due_date']}" in words(
        record.label_pdf(team_service.ask(run.bench_record, "new"))
    )


def test_session_taken_back_is_said_until_the_answers_follow(team_service, monkeypatch):
    saved = team_service.ask(run.save_bench, reset_rows())
    assert team_service.settled()
    assert not team_service.live()["behind"]
    with monkeypatch.context() as still:
        held(team_service, still)
        team_service.ask(run.undo_bench_entry, saved["import_id"])
        assert team_service.live()["behind"]
        assert kit_of(team_service, "SP-2")["taking_in"] == "taken back"
    team_service.follow()
    assert team_service.settled()
    assert not team_service.live()["behind"]
    assert kit_of(team_service, "SP-2")["taking_in"] is None


def test_a_page_opens_the_store_once_for_what_this_process_answers(team_read, monkeypatch):
    opened, open_to_read = [], Store._opened_to_read
    monkeypatch.setattr(Store, "_opened_to_read", lambda s: opened.append(1) or open_to_read(s))
    monkeypatch.setattr(team_read.store, "_kept", Kept())
    team_read._shared.read.clear()
    with team_read.together():
        first = team_read.ask(run.bench_sessions, "SP-1")
        assert team_read.ask(run.whereabouts, "SP-1")
        with pytest.raises(RuntimeError, match="status is not answered in this process"):
            team_read.ask(run.status)
    assert len(opened) == 1
    with team_read.together():
        assert team_read.ask(run.bench_sessions, "SP-1") == first
    assert len(opened) == 1, "what was read is kept"
