"""The command match: proposals, what is loaded, what is asked, mappings kept and given."""

import json
from pathlib import Path

import pytest

from dashboard.cli import main

HEAD = "Datum;Messgerät;Gewicht;Kurbel;Null;gross L;gross R;Abw. %\n"
FIRST = "14.3.26;A12;20,01 kg;172,5;0,1;33,9;34,0;0,1\n"
MARCH = f"{HEAD}{FIRST}21.3.26;B07;20,01 kg;170;0,1;33,4;33,4;0\n"
APRIL = MARCH + "4.4.26;A12;20,01 kg;172,5;0,0;33,7;33,8;0\n"


def answer(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, dict]:
    code = main([str(word) for word in (*words, "--format", "json")])
    printed = capsys.readouterr().out
    return code, json.loads(printed) if printed else {}


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    file = tmp_path / "Kalibrierung.csv"
    file.write_text(MARCH, "utf-8")
    return file


def test_a_sheet_is_proposed_then_loaded_and_grows(sheet, tmp_path, capsys):
    store = tmp_path / "team.duckdb"
    code, document = answer(capsys, "match", sheet, "--store", store)
    [found] = document["sheets"]
    assert (code, found["layout"], found["proposed"]) == (0, "wide", {"bench": 6})
    assert found["columns"][5]["meaning"] == "torque_nm (large, left)"
    assert not store.exists()

    accept = ("match", sheet, "--accept", "--no-fit", "--store", store)
    assert answer(capsys, *accept)[0] == 0
    sheet.write_text(APRIL, "utf-8")
    assert answer(capsys, *accept)[0] == 0
    _, log = answer(capsys, "imports", "--store", store)
    assert [(entry["rows_loaded"], entry["rows_unchanged"]) for entry in log] == [(3, 6), (6, 0)]


def test_what_is_asked_keeps_the_sheet_out(tmp_path, capsys):
    sheet, store = tmp_path / "a.csv", tmp_path / "team.duckdb"
    sheet.write_text("Date,Meter,kg,Crank,Torque\n03/04/25,A12,20,172.5,33.9\n", "utf-8")
    code, document = answer(capsys, "match", sheet, "--accept", "--store", store)
    [open_] = document["sheets"][0]["undecided"]
    assert (code, open_["key"], document["sheets"][0]["loaded"]) == (1, "date_order", False)
    said = ("--answer", "date_order=month_day_year")
    code, document = answer(capsys, "match", sheet, "--accept", "--no-fit", "--store", store, *said)
    assert (code, document["sheets"][0]["loaded"]) == (0, True)


def test_a_mapping_is_kept_recognised_exported_changed_and_given(sheet, tmp_path, capsys):
    store = tmp_path / "team.duckdb"
    answer(capsys, "match", sheet, "--save", "bench day", "--store", store)
    _, document = answer(capsys, "match", sheet, "--store", store)
    assert document["sheets"][0]["saved_as"] == "bench day"

    _, [kept] = answer(capsys, "mappings", "bench day", "--store", store)
    kept["columns"][6]["meaning"] = "ignored"
    changed = tmp_path / "map.json"
    changed.write_text(json.dumps(kept), "utf-8")
    _, document = answer(capsys, "match", sheet, "--map", changed, "--store", tmp_path / "b.duckdb")
    assert document["sheets"][0]["proposed"] == {"bench": 4}

    assert answer(capsys, "mappings", "--remove", "bench day", "--store", store)[1] == []
    kept["columns"][0]["meaning"] = "colour"
    changed.write_text(json.dumps(kept), "utf-8")
    assert main(["match", str(sheet), "--map", str(changed)]) == 2
    assert "colour" in capsys.readouterr().err


def test_new_meters_load_once_they_are_complete(sheet, tmp_path, capsys):
    store = tmp_path / "team.duckdb"
    _, document = answer(capsys, "match", sheet, "--store", store)
    assert [d["missing"] for d in document["devices"]] == [["kind", "slope_convention"]] * 2
    told = (
        "--answer",
        "meters.*.kind=hub",
        "--answer",
        "meters.*.slope_convention=divisor",
    )
    accept = ("match", sheet, "--accept", "--no-fit", "--store", store)
    assert answer(capsys, *accept, *told)[0] == 0
    _, log = answer(capsys, "imports", "--store", store)
    assert "meters" in log[0]["tables"]


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02", b"PK\x03\x04 broken"])
def test_nothing_to_match_is_said_in_one_line(content, tmp_path, capsys):
    file = tmp_path / "a.xlsx"
    file.write_bytes(content)
    assert main(["match", str(file), "--store", str(tmp_path / "s.duckdb")]) == 2
    assert "Traceback" not in capsys.readouterr().err
