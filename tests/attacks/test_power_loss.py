"""When the power goes, files are as they were before or as they are meant to be, never between."""

import os
import shutil
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from ingest.admin import back_up_today, make_certificate, remove_rider, signing_keys
from ingest.admin.unfinished import begun_removals, note_begun
from ingest.recordings import keep_uploads, recordings_folder, stored_summaries
from ingest.recordings.shards import remove_recordings, write_shard
from ingest.recordings.summaries import SUMMARY_SCHEMA
from ingest.store import Store
from tests.attacks.power import Disk, PowerCutError
from tests.ingest import team

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks up open files as Linux does")
RIDER = team.RIDERS[0]["rider_id"]
DAY = date(2026, 3, 14)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with an upload, a shard and a backup of yesterday beside it."""
    folder = tmp_path_factory.mktemp("filled")
    store, _ = team.load(folder, team.write_team(folder / "tables"))
    keep_uploads(store, [("ride.fit", b"before")])
    write_shard([row("one"), row("two")], recordings_folder(store))
    signing_keys(store)
    back_up_today(store, folder / "safe", keep=1, today=DAY.replace(day=13))
    return folder


def row(name: str) -> dict[str, object]:
    values: dict[str, object] = dict.fromkeys(SUMMARY_SCHEMA)
    return values | {"sha256": name, "path": name, "name": name, "status": "ok"}


def again(store: Store) -> None:
    keep_uploads(store, [("ride.fit", b"after")])


def one_less(store: Store) -> None:
    remove_recordings(recordings_folder(store), {"one"})


def backup(store: Store) -> None:
    back_up_today(store, store.path.parent / "safe", keep=1, today=DAY)


def removal(store: Store) -> None:
    remove_rider(store, RIDER)


def newest_backup(folder: Path) -> Store:
    return Store(sorted((folder / "safe").glob("*.duckdb"))[-1])


def told(folder: Path) -> dict[str, object]:
    """Return what can be read in a folder: it raises where anything is half there."""
    store, saved = Store(folder / "team.duckdb"), newest_backup(folder)
    found: dict[str, object] = {}
    for name, one in (("store", store), ("backup", saved)):
        with one.reading() as db:
            found[name] = db.frame("riders")["rider_id"].to_list()
        kept = recordings_folder(one)
        found[f"{name}'s samples"] = sorted(stored_summaries(kept)["sha256"])
        found[f"{name}'s uploads"] = [p.read_bytes() for p in kept.rglob("ride.fit")]
    return found | {"day": saved.path.stem[-10:], "keys": len(signing_keys(store))}


@pytest.mark.parametrize(("change", "step"), [(again, 1), (one_less, 1), (backup, 2), (removal, 5)])
@pytest.mark.parametrize("names", [True, False], ids=["names kept", "names lost"])
def test_what_is_done_stays_and_what_is_not_is_as_before(
    filled: Path, tmp_path: Path, change: Callable[[Store], None], step: int, names: bool
) -> None:
    before = told(filled)
    after: dict[str, object] = {}
    for cut_at in (None, *range(1, 60, step)):
        folder = tmp_path / str(cut_at)
        shutil.copytree(filled, folder)
        with pytest.MonkeyPatch.context() as patch:
            disk = Disk(folder, patch, cut_at)
            try:
                change(Store(folder / "team.duckdb"))
                done = True
            except PowerCutError:
                done = False
            disk.lose(names=names)
        found = told(folder)
        if cut_at is None:
            after = found
            assert after != before
        assert found == after if done else found in (before, after), f"at event {cut_at}"
        if done and cut_at is not None:
            return
    pytest.fail("more syncs than were looked at")


def test_a_removal_is_noted_until_its_files_are_gone_for_good(filled: Path, tmp_path: Path) -> None:
    """Were the note gone first, a file that comes back would be nobody's any more."""
    folder = tmp_path / "team"
    shutil.copytree(filled, folder)
    store = Store(folder / "team.duckdb")
    gone = recordings_folder(store) / "files" / "uploads"
    with pytest.MonkeyPatch.context() as patch:
        disk = Disk(folder, patch)
        remove_rider(store, RIDER)
        disk.lose(names=False)
    assert begun_removals(store) == []
    assert gone.parent.parent.is_dir()


def test_a_note_and_a_key_are_whole(filled: Path, tmp_path: Path) -> None:
    folder = tmp_path / "team"
    shutil.copytree(filled, folder)
    store = Store(folder / "team.duckdb")
    with pytest.MonkeyPatch.context() as patch:
        disk = Disk(folder, patch)
        note_begun(store, RIDER, pl.DataFrame(schema={"comparison_id": pl.String}))
        made = make_certificate(["team.local"], folder / "certificate", now=datetime.now(UTC))
        disk.lose(names=True)
    assert [one["rider_id"] for one in begun_removals(store)] == [RIDER]
    assert all(file.stat().st_size for file in made)


def test_the_disk_loses_what_was_not_synced(tmp_path: Path) -> None:
    (tmp_path / "old").write_bytes(b"old")
    with pytest.MonkeyPatch.context() as patch:
        disk = Disk(tmp_path, patch)
        (tmp_path / "new").write_bytes(b"new")
        os.replace(tmp_path / "new", tmp_path / "old")
        disk.lose(names=True)
        assert (tmp_path / "old").read_bytes() == b""
    with pytest.MonkeyPatch.context() as patch:
        (tmp_path / "old").write_bytes(b"old")
        disk = Disk(tmp_path, patch)
        (tmp_path / "new").write_bytes(b"new")
        os.replace(tmp_path / "new", tmp_path / "old")
        disk.lose(names=False)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {"old": b"old"}
