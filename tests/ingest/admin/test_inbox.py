"""Which files in a folder are whole, and where they go afterwards."""

from __future__ import annotations

import gzip
import io
import os
import zipfile
from pathlib import Path

import polars as pl
import pytest

from ingest.admin import Inbox
from ingest.admin.inbox import GIVEN_UP_S, is_cut_short
from ingest.schema import UserError


def packed() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        book.writestr("sheet.xml", "x" * 500)
    return out.getvalue()


def parquet() -> bytes:
    out = io.BytesIO()
    pl.DataFrame({"meter_id": ["K1"]}).write_parquet(out)
    return out.getvalue()


HEAD = bytes([14, 32, 0, 0]) + (100).to_bytes(4, "little") + b".FIT" + bytes(2)
WHOLE = {
    "ride.fit": HEAD + bytes(102),
    "ride.tcx": b"<TrainingCenterDatabase>" + b" " * 300 + b"</TrainingCenterDatabase>\n",
    "ride.fit.gz": gzip.compress(os.urandom(5000)),
    "bench.xlsx": packed(),
    "bench.parquet": parquet(),
}


@pytest.mark.parametrize("name", WHOLE)
def test_a_format_that_tells_its_end_shows_what_is_cut_short(tmp_path: Path, name: str) -> None:
    file = tmp_path / name
    file.write_bytes(WHOLE[name])
    assert not is_cut_short(file)
    for kept in (0, 1, 11, len(WHOLE[name]) // 2, len(WHOLE[name]) - 2):
        file.write_bytes(WHOLE[name][:kept])
        assert is_cut_short(file), kept


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def inbox(tmp_path: Path, clock: Clock) -> Inbox:
    return Inbox(tmp_path, settled_s=3, clock=clock)


def test_a_file_is_whole_once_it_has_stayed_as_it_is(inbox: Inbox, clock: Clock) -> None:
    file = inbox.folder / "bench.csv"
    file.write_text("a,b\n")
    assert inbox.whole() == []
    clock.now = 2
    file.write_text("a,b\n1")
    assert inbox.whole() == []
    clock.now = 4
    assert inbox.whole() == []
    clock.now = 5
    assert inbox.whole() == [file]


def test_what_is_cut_short_is_waited_for_but_not_for_ever(inbox: Inbox, clock: Clock) -> None:
    file = inbox.folder / "ride.fit"
    file.write_bytes(WHOLE["ride.fit"][:50])
    inbox.whole()
    clock.now = GIVEN_UP_S - 1
    assert inbox.whole() == []
    clock.now = GIVEN_UP_S
    assert inbox.whole() == [file]


def test_what_is_hidden_or_unfinished_or_was_taken_is_left_alone(
    inbox: Inbox, clock: Clock
) -> None:
    for name in (".a.csv", "~$b.xlsx", "c.csv.part", "done/d.csv", "aside/e.csv", ".sync/f.csv"):
        (inbox.folder / name).parent.mkdir(exist_ok=True)
        (inbox.folder / name).write_text("a,b\n")
    below = inbox.folder / "unit-1" / "done" / "ride.csv"
    below.parent.mkdir(parents=True)
    below.write_text("a,b\n")
    inbox.whole()
    clock.now = 3
    assert inbox.whole() == [below]
    assert inbox.name_of(below) == "unit-1-done-ride.csv"


def test_files_of_one_name_stay_apart_with_their_notes(inbox: Inbox) -> None:
    for text in ("first", "second"):
        (inbox.folder / "bench.csv").write_text(text)
        inbox.put(inbox.folder / "bench.csv", "done", f"note of {text}")
    done = inbox.folder / "done"
    assert {file.name: file.read_text().strip() for file in done.iterdir()} == {
        "bench.csv": "first",
        "bench.csv.note.txt": "note of first",
        "2-bench.csv": "second",
        "2-bench.csv.note.txt": "note of second",
    }


def test_a_folder_is_watched_once(inbox: Inbox) -> None:
    inbox.open()
    with pytest.raises(UserError, match="watched already"):
        Inbox(inbox.folder).open()
    inbox.close()
    Inbox(inbox.folder).open()
    with pytest.raises(UserError, match="no such folder"):
        Inbox(inbox.folder / "none").open()
