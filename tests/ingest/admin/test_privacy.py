"""One rider's data: all of it handed out, all of it removed, what holds it still is named."""

import shutil
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from ingest.admin import back_up, export_rider, forget_old, remove_rider
from ingest.admin.ridden import recordings_of
from ingest.recordings import recordings_folder, stored_summaries
from ingest.schema import SettingError
from ingest.store import Store, acting, before_update, changes, record
from models import run
from models.run import Fleet
from tests.ingest import team
from tests.ingest.recordings import rides
from tests.once import built_once

RIDER, OTHER = "Edda", "Nadja"
DAY = rides.START.date()


def make(folder: Path) -> None:
    """Three rides: one by the meter ridden that day, one by its name, one of somebody else."""
    meters = [row | {"serial_number": f"7012{n}"} for n, row in enumerate(team.METERS, start=1)]
    tables = {
        "meters": meters,
        "riders": [{"rider_id": name, "from_date": "2024-01-01"} for name in (RIDER, OTHER)],
        "assignments": [
            {"meter_id": meter["meter_id"], "from_date": "2024-01-10", "rider_id": name}
            for meter, name in zip(meters, (RIDER, OTHER), strict=False)
        ],
    }
    ride = rides.ride(seconds=120)
    folder_of_rides = folder / "rides"
    folder_of_rides.mkdir(parents=True)
    for number, name in ((1, "morning"), (2, "noon")):
        data = rides.fit_bytes(ride, [rides.device(ride.start, serial=70120 + number)])
        (folder_of_rides / f"{name}.fit").write_bytes(data)
    later = rides.ride(seconds=120, seed=2, start=rides.START + timedelta(days=200))
    (folder_of_rides / f"{RIDER.lower()}-evening.csv").write_bytes(rides.csv_bytes(later))
    store, _ = team.load(folder, team.write_team(folder / "tables", tables))
    run.load_folders(Fleet(store), [folder_of_rides], fit=False)


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built_once(tmp_path_factory, "privacy", make)


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Store:
    for name in ("team.duckdb", "team.recordings"):
        copy = shutil.copytree if "." in name and name.endswith("recordings") else shutil.copy
        copy(filled / name, tmp_path / name)
    return Store(tmp_path / "team.duckdb")


def names(store: Store) -> list[str]:
    return sorted(stored_summaries(recordings_folder(store))["name"])


def test_recordings_are_whose_the_meter_was_and_whose_name_they_bear(store: Store) -> None:
    for rider, held in ((RIDER, ["edda-evening.csv", "morning.fit"]), (OTHER, ["noon.fit"])):
        with store.reading() as db:
            assert sorted(recordings_of(db, store, rider)["name"]) == held


def test_all_of_it_is_handed_out(store: Store, tmp_path: Path) -> None:
    with acting("Ilse"), store.writing() as db:
        record(db, "visits pinned", "M1", after=f"for {RIDER}")
    files = export_rider(store, RIDER, tmp_path / "out")
    found = {file.relative_to(tmp_path / "out").as_posix() for file in files}
    assert {"riders.csv", "assignments.csv", "changes.csv"} <= found
    kept = sorted((tmp_path / "out" / "recordings").iterdir())
    assert [pl.read_csv(file).height for file in kept] == [120, 120]
    sums = {int(pl.read_csv(file)["power_w"].sum()) for file in kept}
    assert int(rides.ride(seconds=120).power.sum()) in sums
    assert OTHER not in "".join(f.read_text("utf-8") for f in (tmp_path / "out").rglob("*.csv"))


def test_all_of_it_is_removed_and_what_holds_it_still_is_named(
    store: Store, tmp_path: Path
) -> None:
    copy = back_up(store, tmp_path / "safe.duckdb")[0]
    gone = back_up(store, tmp_path / "gone.duckdb")[0]
    gone.unlink()
    shutil.copy(store.path, before_update(store))
    report = remove_rider(store, RIDER)
    assert names(store) == ["noon.fit"]
    assert report["backups"] == [str(copy)]
    assert report["files_removed"] == 3  # two recordings, and the store before its update
    assert not before_update(store).exists()
    for file in (store.path, *recordings_folder(store).rglob("*.parquet")):
        assert RIDER.encode() not in file.read_bytes(), file
    with store.reading() as db:
        readings = db.derived("meter_readings")
    assert readings is not None
    assert not readings["path"].str.contains("morning").any()


def test_recordings_go_with_age(store: Store) -> None:
    fleet = Fleet(store)
    with pytest.raises(SettingError, match="days"):
        run.set_setting(fleet, "recordings_kept_days", "soon")
    assert forget_old(store, today=DAY + timedelta(days=9999)) == {"recordings": 0, "changes": 0}
    with store.writing() as db:
        db.set_setting("recordings_kept_days", 100)
    assert forget_old(store, today=DAY + timedelta(days=100))["recordings"] == 0
    assert forget_old(store, today=DAY + timedelta(days=101))["recordings"] == 2
    assert names(store) == ["edda-evening.csv"]
    assert changes(store)["what"][0] == "recordings forgotten"


def test_the_log_goes_with_age_but_for_what_says_where_backups_are(
    store: Store, tmp_path: Path
) -> None:
    back_up(store, tmp_path / "safe.duckdb")
    with store.writing() as db:
        record(db, "setting", "tolerance_pct", before=1.5, after=1.0)
        db.set_setting("changes_kept_days", 30)
    latest = changes(store)["changed_at"].max()
    assert latest is not None
    day = latest.date()  # type: ignore[union-attr]
    assert forget_old(store, today=day + timedelta(days=30))["changes"] == 0
    assert forget_old(store, today=day + timedelta(days=31))["changes"] > 0
    assert changes(store)["what"].to_list() == ["backup made"]
