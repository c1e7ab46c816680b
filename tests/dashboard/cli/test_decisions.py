"""Plan, budget, policies, efforts, the ledger and the reports at the command line, end to end."""

from __future__ import annotations

import csv
import json
import math
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import icalendar
import pytest

from dashboard.cli.command_line import main
from ingest.admin import move_pins
from ingest.store import Store
from tests.dashboard.whole_team import TODAY
from tests.ingest.recordings import rides

SEASON = ("--from", "2024-08-02", "--to", "2025-01-31")


@pytest.fixture
def ask(season_team: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Ask a command about the team as of its last day: exit code, output, what it said."""
    capsys.readouterr()

    def asked(*words: object, form: str = "json") -> tuple[int, Any, str]:
        shared = ["--store", str(season_team / "team.duckdb"), "--format", form]
        if "--as-of" not in words:
            shared += ["--as-of", TODAY.isoformat()]
        code = main([*map(str, words), *shared])
        said = capsys.readouterr()
        return code, json.loads(said.out) if form == "json" and said.out else said.out, said.err

    return asked


# --- plan -------------------------------------------------------------------------------------


def test_a_plan_keeps_to_slots_closed_weeks_and_pins(ask: Any) -> None:
    code, plan, _ = ask("plan", *SEASON, "--pin", "M0003=2024-W36")
    assert code == 0
    assert plan["lacks"] == []
    weeks = [visit["week"] for visit in plan["visits"]]
    assert len(weeks) == len(set(weeks))  # one slot a week
    assert not {"2024-12-23", "2024-12-30"} & set(weeks)
    assert ("2024-09-02", "M0003") in [(v["week"], v["meter_id"]) for v in plan["visits"]]
    away = {row["meter_id"]: row["reason"] for row in plan["unplanned"]}
    assert "lent out" in away["M0009"]
    assert "M0005" not in {*away, *(v["meter_id"] for v in plan["visits"])}  # retired


def test_a_plan_keeps_what_was_pinned_on_the_season_page(ask: Any, season_team: Path) -> None:
    store, week = Store(season_team / "team.duckdb"), date(2024, 9, 16)
    _, before, _ = ask("plan", *SEASON)
    planned = [(v["week"], v["meter_id"]) for v in before["visits"]]
    assert ("2024-09-16", "M0004") not in planned
    move_pins(store, "M0004", to=[week])
    move_pins(store, "M0006", to=[date(2023, 1, 2)])  # long past: no part of this season
    try:
        code, plan, said = ask("plan", *SEASON, "--pin", "M0003=2024-W36")
    finally:
        move_pins(store, "M0004", away=[week])
        move_pins(store, "M0006", away=[date(2023, 1, 2)])
    assert code == 0
    planned = [(v["week"], v["meter_id"]) for v in plan["visits"]]
    assert ("2024-09-16", "M0004") in planned
    assert ("2024-09-02", "M0003") in planned
    assert "pinned on the season page: M0004 2024-09-16" in said
    assert "M0006 2023" not in said


def test_what_if_is_said_and_changes_the_answer(ask: Any) -> None:
    _, usual, _ = ask("plan", *SEASON)
    _, strict, said = ask("plan", *SEASON, "--tolerance", "0.4", "--slots-per-week", "2")
    assert "What if: a tolerance of ± 0.4 % for every meter, 2 bench slots a week." in said
    assert len(strict["visits"]) > len(usual["visits"])
    assert {v["tolerance_pct"] for v in strict["visits"]} == {0.4}
    _, high, _ = ask("plan", *SEASON, "--target", "0.999")
    assert high["below_target"] >= usual["below_target"]


def test_the_calendar_file_is_read_by_another_library(
    ask: Any, season_team: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Source: RFC 5545 as the icalendar library reads it."""
    _, plan, _ = ask("plan", *SEASON)
    shared = ["--store", str(season_team / "team.duckdb"), "--as-of", TODAY.isoformat()]
    assert main(["plan", *SEASON, "--calendar", *shared]) == 0
    calendar = icalendar.Calendar.from_ical(capsys.readouterr().out)
    assert calendar.errors == []
    events = calendar.walk("VEVENT")
    assert [event.decoded("DTSTART").isoformat() for event in events] == [
        visit["week"] for visit in plan["visits"]
    ]
    assert [str(event["DESCRIPTION"]).split("\n")[0] for event in events] == [
        visit["reason"] for visit in plan["visits"]
    ]
    assert len({str(event["UID"]) for event in events}) == len(events)


def test_the_bench_list_of_a_day(ask: Any) -> None:
    _, plan, _ = ask("plan", *SEASON)
    first = date.fromisoformat(plan["visits"][0]["week"])
    code, listed, said = ask("plan", *SEASON, "--bench-list", first + timedelta(days=2))
    assert code == 0
    [row] = listed["rows"]
    assert row["meter_id"] == plan["visits"][0]["meter_id"]
    expected = row["mass_kg"] * row["gravity_ms2"] * row["crank_length_mm"] / 1000
    assert row["expected_torque_nm"] == pytest.approx(expected * (1 - 1.2 / 8000))
    assert row["place_id"] == "place-2"  # where a meter was hung last
    _, _, said = ask("plan", *SEASON, "--bench-list", first, form="table")
    assert "keep feet from under the masses" in said
    code, _, said = ask("plan", *SEASON, "--bench-list", first, "--bench", "Q")
    assert code == 2
    assert 'found bench_id "Q", expected one of:' in said


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("plan", "--from", "2020-01-01", "--to", "2020-06-30"), "that season is over"),
        (("plan", "--from", "2024-09-01", "--to", "2024-08-20"), "before it begins"),
        (("plan", *SEASON, "--pin", "m-10=2024-W40"), "did you mean M0010?"),
        (("plan", *SEASON, "--pin", "M0009=2024-W40"), "lent out"),
        (("plan", *SEASON, "--pin", "M0001=soon"), "expected METER=WEEK"),
        (("plan", *SEASON, "--tolerance", "0"), "tolerance: found 0"),
        (("budget", *SEASON, "--target", "90"), "expected a share such as 0.9"),
        (("policies", "--tolerance", "-1"), "tolerance: found -1"),
        (("plan", *SEASON, "--bench", "B"), "add --bench-list DATE"),
        (("effort", "2021-01-01,M0008,300"), "came into service on 2023-01-10"),
        (("effort", "2024-05-01,M1,300"), "did you mean M0001?"),
        (("effort", "2024-05-01,M0001,300", "--carry-to", "M99"), "expected one that the store"),
        (("effort", "2024-05-01,M0001,300,zeroed=perhaps"), "zeroed=yes or no"),
        (("effort", "2024-05-01,M0001,0"), "as an effort, expected"),
        (("correct", "--rider", "Adda", *SEASON), "did you mean Ada?"),
        (("correct", "--meter", "M0002", "--from", "2020-01-01", "--to", "2020-02-01"),
         "came into service on 2023-07-12"),
        (("correct", "--meter", "M0002", *SEASON, "--out", "here"), "go together"),
        (("correct", "--meter", "M0002", *SEASON, "--out", "a", "--recordings", "no-such"),
         "no such folder of recordings"),
        (("report", "affected", "M-10"), "did you mean M0010?"),
        (("report", "handover", "bo"), "did you mean Bo?"),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_one_clear_line(
    ask: Any, words: tuple[str, ...], text: str
) -> None:
    code, document, said = ask(*words)
    assert (code, document) == (2, "" if isinstance(document, str) else None)
    assert text in said
    assert "Traceback" not in said


def test_no_slots_at_all_still_shows_the_risk(ask: Any) -> None:
    code, plan, said = ask("plan", *SEASON, "--slots-per-week", "0")
    assert code == 0
    assert plan["visits"] == []
    assert "no bench slot in this period" in said
    worst = plan["unplanned"][0]
    assert worst["meter_id"] == "M0010"
    assert "it carries about" in worst["reason"]


def test_a_store_with_records_alone_answers_and_says_what_it_lacks(
    season_team: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare = tmp_path / "bare.duckdb"
    names = ("meters", "bench", "comparisons", "events", "references", "mass_sets", "places")
    paths = [str(season_team / "tables" / f"{name}.csv") for name in names]
    assert main(["load", *paths, "--store", str(bare)]) == 0
    shared = ["--store", str(bare), "--as-of", TODAY.isoformat(), "--format", "json"]
    capsys.readouterr()
    for command in ("plan", "budget"):
        assert main([command, *SEASON, *shared]) == 0
        lacks = json.loads(capsys.readouterr().out)["lacks"]
        for text in ("no calendar", "no assignments", "no costs", "no capacity table"):
            assert any(text in lack for lack in lacks), (command, text)
    assert main(["report", "handover", "Ada", *shared]) == 2
    assert "no assignments: load a table" in capsys.readouterr().err
    assert main(["correct", "--rider", "Ada", *SEASON, *shared]) == 2
    assert "load an assignments table" in capsys.readouterr().err


# --- budget, policies, hindcast ---------------------------------------------------------------


def test_the_budget_adds_up_and_holds_the_group_table(ask: Any) -> None:
    code, budget, said = ask("budget", *SEASON)
    assert code == 0
    assert budget["currency"] == "EUR"
    assert sum(m["cost"] for m in budget["meters"]) == pytest.approx(budget["total"])
    assert sum(i["cost"] for i in budget["by_item"]) == pytest.approx(budget["total"])
    gains = [m["gain_if_replaced"] for m in budget["meters"] if m["gain_if_replaced"] is not None]
    assert gains == sorted(gains, reverse=True)
    groups = {row["group"]: row for row in budget["groups"]}
    assert set(groups) == {"alder", "birch", "cedar"}
    for row in groups.values():
        low, high = row["out_share_interval90"]
        assert 0 <= low <= (row["out_share"] or 0) <= high <= 1
        assert row["drift_interval90"][0] < row["drift_interval90"][1]
    assert groups["cedar"]["found_out"] >= 1  # M0010, its tolerance 0.3
    assert "Lent out, so nothing is expected of them: M0009." in said
    lent = next(m for m in budget["meters"] if m["meter_id"] == "M0009")
    assert lent["cost"] == 0


def test_a_warranty_about_to_close_is_said_with_its_evidence(ask: Any) -> None:
    _, budget, said = ask("budget", *SEASON)
    assert [claim["meter_id"] for claim in budget["warranty"]] == ["M0010"]
    assert "its warranty ends on 2024-09-30" in said
    code, report, _ = ask("report", "warranty", "M0010")
    assert code == 0
    assert report["days_left"] == 60
    assert report["p_exceeds_stated"] > 0.8
    assert len(report["sessions"]) == 4
    assert "meters has no serial_number for it: a maker will ask for it" in report["lacks"]
    _, _, said = ask("report", "warranty", "M0001", form="table")
    assert "no warranty_until" in said


def test_policies_answer_with_the_interval_methods_beside(ask: Any) -> None:
    code, document, _ = ask("policies")
    assert code == 0
    names = [row["name"] for row in document["policies"]]
    for wanted in ("every 12 months", "staircase", "control chart, 90 %"):
        assert wanted in names
    assert "reliability by group, 90 %" in names
    assert "by forecast, target 90 %" in names
    assert all(0 <= row["out_of_tolerance_share"] <= 1 for row in document["policies"])


def test_a_hindcast_is_made_once_for_the_same_data(ask: Any) -> None:
    code, first, said = ask("hindcast")
    assert code == 0
    assert "forecasting from what was known" in said
    _, again, said = ask("hindcast")
    assert "forecasting from what was known" not in said
    assert again == first


# --- the coach's question ---------------------------------------------------------------------


def test_an_effort_is_carried_to_another_meter_and_back(ask: Any) -> None:
    _, there, _ = ask("effort", "2024-08-01,M0002,300", "--carry-to", "M0010")
    [row] = there["carried"]
    low, high = row["interval90_w"]
    assert low < row["shown_w"] < high
    _, back, _ = ask("effort", f"2024-08-01,M0010,{row['shown_w']}", "--carry-to", "M0002")
    assert back["carried"][0]["shown_w"] == pytest.approx(300, abs=0.05)
    assert back["efforts"][0]["corrected_w"] == pytest.approx(
        there["efforts"][0]["corrected_w"], abs=0.05
    )


def test_a_meter_that_was_not_zeroed_is_known_less_well(ask: Any) -> None:
    """By hand: 0.25 N·m at 90 rpm is 2.356 W of standard uncertainty."""
    halves = []
    for word in ("zeroed=yes", "zeroed=no,cadence=90"):
        _, document, said = ask("effort", f"2024-08-01,M0002,300,{word}")
        low, high = document["efforts"][0]["interval90_w"]
        halves.append((high - low) / 2 / 1.6449)
        assert "zeroed is not said" not in said
    more = math.sqrt(halves[1] ** 2 - halves[0] ** 2)
    assert more == pytest.approx(0.25 * 3 * math.pi, rel=0.03)
    _, _, said = ask("effort", "2024-08-01,M0002,300")
    assert "2.4 W at 90 rpm" in said
    _, _, said = ask("effort", "2024-09-30,M0002,300,zeroed=yes")
    assert "What lies after 2024-08-01 is a forecast" in said


def test_the_ledger_corrects_a_folder_of_recordings_beside_it(ask: Any, tmp_path: Path) -> None:
    folder, out = tmp_path / "rides", tmp_path / "corrected"
    folder.mkdir()
    start = rides.START.replace(year=2024, month=7, day=10)
    data = rides.fit_bytes(rides.ride(seconds=300, start=start), [rides.device(start)])
    (folder / "M0002.fit").write_bytes(data)
    words = ("correct", "--rider", "Ada", "--from", "2024-07-01", "--to", "2024-07-31")
    code, document, said = ask(*words, "--recordings", folder, "--out", out)
    assert code == 0
    assert "1 of 1 recordings corrected" in said
    assert (folder / "M0002.fit").read_bytes() == data
    [row] = csv.DictReader((out / "corrected-summaries.csv").read_text().splitlines())
    [entry] = [one for one in document["ledger"] if one["from_date"] == "2024-07-01"]
    assert float(row["factor"]) == pytest.approx(entry["factor"])
    assert float(row["corrected_mean_power_w"]) == pytest.approx(
        float(row["mean_power_w"]) * entry["factor"]
    )


def test_a_ledger_warns_where_watts_may_be_corrected_twice(
    season_team: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "copy.duckdb"
    main(["backup", str(store), "--store", str(season_team / "team.duckdb")])
    (tmp_path / "events.csv").write_text(
        "meter_id,date,event,note\nM0002,2024-06-15,setting_change,scale on the head unit\n"
    )
    assert main(["load", str(tmp_path / "events.csv"), "--no-fit", "--store", str(store)]) == 0
    capsys.readouterr()
    period = ("--from", "2024-06-01", "--to", "2024-07-31")
    assert main(["correct", "--meter", "M0002", *period, "--store", str(store)]) == 0
    said = capsys.readouterr().err
    assert "corrected twice? M0002: a setting was changed on 2024-06-15" in said


# --- reports ----------------------------------------------------------------------------------


def test_a_rider_on_another_meter_is_a_notice_until_it_is_acknowledged(ask: Any) -> None:
    words = ("report", "notices", "--from", "2024-03-01", "--to", "2024-03-31")
    code, document, _ = ask(*words)
    assert code == 0
    [row] = [one for one in document["notices"] if one["kind"] == "meter"]
    assert (row["rider_id"], row["coach"], row["meter_id"]) == ("Ada", "Halina", "M0002")
    assert row["acknowledged_by"] is None
    assert "instead of M0001" in row["text"]
    low, high = row["interval90_pct"]
    assert low < row["change_pct"] < high
    _, document, _ = ask(*words, "--acknowledge", row["notice_id"])
    again = next(one for one in document["notices"] if one["notice_id"] == row["notice_id"])
    assert again["acknowledged_by"].startswith("command line")


def test_status_offers_what_can_be_done_on_the_eve_of_an_a_race(ask: Any) -> None:
    _, status, said = ask("status", form="json")
    [eve] = status["race_eve"]
    assert (eve["meter_id"], eve["rider_id"], eve["race_on"]) == ("M0010", "Bo", "2024-08-02")
    assert any("translate the targets: 300 W true =" in o["do"] for o in eve["options"])
    assert "No firmware update" in eve["never"]
    assert all(notice["from_date"] >= "2024-07-04" for notice in status["notices"])
    _, _, said = ask("status", form="table")
    assert "Bo races on 2024-08-02" in said


def test_rides_since_the_last_good_session_are_named(ask: Any) -> None:
    code, document, _ = ask("report", "affected", "M0010")
    assert code == 0
    newest = document["found_out"][0]
    assert newest["found_on"] == "2024-05-08"
    assert [one["rider_id"] for one in newest["riders"]] in ([], ["Bo"])
    assert document["text"].startswith(newest["text"])
    assert "That clears no ride" in document["text"]  # it is out today
    _, document, _ = ask("report", "affected", "M0009")
    assert document["found_out"] == []
    assert "No session has found M0009 beyond ± 1.5 %." in document["text"]


def test_other_interval_methods_stand_beside_the_due_date(ask: Any) -> None:
    code, document, _ = ask("report", "intervals")
    assert code == 0
    assert len(document["meters"]) == 9  # all but the retired one
    row = next(one for one in document["meters"] if one["meter_id"] == "M0001")
    assert row["calendar"] == "2025-05-13"  # a year after its last session
    assert set(row["interval_days"]) == {
        "calendar", "staircase", "control_chart", "in_use_time", "reliability",
    }  # fmt: skip
    assert row["reasons"]["in_use_time"] == "No hours of use are known."


def test_a_leaving_rider_hands_back_meters_and_takes_numbers_along(ask: Any) -> None:
    code, report, _ = ask("report", "handover", "Bo")
    assert code == 0
    assert {row["meter_id"] for row in report["to_return"]} == {"M0001", "M0010"}
    [effort] = report["efforts"]
    assert effort["corrected_w"] > effort["watts"] == 300  # M0010 reads low
    assert {row["rider_id"] for row in report["ledger"]} == {"Bo"}
    assert "M0001, M0010 to hand back" in report["text"]


# --- what an answer rests on ------------------------------------------------------------------


def test_an_answer_of_the_day_of_the_fit_evaluates_nothing_again(
    ask: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Evaluated anew the answer is the same; on an earlier day it has to be."""
    effort = ("effort", "2024-05-01,M0001,300", "2024-07-01,M0002,310")
    monkeypatch.setattr("models.run.known.pipeline.Evaluated.covers", lambda *_: False)
    _, anew, _ = ask(*effort)
    monkeypatch.undo()

    def fail(*_: object, **__: object) -> None:
        raise AssertionError("evaluated again")

    monkeypatch.setattr("models.run.known.pipeline.evaluate", fail)
    code, kept, _ = ask(*effort)
    assert (code, kept) == (0, anew)
    code, _, said = ask("effort", "2024-01-01,M0001,300", "--as-of", "2024-03-01")
    assert (code, "evaluated again" in said) == (2, True)
