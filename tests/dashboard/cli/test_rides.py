"""Recordings of rides end to end: into the store by file, by folder, by page; and refusals."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from dashboard.cli.command_line import main
from ingest.schema import UserError
from ingest.store import Store
from models import run
from models.run import Fleet, recordings
from models.wording import NoAnswerError
from tests.ingest.recordings.rides import Ride, device, fit_bytes
from tests.simulate.rides import (
    Mishaps,
    Pair,
    Truth,
    autoregressive,
    pair_from_power,
    simulate_pair,
    steered_pair,
)

METERS = """meter_id,kind,in_service_date,slope_convention,serial_number
K1,crank_spider,2025-01-10,multiplier,70123
K2,crank_spider,2025-01-10,multiplier,70124
"""
REFERENCES = "reference_id,kind\nTR-1,trainer\n"
PAIRS = "meter_file,reference_file,meter_id,reference_id,comparison_id,rider_id\n"
ONE_PAIR = PAIRS + "ride-a.csv,ride-b.csv,K1,TR-1,first,R1\n"


def silent(_text: str) -> None:
    """Nobody listens."""


def csv_of(frame: pl.DataFrame) -> bytes:
    shown = frame.select("time", "power_w", "cadence_rpm", "temperature_c")
    return shown.with_columns(pl.col("time").dt.to_string("iso:strict")).write_csv().encode()


def fit_of(frame: pl.DataFrame, serial: int | None, *, battery: str = "good") -> bytes:
    start = frame["time"][0]
    seconds = (frame["time"] - start).dt.total_seconds().to_numpy()
    numbers = (frame[name].to_numpy().astype(np.int64) for name in VALUES)
    ride = Ride(start, seconds, *numbers)
    messages = [] if serial is None else [device(start, serial, battery_status=battery)]
    return fit_bytes(ride, messages)


VALUES = ("power_w", "cadence_rpm", "temperature_c")


@pytest.fixture(scope="module")
def pair() -> Pair:
    return simulate_pair(np.random.default_rng(20), Truth(), kind="outdoor", minutes=20)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory, pair: Pair) -> Path:
    """Two meters and a trainer with one pair of recordings, loaded and fitted."""
    folder = tmp_path_factory.mktemp("fleet")
    write_tables(folder)
    (folder / "ride-a.csv").write_bytes(csv_of(pair.meter))
    (folder / "ride-b.csv").write_bytes(csv_of(pair.reference))
    (folder / "pairs.csv").write_text(ONE_PAIR)
    assert main(["load", str(folder), "--store", str(folder / "fleet.duckdb")]) == 0
    return folder


def write_tables(folder: Path) -> None:
    (folder / "meters.csv").write_text(METERS)
    (folder / "references.csv").write_text(REFERENCES)


@pytest.fixture
def empty_team(tmp_path: Path) -> Store:
    """The two meters and the trainer, nothing measured."""
    folder = tmp_path / "tables"
    folder.mkdir()
    write_tables(folder)
    store = tmp_path / "team.duckdb"
    assert main(["load", "--no-fit", str(folder), "--store", str(store)]) == 0
    return Store(store)


def load(capsys: pytest.CaptureFixture[str], store: Store, *paths: Path) -> tuple[int, Any]:
    words = ["load", "--no-fit", *map(str, paths), "--store", str(store.path), "--format", "json"]
    code = main(words)
    return code, json.loads(capsys.readouterr().out)


# ---- from a pairs table -------------------------------------------------------------------------


def test_a_pairs_table_becomes_evidence_of_the_fleet_model(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = Store(fleet / "fleet.duckdb")
    [kept] = run.comparisons(Fleet(store), "K1")
    assert kept["comparison_id"] == "first"
    assert kept["source"] == "recordings"
    low, high = kept["gain_ratio_interval90_pct"]
    assert low - 0.3 < 1.5 < high + 0.3
    assert kept["u_gain_ratio_pct"] > 0
    assert (kept["rider_id"], kept["void"]) == ("R1", None)
    assert main(["history", "K1", "--store", str(store.path), "--format", "json"]) == 0
    [seen] = json.loads(capsys.readouterr().out)["observations"]
    assert (seen["kind"], seen["id"], seen["used"]) == ("comparison", "first", True)
    status = run.status(Fleet(store))
    [k1, k2] = sorted(status["meters"], key=lambda row: row["meter_id"])
    assert k1["last_comparison"] is not None
    assert k2["last_comparison"] is None
    assert k1["gain_error_sd_pct"] < k2["gain_error_sd_pct"]
    assert run.drawn_ride(Fleet(store), "K1", "first")
    assert run.drawn_ride(Fleet(store), "K2", "first") is None


def test_the_same_pair_is_compared_once_and_a_changed_row_anew(
    fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = Store(Store(fleet / "fleet.duckdb").backup(tmp_path / "copy.duckdb"))
    said: list[str] = []
    assert recordings.evaluate_pairs(store, say=said.append) == []
    assert said == []
    (fleet / "pairs.csv").write_text(ONE_PAIR.replace(",K1,", ",K2,"))
    try:
        load(capsys, store, fleet / "pairs.csv")
    finally:
        (fleet / "pairs.csv").write_text(ONE_PAIR)
    assert run.comparisons(Fleet(store), "K1") == []
    assert [row["meter_id"] for row in run.comparisons(Fleet(store), "K2")] == ["K2"]


def test_a_pair_that_the_program_fails_on_costs_itself_alone(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(Store(fleet / "fleet.duckdb").backup(tmp_path / "copy.duckdb"))
    with store.writing() as db:
        db.put_derived("pair_results", db.derived("pair_results").clear())

    def failing(*_: object) -> None:
        raise RuntimeError("out of step")

    monkeypatch.setattr(recordings, "compare_pair", failing)
    [said] = recordings.evaluate_pairs(store, say=[].append)
    assert said.startswith("ride-a.csv with ride-b.csv: found")
    assert "RuntimeError: out of step" in said
    assert "set ride-a.csv with ride-b.csv aside and report it" in said.lower()


def test_a_void_pair_of_a_pairs_table_is_kept_with_its_reason(
    empty_team: Store, tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "rides"
    folder.mkdir()
    (folder / "ride-a.csv").write_bytes(csv_of(pair.meter))
    (folder / "ride-b.csv").write_bytes(csv_of(pair.meter))
    (folder / "pairs.csv").write_text(ONE_PAIR)
    capsys.readouterr()
    assert load(capsys, empty_team, folder)[0] == 0
    [kept] = run.comparisons(Fleet(empty_team), "K1")
    assert "proves nothing" in kept["void"]


def test_a_pair_whose_import_is_taken_back_counts_no_more(fleet: Path, tmp_path: Path) -> None:
    store = Store(Store(fleet / "fleet.duckdb").backup(tmp_path / "copy.duckdb"))
    from ingest.load import imports, undo_import

    log = imports(store).filter(pl.col("path").str.ends_with("pairs.csv"))
    undo_import(store, log["import_id"][0])
    assert run.comparisons(Fleet(store), "K1") == []
    assert Fleet(store).prepared.found.comparisons.is_empty()


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        (lambda f: f.with_columns(pl.col("time") + timedelta(days=2)), "do not overlap"),
        (lambda f: f.with_columns(power_w=(pl.col("power_w").cum_sum() / 1000)), "kilojoules"),
    ],
)
def test_a_pair_that_cannot_be_compared_is_said_and_the_rest_loads(
    empty_team: Store, tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str], broken: Any,
    said: str,
) -> None:  # fmt: skip
    folder = tmp_path / "rides"
    folder.mkdir()
    (folder / "ride-a.csv").write_bytes(csv_of(pair.meter))
    (folder / "ride-b.csv").write_bytes(csv_of(broken(pair.reference)))
    (folder / "pairs.csv").write_text(ONE_PAIR)
    code, document = load(capsys, empty_team, folder)
    assert code == 0
    assert any(said in notice and "ride-b.csv" in notice for notice in document["notices"])
    assert run.comparisons(Fleet(empty_team), "K1") == []


def test_seconds_without_a_date_are_no_evidence(
    empty_team: Store, tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "rides"
    folder.mkdir()
    (folder / "ride-a.csv").write_bytes(undated(pair.meter))
    (folder / "ride-b.csv").write_bytes(csv_of(pair.reference))
    (folder / "pairs.csv").write_text(ONE_PAIR)
    _, document = load(capsys, empty_team, folder)
    assert any("carries no date" in notice for notice in document["notices"])


def undated(frame: pl.DataFrame) -> bytes:
    seconds = (pl.col("time") - frame["time"][0]).dt.total_seconds()
    return (
        frame.select(time=seconds, power_w="power_w", cadence_rpm="cadence_rpm")
        .write_csv()
        .encode()
    )


# ---- a plain folder -----------------------------------------------------------------------------


def test_a_folder_of_recordings_proposes_pairs_and_events(
    empty_team: Store, tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str]
) -> None:
    """The serial number tells the meter, overlap the pair, a jump of the battery a swap."""
    folder = tmp_path / "rides"
    folder.mkdir()
    before = pair.meter.with_columns(pl.col("time") - timedelta(days=30))
    (folder / "feb.fit").write_bytes(fit_of(before, 70_123, battery="low"))
    (folder / "mar.fit").write_bytes(fit_of(pair.meter, 70_123, battery="new"))
    (folder / "TR-1 mar.fit").write_bytes(fit_of(pair.reference, None))
    code, document = load(capsys, empty_team, folder)
    assert code == 0
    [proposal] = [text for text in document["notices"] if "pair(s) of recordings" in text]
    with empty_team.reading() as db:
        [event] = db.frame("events").to_dicts()
        readings = db.derived("meter_readings")
    assert (event["meter_id"], event["event"], event["state"]) == ("K1", "battery_swap", "proposed")
    assert event["date"] == pair.meter["time"][0].date()
    assert readings is not None
    assert set(readings["meter_id"]) == {"K1"}
    assert run.comparisons(Fleet(empty_team), "K1") == []
    [waiting] = run.rides_waiting(Fleet(empty_team))
    assert (waiting["meter_id"], waiting["reference_id"]) == ("K1", "TR-1")
    file = Path(proposal.split("look at ")[1].split(" and load it")[0])
    load(capsys, empty_team, file)
    [kept] = run.comparisons(Fleet(empty_team), "K1")
    assert kept["gain_ratio_pct"] == pytest.approx(1.5, abs=0.8)
    assert run.rides_waiting(Fleet(empty_team)) == []
    assert "proposed" not in " ".join(load(capsys, empty_team, folder)[1]["notices"])


# ---- dropped on a page --------------------------------------------------------------------------


def test_uploaded_recordings_go_in_beside_their_pairs_table(empty_team: Store, pair: Pair) -> None:
    from ingest.load import load_uploads

    load_uploads(empty_team, [("pairs.csv", ONE_PAIR.encode())])
    files = [("ride-a.csv", csv_of(pair.meter)), ("ride-b.csv", csv_of(pair.reference))]
    assert recordings.take_in_uploads(empty_team, files, say=silent) == []
    [kept] = run.comparisons(Fleet(empty_team), "K1")
    assert kept["comparison_id"] == "first"


def test_two_dropped_recordings_are_looked_at_then_kept(empty_team: Store, pair: Pair) -> None:
    files = [("a.fit", fit_of(pair.meter, 70_123)), ("TR-1.fit", fit_of(pair.reference, None))]
    seen = run.look_at_rides(Fleet(empty_team), files)
    [proposed] = seen["pairs"]
    assert (proposed["meter_id"], proposed["reference_id"]) == ("K1", "TR-1")
    chosen = (seen["drop"], proposed["meter"], proposed["reference"])
    found = run.compare_rides(Fleet(empty_team), *chosen)
    assert found["gain_ratio_pct"] == pytest.approx(1.5, abs=0.8)
    assert run.comparisons(Fleet(empty_team), "K1") == []  # only looked at
    kept = run.keep_rides(Fleet(empty_team), *chosen, meter_id="K1", reference_id="TR-1")
    [row] = run.comparisons(Fleet(empty_team), "K1")
    assert row["comparison_id"] == kept["comparison_id"] == "K1_TR-1_20260314T0900"
    assert row["gain_ratio_pct"] == found["gain_ratio_pct"]
    with pytest.raises(Exception, match="not held any more"):
        run.compare_rides(Fleet(empty_team), *chosen)


def test_a_heading_is_chosen_for_a_column_that_a_dropped_file_lacks(
    empty_team: Store, pair: Pair, tmp_path: Path, capsys: Any
) -> None:
    other = csv_of(pair.reference).replace(b"power_w", b"Watts", 1)
    files = [("a.csv", csv_of(pair.meter)), ("b.csv", other)]
    seen = run.look_at_rides(Fleet(empty_team), files)
    [asked] = seen["unnamed"]
    assert (asked["file"], asked["column"], asked["headings"][0]) == ("b.csv", "power_w", "Watts")
    assert [row["name"] for row in seen["recordings"]] == ["a.csv"]
    named = run.name_ride_column(Fleet(empty_team), seen["drop"], "b.csv", "power_w", "Watts")
    assert [row["name"] for row in named["recordings"]] == ["a.csv", "b.csv"]
    assert (named["problems"], named["unnamed"]) == ([], [])
    chosen = [row["sha256"] for row in named["recordings"]]
    found = run.compare_rides(Fleet(empty_team), named["drop"], *chosen)
    with pytest.raises(UserError, match="drop it again"):
        run.name_ride_column(Fleet(empty_team), seen["drop"], "../b.csv", "power_w", "Watts")
    for name, data in files:
        (tmp_path / name).write_bytes(data)
    paths = [str(tmp_path / name) for name, _ in files]
    assert main(["compare", *paths, "--column", "power_w=Watts", "--format", "json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["gain_ratio_pct"] == pytest.approx(found["gain_ratio_pct"])
    assert main(["compare", *paths, "--column", "Watts"]) == 2
    assert 'found "Watts", expected COLUMN=HEADING' in capsys.readouterr().err


def test_what_is_discarded_leaves_nothing(empty_team: Store, pair: Pair) -> None:
    before = set(empty_team.path.parent.rglob("*"))
    files = [("a.fit", fit_of(pair.meter, 70_123)), ("notes.fit", b"no recording")]
    seen = run.look_at_rides(Fleet(empty_team), files)
    assert [row["meter_id"] for row in seen["recordings"]] == ["K1"]
    assert "notes.fit" in seen["problems"][0]
    run.discard_rides(Fleet(empty_team), seen["drop"])
    left = {path for path in set(empty_team.path.parent.rglob("*")) - before if path.is_file()}
    assert left == set()


def test_a_pair_for_a_meter_that_is_not_there_is_refused(empty_team: Store, pair: Pair) -> None:
    files = [("b.csv", csv_of(pair.meter)), ("a.csv", csv_of(pair.reference))]
    seen = run.look_at_rides(Fleet(empty_team), files)
    assert [row["name"] for row in seen["recordings"]] == ["b.csv", "a.csv"]
    chosen = (seen["drop"], *(row["sha256"] for row in seen["recordings"]))
    with pytest.raises(NoAnswerError, match='no meter "K9"'):
        run.keep_rides(Fleet(empty_team), *chosen, meter_id="K9", reference_id="TR-1")
    with pytest.raises(Exception, match="not held any more"):
        run.compare_rides(Fleet(empty_team), "../../etc", *chosen[1:])


def test_removing_a_rider_removes_the_rides_and_leaves_the_measurement(
    empty_team: Store, pair: Pair
) -> None:
    from ingest.admin import remove_rider
    from ingest.load import load_uploads

    load_uploads(empty_team, [("pairs.csv", ONE_PAIR.encode())])
    files = [("ride-a.csv", csv_of(pair.meter)), ("ride-b.csv", csv_of(pair.reference))]
    recordings.take_in_uploads(empty_team, files, say=silent)
    beside = empty_team.path.with_name("team.recordings")
    assert len([path for path in beside.rglob("*") if path.is_file()]) == 4  # with shard, traces
    remove_rider(empty_team, "R1")
    [kept] = run.comparisons(Fleet(empty_team), "K1")
    assert (kept["rider_id"], kept["comparison_id"]) == (None, "first")
    assert [path for path in beside.rglob("*") if path.is_file()] == []


# ---- what `compare` says ------------------------------------------------------------------------


def compare(
    capsys: pytest.CaptureFixture[str], folder: Path, meter: bytes, reference: bytes
) -> tuple[int, Any, str]:
    (folder / "m.csv").write_bytes(meter)
    (folder / "r.csv").write_bytes(reference)
    code = main(["compare", str(folder / "m.csv"), str(folder / "r.csv"), "--format", "json"])
    said = capsys.readouterr()
    return code, json.loads(said.out) if said.out else None, said.err


def test_what_cannot_be_compared_is_one_clear_line(
    tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str]
) -> None:
    work = pair.reference.with_columns(power_w=(pl.col("power_w").cum_sum() / 1000).round(1))
    later = pair.reference.with_columns(pl.col("time") + timedelta(days=1))
    for other, sentence in (
        (csv_of(work), "work in kilojoules, added up"),
        (csv_of(later), "do not overlap"),
        (b"time,power_w\n", "r.csv"),
    ):
        code, document, said = compare(capsys, tmp_path, csv_of(pair.meter), other)
        assert (code, document) == (2, None)
        assert sentence in said
        assert said.count("\n") == 1


def test_seconds_instead_of_stamps_are_compared_and_said(
    tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str]
) -> None:
    code, document, said = compare(capsys, tmp_path, csv_of(pair.meter), undated(pair.reference))
    assert code == 0
    assert document["gain_ratio_pct"] == pytest.approx(1.5, abs=0.8)
    assert "seconds without a date" in said


def test_poor_rides_are_said_in_plain_words(
    tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(2)
    n = 1600 * 4
    power = 200 * np.exp(autoregressive(rng, n, 240, 0.01) + autoregressive(rng, n, 4, 0.02))
    narrow = pair_from_power(rng, power, np.full(n, 90.0), Truth(), mishaps=Mishaps())
    code, document, said = compare(capsys, tmp_path, csv_of(narrow.meter), csv_of(narrow.reference))
    assert code == 0
    assert "too narrow to separate the gain" in said
    assert "one cadence" in said
    half = np.diff(document["gain_ratio_interval90_pct"])[0] / 2
    assert half > 1.0  # 0.25 N·m at 90 rpm on 200 W is 1.18 %
    holes = (pl.int_range(pl.len()) % 240) < 20
    lost = pair.meter.with_columns(power_w=pl.when(holes).then(0).otherwise(pl.col("power_w")))
    _, document, said = compare(capsys, tmp_path, csv_of(lost), csv_of(pair.reference))
    assert document["excluded_s"]["meter_dropout"] > 60
    assert "The meter dropped out for" in said


def test_void_pairs_say_that_they_prove_nothing(
    tmp_path: Path, pair: Pair, capsys: pytest.CaptureFixture[str]
) -> None:
    steered = steered_pair(np.random.default_rng(3), "steps")
    for one, other in ((pair.meter, pair.meter), (steered.meter, steered.reference)):
        code, document, said = compare(capsys, tmp_path, csv_of(one), csv_of(other))
        assert code == 0
        assert "proves nothing" in document["void"]
        assert "void: " in said
