"""An interrupted removal can be finished, and no file is left that others can read."""

import json
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
import pytest

from ingest.admin import back_up, remove_rider, riders
from ingest.recordings import keep_uploads, recordings_folder, write_traces
from ingest.store import Store
from tests.ingest import team

SECRET = "Aunt-Wilhelmina-7"
ROOT = Path(__file__).parents[2]


class PowerCutError(BaseException):
    """What no code can catch by accident."""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("filled")
    tables = {
        "riders": [*team.RIDERS, {"rider_id": SECRET, "from_date": "2024-01-01"}],
        "assignments": [
            {"meter_id": "M1", "from_date": "2024-01-10", "rider_id": SECRET, "role": "race"}
        ],
    }
    store, _ = team.load(folder, team.write_team(folder / "tables", tables))
    return store.path


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Store:
    (tmp_path / "team.duckdb").write_bytes(filled.read_bytes())
    (tmp_path / "team.duckdb").chmod(0o600)
    return Store(tmp_path / "team.duckdb")


def names_left(store: Store) -> list[str]:
    files = [file for file in store.path.parent.rglob("*") if file.is_file()]
    return [file.name for file in files if SECRET.encode() in file.read_bytes()]


def cut(monkeypatch: pytest.MonkeyPatch, what: object, name: str) -> None:
    def end(*_given: object, **_more: object) -> None:
        raise PowerCutError

    monkeypatch.setattr(what, name, end)


@pytest.mark.parametrize(
    ("what", "name"),
    [
        (riders, "note_begun"),
        (Store, "compact"),
        (riders, "remove_pair_files"),
        (riders, "note_finished"),
    ],
)
def test_an_interrupted_removal_is_finished(
    store: Store, monkeypatch: pytest.MonkeyPatch, what: object, name: str
) -> None:
    with monkeypatch.context() as patch:
        cut(patch, what, name)
        with pytest.raises(PowerCutError):
            remove_rider(store, SECRET)
    report = remove_rider(store, SECRET)
    assert report["tables_naming"] == []
    assert names_left(store) == []
    with pytest.raises(riders.UnknownRiderError):
        remove_rider(store, SECRET)
    assert names_left(store) == []


LIMITED = """
import resource, sys
from ingest.admin import remove_rider
from ingest.schema import UserError
from ingest.store import Store
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), int(sys.argv[3])))
try:
    remove_rider(Store(sys.argv[1]), sys.argv[2])
except (UserError, OSError) as error:
    print(str(error).splitlines()[0])
    sys.exit(2)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the size of files is limited by the system")
def test_where_no_larger_file_can_be_written_a_removal_is_finished_later(store: Store) -> None:
    size = store.path.stat().st_size
    command = [sys.executable, "-c", LIMITED, str(store.path), SECRET, str(size // 2)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert remove_rider(store, SECRET)["tables_naming"] == []
    assert names_left(store) == []
    assert sorted(f.name for f in store.path.parent.glob("*.tmp*")) == []


def test_through_a_link_the_store_itself_is_rewritten(store: Store, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    link = tmp_path / "other" / "link.duckdb"
    link.symlink_to(store.path)
    remove_rider(Store(link), SECRET)
    assert link.is_symlink()
    assert names_left(store) == []


@pytest.mark.skipif(os.name != "posix", reason="files have no modes here")
def test_store_and_backup_are_for_the_owner_alone(store: Store, tmp_path: Path) -> None:
    fresh = Store(tmp_path / "fresh.duckdb")
    with fresh.writing() as db:
        db.set_setting("tolerance_pct", "2")
    old = Store(tmp_path / "old.duckdb")
    old.path.write_bytes(store.path.read_bytes())
    old.path.chmod(0o644)
    remove_rider(store, SECRET)
    with old.writing():
        pass
    paths = [fresh.path, store.path, old.path, store.backup(tmp_path / "copy.duckdb")]
    assert [oct(stat.S_IMODE(path.stat().st_mode)) for path in paths] == ["0o600"] * 4
    store.path.chmod(0o660)  # a group that serves it together
    store.compact()
    shared = [store.path, store.backup(tmp_path / "shared.duckdb")]
    assert [oct(stat.S_IMODE(path.stat().st_mode)) for path in shared] == ["0o660"] * 2


@pytest.mark.skipif(os.name != "posix", reason="files have no modes here")
def test_recordings_are_for_whom_the_store_is(store: Store, tmp_path: Path) -> None:
    folder = recordings_folder(store)
    folder.mkdir(mode=0o755)  # as it was made before
    keep_uploads(store, [("ride.fit", b"one")])
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    copy = back_up(store, tmp_path / "copy.duckdb")[1]
    assert stat.S_IMODE(copy.stat().st_mode) == 0o700
    shutil.rmtree(folder)
    store.path.chmod(0o660)
    write_traces(store, "C1", pl.DataFrame({"watts": [200.0]}))
    assert stat.S_IMODE(folder.stat().st_mode) & 0o777 == 0o770


def test_what_was_begun_is_for_the_owner_alone(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    cut(monkeypatch, Store, "compact")
    with pytest.raises(PowerCutError):
        remove_rider(store, SECRET)
    note = store.path.with_name("team.duckdb.removing")
    assert stat.S_IMODE(note.stat().st_mode) == 0o600
    assert [one["rider_id"] for one in json.loads(note.read_text())] == [SECRET]


AS_SOMEBODY = """
import os, sys
from pathlib import Path
from tempfile import TemporaryDirectory
from ingest.schema import UserError
from ingest.store import Store

def write(store):
    with store.writing() as db:
        db.set_setting("tolerance_pct", "2")

with TemporaryDirectory() as folder:  # loads all that is needed while it can be read
    write(Store(Path(folder) / "s.duckdb"))
os.setgroups([4321])
os.setgid(4321)
os.setuid(4322)
try:
    write(Store(sys.argv[1], timeout_s=5))
    print("written")
except UserError as error:
    print(error)
"""


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs two users")
@pytest.mark.parametrize(("shared", "said"), [(True, "written"), (False, "may not be written")])
def test_a_second_user_shares_a_store_by_group_or_is_told_why_not(
    store: Store, shared: bool, said: str
) -> None:
    with TemporaryDirectory() as folder:
        common = Store(Path(folder) / "team.duckdb")
        common.path.write_bytes(store.path.read_bytes())
        common.path.chmod(0o660 if shared else 0o600)
        for path in (folder, common.path):
            os.chown(path, 0, 4321)
        Path(folder).chmod(0o2770)
        with common.writing() as db:
            db.set_setting("tolerance_pct", "1")
        command = [sys.executable, "-c", AS_SOMEBODY, str(common.path)]
        done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
        assert said in done.stdout, done.stdout + done.stderr
