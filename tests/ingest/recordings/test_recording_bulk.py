"""Folders of recordings: shared out, kept as shards, resumed after a kill, nothing read twice."""

import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import nullcontext
from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from pebble import ProcessExpired

from ingest.readers import apart, read_recording
from ingest.recordings import bulk, read_folder, shards, stored_summaries
from ingest.recordings.summaries import SUMMARY_SCHEMA, ride_numbers
from tests.ingest.recordings import rides

ROOT = Path(__file__).parents[3]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Twenty rides, one copied, one cut, a table, a note and a file that is no recording."""
    inside = tmp_path / "rides" / "march"
    inside.mkdir(parents=True)
    for number in range(20):
        start = rides.START + timedelta(hours=number)
        data = rides.fit_bytes(rides.ride(seconds=60, seed=number, start=start))
        (inside / f"{number:02d}.fit").write_bytes(data)
    (inside / "copy.fit").write_bytes((inside / "03.fit").read_bytes())
    (inside / "cut.FIT").write_bytes((inside / "04.fit").read_bytes()[:800])
    (inside / "seconds.csv").write_bytes(rides.csv_bytes(rides.ride(seconds=40), dated=False))
    (inside / "pairs.csv").write_text("meter_file,reference_file,meter_id,reference_id\n")
    (inside / "note.txt").write_text("nothing")
    (inside / "broken.fit").write_bytes(b"\x00\x01nothing of a recording")
    return tmp_path / "rides"


class _Counting(ThreadPoolExecutor):
    """A given executor that counts its tasks; threads, so that nothing has to be started."""

    def __init__(self) -> None:
        super().__init__(1)
        self.files: list[str] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> "Future[Any]":
        self.files += [path for path, _ in args[0]]
        return super().submit(fn, *args, **more)


def test_a_folder_is_read_with_any_executor_and_every_file_accounted_for(
    folder: Path, tmp_path: Path
) -> None:
    seen = []
    with _Counting() as pool:
        found = read_folder(
            [folder],
            into=tmp_path / "s",
            executor=pool,
            progress=lambda done, total: seen.append((done, total)),
        )
        assert len(pool.files) == 23
        pool.submit(list, [])  # it is left open
    assert dict(found.schema) == SUMMARY_SCHEMA
    counts = dict(found["status"].value_counts().rows())
    assert counts == {"read": 22, "repeated": 1, "unreadable": 1}
    assert seen[-1] == (23, 23)
    assert [done for done, _ in seen] == sorted({done for done, _ in seen})
    named = {row["name"]: row for row in found.iter_rows(named=True)}
    assert "cut short" in named["cut.FIT"]["partial"]
    assert "expected a recording as FIT" in named["broken.fit"]["error"]
    assert named["seconds.csv"]["started_at"] is None
    assert named["copy.fit"]["samples"] == 60
    assert named["00.fit"]["bytes"] == (folder / "march" / "00.fit").stat().st_size


def test_what_is_kept_comes_back_as_it_was_read(folder: Path, tmp_path: Path) -> None:
    with _Counting() as pool:
        found = read_folder([folder], into=tmp_path / "s", executor=pool)
    for row in found.filter(pl.col("status") == "read").iter_rows(named=True):
        again = read_recording(Path(row["path"]))
        assert row["sha256"] == again.sha256
        assert rides.kept_samples(tmp_path / "s", row["sha256"]).equals(again.frame)
        assert row["energy_kj"] == ride_numbers(again)["energy_kj"]


def test_a_second_call_reads_nothing_and_knows_everything(folder: Path, tmp_path: Path) -> None:
    with _Counting() as pool:
        first = read_folder([folder], into=tmp_path / "s", executor=pool)
    with _Counting() as pool:
        second = read_folder([folder], into=tmp_path / "s", executor=pool)
        assert pool.files == []
    assert set(second["status"]) == {"known", "unreadable"}
    same = ["path", "sha256", "energy_kj", "partial", "error", "devices", "trace_w"]
    once = first.filter(pl.col("status") != "repeated").select(same)
    assert second.filter(pl.col("name") != "copy.fit").select(same).equals(once)
    (folder / "march" / "00.fit").rename(folder / "moved.fit")
    third = read_folder([folder], into=tmp_path / "s")
    moved = third.filter(pl.col("name") == "moved.fit")
    assert moved["status"].to_list() == ["known"]
    assert moved["samples"].to_list() == [60]


def test_contents_that_the_store_knows_are_not_read(folder: Path, tmp_path: Path) -> None:
    known = {read_recording(folder / "march" / f"{n:02d}.fit").sha256 for n in range(20)}
    with _Counting() as pool:
        found = read_folder([folder], into=tmp_path / "s", known_hashes=known, executor=pool)
        assert {Path(path).name for path in pool.files} == {"cut.FIT", "seconds.csv", "broken.fit"}
    assert found.filter(pl.col("status") == "known").height == 21


class _Stopping(ThreadPoolExecutor):
    """Runs the first tasks, then the user interrupts."""

    def __init__(self, after: int) -> None:
        super().__init__(1)
        self.left = after

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> "Future[Any]":
        future: Future[Any] = Future()
        if self.left <= 0:
            raise KeyboardInterrupt
        self.left -= 1
        future.set_result(fn(*args, **more))
        return future


def test_an_interrupted_call_is_completed_by_calling_again(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        read_folder([folder], into=tmp_path / "s", executor=_Stopping(after=3))
    before = stored_summaries(tmp_path / "s")
    assert 0 < before.height < 23
    with _Counting() as pool:
        found = read_folder([folder], into=tmp_path / "s", executor=pool)
        assert len(pool.files) == 23 - before.height
    assert found.filter(pl.col("samples") > 0).height == 23
    assert stored_summaries(tmp_path / "s").height == 23


_KILLED = """
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from ingest.recordings.bulk import read_folder
say = lambda done, total: print(done, flush=True)
read_folder([sys.argv[1]], into=Path(sys.argv[2]), executor=ThreadPoolExecutor(1), progress=say)
"""


def test_a_killed_process_leaves_whole_shards_only(folder: Path, tmp_path: Path) -> None:
    into = tmp_path / "s"
    command = [sys.executable, "-c", _KILLED, str(folder), str(into)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.kill()
    kept = stored_summaries(into).height
    assert kept > 0
    found = read_folder([folder], into=into)
    assert found.filter(pl.col("samples") > 0).height == 23
    assert stored_summaries(into).height == 23


def test_half_written_shards_are_not_seen_and_old_ones_swept(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    into = tmp_path / "s"
    into.mkdir()
    (into / ".part-old-1").write_bytes(b"half")
    read_folder([folder], into=into, executor=_Stopping(after=99))
    assert (into / ".part-old-1").exists()  # another call may still be at it
    monkeypatch.setattr(shards, "UNFINISHED_S", -1.0)
    read_folder([folder], into=into)
    assert not (into / ".part-old-1").exists()


class _Dying(Executor):
    """A pool whose process dies on tasks that hold a certain file."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> "Future[Any]":
        future: Future[Any] = Future()
        if any(path.endswith("05.fit") for path, _ in args[0]):
            future.set_exception(ProcessExpired("died"))
        else:
            future.set_result(fn(*args, **more))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None: ...


def test_a_file_that_kills_its_process_takes_no_other_with_it(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bulk, "several", lambda: nullcontext(_Dying()))
    monkeypatch.setattr(apart, "one", _Dying)
    found = read_folder([folder], into=tmp_path / "s")
    bad = found.filter(pl.col("name") == "05.fit")
    assert bad["status"].to_list() == ["unreadable"]
    assert "05.fit: asks for too much: it takes more than 1 GB of memory" in bad["error"][0]
    assert found.filter(pl.col("status") == "read").height == 21


def test_local_processes_do_the_same(folder: Path, tmp_path: Path) -> None:
    found = read_folder([folder], into=tmp_path / "s")
    assert found.filter(pl.col("status") == "read").height == 22


def test_a_folder_that_cannot_be_there_is_said(tmp_path: Path) -> None:
    found = read_folder([tmp_path / "gone.fit"], into=tmp_path / "s")
    assert found["status"].to_list() == ["unreadable"]
    assert "cannot be opened" in found["error"][0]


def test_nothing_gives_an_empty_summary(tmp_path: Path) -> None:
    assert read_folder([tmp_path], into=tmp_path / "s").is_empty()
