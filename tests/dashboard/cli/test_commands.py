"""The commands, end to end, on files: exit codes, documents, no look-ahead, clear refusals."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from dashboard.cli.command_line import main

ONE_SESSION = """session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm,slope_before
S1,K1,2026-03-02T09:00:00Z,20,170,zero,0.1,5.69
S1,K1,2026-03-02T09:00:00Z,20,170,mass,33.75,5.69
S1,K1,2026-03-02T09:00:00Z,20,170,mass,33.80,5.69
"""
ONE_METER = """meter_id,kind,in_service_date,slope_convention
K1,crank_spider,2025-01-10,multiplier
"""


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, Any, str]:
    code = main([*map(str, words), "--format", "json"])
    said = capsys.readouterr()
    return code, json.loads(said.out) if said.out else None, said.err


def last_day(season_team: Path) -> date:
    bench = pl.read_csv(season_team / "tables" / "bench.csv", try_parse_dates=True)
    newest = pl.Series(bench["measured_at"]).cast(pl.String).str.slice(0, 10).max()
    return date.fromisoformat(str(newest))


def test_one_meter_with_one_session_gets_an_honest_wide_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bench.csv").write_text(ONE_SESSION)
    (tmp_path / "meters.csv").write_text(ONE_METER)
    store = tmp_path / "one.duckdb"
    code, document, _ = run(capsys, "load", tmp_path, "--store", store)
    assert (code, document["fit"]["converged"]) == (0, True)
    code, document, _ = run(capsys, "status", "--store", store, "--as-of", "2026-03-02")
    [meter] = document["meters"]
    found = 100 * (33.675 / (20 * 9.80665 * 0.17 * (1 - 1.2 / 8000)) - 1)
    assert code == 0
    assert meter["gain_error_pct"] == pytest.approx(found, abs=0.4)
    assert 0.1 < meter["gain_error_sd_pct"] < 1.5
    later = run(capsys, "status", "--store", store, "--as-of", "2027-03-02")[1]["meters"][0]
    assert later["gain_error_sd_pct"] > meter["gain_error_sd_pct"]


def test_status_has_the_contracts_keys(
    season_team: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, document, _ = run(
        capsys, "status", "--store", season_team / "team.duckdb", "--as-of", last_day(season_team)
    )
    assert code == 0
    wanted = {
        *("meter_id", "status", "reasons", "gain_error_pct", "gain_error_sd_pct"),
        *("interval90_pct", "p_within_tolerance", "tolerance_pct", "drift_pct_per_year"),
        *("drift_sd_pct_per_year", "due_date", "last_bench", "last_comparison", "alarms"),
        "next_action",
    }
    assert all(wanted <= set(meter) for meter in document["meters"])
    assert {"as_of", "fit", "meters", "references", "benches", "fleet"} <= set(document)
    assert sum(document["fleet"]["counts"].values()) == len(document["meters"])
    for meter in document["meters"]:
        low, high = meter["interval90_pct"]
        assert low < meter["gain_error_pct"] < high


def test_as_of_sees_nothing_later(
    season_team: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A past day answered from the whole store equals the same day answered from a store that
    was loaded with nothing but what was dated by then."""
    day = last_day(season_team) - timedelta(days=200)
    early = tmp_path / "early"
    early.mkdir()
    for file in (season_team / "tables").glob("*.csv"):
        rows = pl.read_csv(file, infer_schema=False)
        for column in ("measured_at", "date"):
            if column in rows.columns:
                rows = rows.filter(pl.col(column).str.slice(0, 10) <= day.isoformat())
        rows.write_csv(early / file.name)
    store = tmp_path / "early.duckdb"
    assert main(["load", str(early), "--store", str(store), "--no-fit"]) == 0
    capsys.readouterr()
    whole = run(capsys, "status", "--store", season_team / "team.duckdb", "--as-of", day)[1]
    part = run(capsys, "status", "--store", store, "--as-of", day)[1]
    assert [m["meter_id"] for m in whole["meters"]] == [m["meter_id"] for m in part["meters"]]
    for one, other in zip(whole["meters"], part["meters"], strict=True):
        assert one["gain_error_pct"] == pytest.approx(other["gain_error_pct"], abs=1e-6)
        assert one["due_date"] == other["due_date"]


def test_history_effort_correct_and_plan(
    season_team: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, day = season_team / "team.duckdb", last_day(season_team)
    meters = run(capsys, "status", "--store", store, "--as-of", day)[1]["meters"]
    a, b = (m["meter_id"] for m in meters[:2])
    code, history, _ = run(capsys, "history", a, "--store", store, "--as-of", day)
    dates = [point["date"] for point in history["points"]]
    assert (code, dates) == (0, sorted(dates))
    assert {o["kind"] for o in history["observations"]} == {"bench", "comparison"}
    texts = [f"{day - timedelta(days=30)},{a},300", f"{day},{b},306,1200"]
    code, effort, _ = run(capsys, "effort", *texts, "--store", store, "--as-of", day)
    difference = effort["differences"][0]
    assert code == 0
    assert difference["meter_part_w"] == pytest.approx(6 - difference["corrected_w"])
    first = day - timedelta(days=60)
    code, ledger, _ = run(
        capsys, "correct", "--meter", a, "--from", first, "--to", day, "--store", store,
        "--as-of", day,
    )  # fmt: skip
    rows = ledger["ledger"]
    assert (code, rows[0]["from_date"], rows[-1]["to_date"]) == (0, str(first), str(day))
    code, plan, _ = run(
        capsys, "plan", "--from", day, "--to", day + timedelta(days=60), "--store", store,
        "--as-of", day, "--slots-per-week", 1,
    )  # fmt: skip
    weeks = [visit["week"] for visit in plan["visits"]]
    assert (code, len(weeks)) == (0, len(set(weeks)))


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["status", "--store", "nowhere.duckdb"], "no store"),
        (["status", "--as-of", "14.03.2026"], "ISO 8601"),
        (["load", "not-there.csv"], "not-there.csv"),
        (["bench", "pyproject.toml"], "bench"),
        (["frobnicate"], "invalid choice"),
        (["effort", "2026-03-01;K1;300"], "DATE[Ttime],METER,WATTS"),
        (["settings", "tolerance_pct", "lots"], "tolerance_pct"),
    ],
)
def test_wrong_use_is_one_clear_line_and_exit_2(
    words: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    if words[0] in ("effort", "settings"):
        assert main(["settings", "tolerance_pct", "1.5"]) == 0
        capsys.readouterr()
    assert main(words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert says in said.err
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err


def test_an_unknown_meter_gets_a_suggestion(
    season_team: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    known = run(capsys, "status", "--store", season_team / "team.duckdb")[1]["meters"][0][
        "meter_id"
    ]
    assert main(["history", known + "x", "--store", str(season_team / "team.duckdb")]) == 2
    assert known in capsys.readouterr().err


def test_set_aside_rows_make_exit_1_and_can_be_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = ONE_SESSION + "S2,K1,2026-03-05T09:00:00Z,20,17.0,mass,33.75,5.69\n"
    (tmp_path / "bench.csv").write_text(bad)
    store = tmp_path / "bad.duckdb"
    code, document, said = run(capsys, "load", tmp_path, "--store", store, "--no-fit")
    assert code == 1
    assert document["set_aside"][0]["row"] == 5
    assert "crank_length_mm" in said
    code, rows, _ = run(capsys, "set-aside", "--store", store)
    assert (code, len(rows)) == (1, 1)
    main(["set-aside", "--store", str(store)])
    head, _, line = capsys.readouterr().out.splitlines()
    assert head.split() == [
        *("id", "file", "sheet", "table", "row", "column", "found", "expected", "fix"),
    ]
    for text in ("1  bench.csv", "crank_length_mm", "17.0", "100 to 250", "that is 170 mm"):
        assert text in line
    assert run(capsys, "bench", tmp_path / "bench.csv")[0] == 1


def test_set_aside_rows_are_put_right_on_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is sure by one word, a guess and a typed cell row by row, an empty cell as nothing."""
    rows = ["44.1 lb,170", "20,17.0", "20,170", "20,lots"]
    lines = [
        f"S{n},K1,2026-03-05T09:00:00Z,{cells},mass,33.75,5.69" for n, cells in enumerate(rows)
    ]
    lines[2] = "S2,K1,2026-03-05T09:00:00Z,20,170,mass,,5.69"
    (tmp_path / "bench.csv").write_text("\n".join([ONE_SESSION.splitlines()[0], *lines]))
    store = ("--store", tmp_path / "bad.duckdb")
    _, _, said = run(capsys, "load", tmp_path, "--no-fit", *store)
    assert "row 4, torque_nm: found nothing, expected newton metres" in said
    assert "what is suggested for 1 cell is sure" in said
    code, left, said = run(capsys, "set-aside", "--accept", "--no-fit", *store)
    assert (code, [row["row"] for row in left]) == (1, [3, 4, 5])
    assert "1 cell taken as suggested: 1 row loaded, 0 still waiting" in said
    [guess, empty, wrong] = [row["set_aside_id"] for row in left]
    assert len(run(capsys, "set-aside", "--take", guess, "--no-fit", *store)[1]) == 2
    put = ("--put", empty, "torque_nm=33,8")
    assert len(run(capsys, "set-aside", *put, "--no-fit", *store)[1]) == 1
    assert main(["set-aside", "--take", str(wrong), *map(str, store)]) == 2
    assert "nothing is suggested for row" in capsys.readouterr().err
    assert run(capsys, "set-aside", "--dismiss", wrong, "--no-fit", *store)[:2] == (0, [])


def test_a_fit_that_did_not_converge_says_so_wherever_its_numbers_appear(
    season_team: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from dashboard.navigation import find, find_pages
    from dashboard.security import Guarded
    from dashboard.service import Service
    from dashboard.web import app
    from ingest.store import Store
    from models.run import HERE

    def drawn(path: Path, address: str) -> str:
        data = Guarded(Service(path), lambda: HERE, scope=lambda _: pytest.fail("asked by a coach"))
        return str(app.page_body(data, find(find_pages(), address, ""))[0])

    store = tmp_path / "unsettled.duckdb"
    assert main(["backup", str(store), "--store", str(season_team / "team.duckdb")]) == 0
    with Store(store).writing() as db:
        info = db.derived("fit_info")
        assert info is not None
        unsettled = {"converged": pl.lit(False), "message": pl.lit("60 rounds were not enough")}
        db.put_derived("fit_info", info.with_columns(**unsettled))
    capsys.readouterr()
    meter = pl.read_csv(season_team / "tables" / "meters.csv")["meter_id"][0]
    day, ahead = last_day(season_team).isoformat(), date.today()
    for words in (
        ("status",),
        ("history", meter),
        ("effort", f"{day},{meter},300"),
        ("correct", "--meter", meter, "--from", day, "--to", day),
        ("plan", "--from", ahead, "--to", ahead + timedelta(days=60)),
    ):
        code, document, said = run(capsys, *words, "--store", store)
        assert (words[0], code) == (words[0], 1)
        assert document["fit"]["converged"] is False
        assert document["fit"]["message"] == "60 rounds were not enough"
        assert "provisional" in said
    assert "did not settle" in drawn(store, f"/meter/{meter}")
    assert "did not settle" not in drawn(season_team / "team.duckdb", f"/meter/{meter}")
