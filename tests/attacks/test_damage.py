"""A damaged store is called so, what can be saved is, and a backup brings all of it back."""

import shutil
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest

from ingest.admin import back_up, back_up_today
from ingest.recordings import recordings_folder
from ingest.schema import UserError
from ingest.store import Store, diagnose
from tests.ingest import team


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("filled")
    return team.load(folder, team.write_team(folder / "tables"))[0].path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Store:
    return Store(shutil.copy(filled, tmp_path / "team.duckdb"))


def damage(store: Store, at: int, size: int = 64) -> None:
    data = bytearray(store.path.read_bytes())
    for n in range(at, min(at + size, len(data))):
        data[n] ^= 0xFF
    store.path.write_bytes(data)


def read_all(store: Store) -> None:
    with store.reading() as db:
        for name in ("meters", "bench", "claims", "changes", "accounts"):
            db.frame(name)


@pytest.mark.parametrize("part", [0.001, 0.3, 0.5, 0.7])
def test_damage_is_called_damage_wherever_it_is(store: Store, part: float) -> None:
    size = store.path.stat().st_size
    damage(store, int(size * part), size // 30)
    said = refusal(store)  # what nothing is read of may be damaged unseen
    assert said == "" or "doctor" in said or "not a Slopewatch store" in said


def refusal(store: Store) -> str:
    try:
        read_all(store)
    except UserError as error:
        return str(error)
    return ""


def test_a_sound_store_is_sound(store: Store) -> None:
    found = diagnose(store)
    assert found["sound"]
    assert {"rows_meters", "rows_bench"} <= {row["table"] for row in found["tables"]}


def test_what_can_be_read_is_saved_into_a_new_store(store: Store, tmp_path: Path) -> None:
    before = team.contents(store)
    again = Store(tmp_path / "saved.duckdb")
    assert diagnose(store, save_to=again.path)["saved_to"] == str(again.path)
    assert team.contents(again) == before
    with pytest.raises(UserError, match="there is a file already"):
        diagnose(store, save_to=again.path)


def test_of_a_damaged_store_the_rest_is_saved(store: Store, tmp_path: Path) -> None:
    original = store.path.read_bytes()
    size, saved, lost = len(original), 0, 0
    for number, part in enumerate((0.3, 0.6)):
        store.path.write_bytes(original)
        damage(store, int(size * part), size // 20)
        found = diagnose(store, save_to=tmp_path / f"saved-{number}.duckdb")
        lost += not found["sound"]
        saved += sum(row["rows"] for row in found["tables"])
        if found["tables"]:
            read_all(Store(tmp_path / f"saved-{number}.duckdb"))
    assert lost
    assert saved


KILLED = """
import duckdb, os, sys
line = duckdb.connect(sys.argv[1])
line.execute("SET wal_autocheckpoint = '1GB'; PRAGMA disable_checkpoint_on_shutdown")
line.execute("INSERT INTO setting_values VALUES ('time_zone', 'Europe/Oslo')")
os._exit(0)
"""


def test_a_log_that_is_left_over_beside_a_restored_backup_is_named(
    store: Store, tmp_path: Path
) -> None:
    before, copy = team.contents(store), store.backup(tmp_path / "copy.duckdb")
    with store.writing() as db:
        db.set_setting("tolerance_pct", "2")
    subprocess.run([sys.executable, "-c", KILLED, str(store.path)], check=True)
    shutil.copy(copy, store.path)
    with pytest.raises(UserError, match=r"\.wal left over beside a restored backup"):
        read_all(store)
    found = diagnose(store, save_to=tmp_path / "saved.duckdb")
    assert "move that file away" in found["problems"][0]
    assert team.contents(Store(tmp_path / "saved.duckdb")) == before


def test_a_backup_brings_back_rows_and_recordings(store: Store, tmp_path: Path) -> None:
    kept = recordings_folder(store)
    (kept / "files").mkdir(parents=True)
    (kept / "files" / "morning.fit").write_bytes(b"only here")
    before = team.contents(store)
    copy, beside = (
        back_up(store, tmp_path / "safe" / "team.duckdb")
        if ((tmp_path / "safe").mkdir() is None)
        else ()
    )
    shutil.rmtree(kept)
    store.path.unlink()
    shutil.copy(copy, store.path)
    shutil.copytree(beside, kept)
    assert team.contents(store) == before
    assert (kept / "files" / "morning.fit").read_bytes() == b"only here"


def test_a_backup_a_day_and_no_more_than_are_to_be_kept(store: Store, tmp_path: Path) -> None:
    folder, day = tmp_path / "safe", date(2026, 3, 10)
    (folder / "x").mkdir(parents=True)
    (folder / "team-notes.duckdb").write_text("not ours")
    recordings_folder(store).mkdir()
    made = [
        back_up_today(store, folder, keep=3, today=day + timedelta(days=n // 2)) for n in range(10)
    ]
    assert [copy is not None for copy in made] == [True, False] * 5
    names = sorted(path.name for path in folder.glob("team-2026*"))
    days = ["2026-03-12", "2026-03-13", "2026-03-14"]
    kinds = ("duckdb", "recordings")
    assert [n for n in names if n.endswith(kinds)] == [f"team-{d}.{k}" for d in days for k in kinds]
    assert (folder / "team-notes.duckdb").exists()
