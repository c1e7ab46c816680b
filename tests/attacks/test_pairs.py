"""A table of pairs opens no file but those beside it, uploaded or loaded; a hopeless pair waits."""

import os
from pathlib import Path

import pytest

from ingest.load import load_paths, load_uploads
from ingest.store import Store
from models.run.recordings import evaluate_pairs, take_in, take_in_uploads
from tests.ingest.recordings import rides

HEAD = "meter_file,reference_file,meter_id,reference_id,comparison_id\n"
RIDE = rides.fit_bytes(rides.ride(seconds=900))
OTHER = rides.fit_bytes(rides.ride(seconds=900, seed=2))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "team" / "team.duckdb")


@pytest.fixture(autouse=True)
def folders(tmp_path: Path) -> Path:
    """The team's folder, and beside it one with files that are none of its tables' business."""
    for name in ("team", "elsewhere"):
        (tmp_path / name).mkdir()
    (tmp_path / "elsewhere" / "secret.fit").write_bytes(RIDE)
    os.mkfifo(tmp_path / "elsewhere" / "pipe.fit")
    return tmp_path


def evaluated(store: Store) -> tuple[list[str], list[str]]:
    """What is said of pairs, and what was tried."""
    tried: list[str] = []
    return evaluate_pairs(store, say=tried.append), tried


@pytest.mark.parametrize(
    "file", ["/dev/zero", "{}/elsewhere/pipe.fit", "{}/elsewhere/secret.fit", "{}/elsewhere/no.fit"]
)
def test_an_uploaded_table_opens_no_file_of_the_machine(
    store: Store, tmp_path: Path, file: str
) -> None:
    path = file.format(tmp_path)
    load_uploads(store, [("pairs.csv", f"{HEAD}{path},ride.fit,M1,T1,C1\n".encode())])
    [notice] = take_in_uploads(store, [("ride.fit", RIDE)], say=lambda _text: None)
    name = Path(path).name
    assert notice == (
        f"pair {name}, ride.fit: there is no {name} beside the table that names it, nor was it "
        "loaded. Put it there, or load the recording itself."
    )


def test_uploaded_recordings_are_compared(store: Store) -> None:
    load_uploads(store, [("pairs.csv", f"{HEAD}ride.fit,other.fit,M1,T1,C1\n".encode())])
    notices = take_in_uploads(
        store, [("ride.fit", RIDE), ("other.fit", OTHER)], say=lambda _text: None
    )
    assert not [notice for notice in notices if notice.startswith("pair")]


def test_a_table_on_disk_opens_what_lies_beside_it_or_was_loaded(
    store: Store, tmp_path: Path
) -> None:
    secret = tmp_path / "elsewhere" / "secret.fit"
    (tmp_path / "team" / "below").mkdir()
    (tmp_path / "team" / "below" / "own.fit").write_bytes(OTHER)
    table = tmp_path / "team" / "pairs.csv"
    table.write_text(f"{HEAD}{secret},below/own.fit,M1,T1,C1\n")
    load_paths(store, [table])
    notices, tried = evaluated(store)
    assert "there is no secret.fit beside the table" in notices[0]
    assert len(tried) == 1
    assert evaluated(store) == ([], [])  # not tried again
    take_in(store, [secret], say=lambda _text: None)
    assert evaluated(store) == ([], ["comparing secret.fit with own.fit"])
    assert evaluated(store) == ([], [])


def test_a_link_to_elsewhere_is_no_file_beside_the_table(store: Store, tmp_path: Path) -> None:
    (tmp_path / "team" / "link.fit").symlink_to(tmp_path / "elsewhere" / "pipe.fit")
    table = tmp_path / "team" / "pairs.csv"
    table.write_text(f"{HEAD}link.fit,link.fit,M1,T1,C1\n")
    load_paths(store, [table])
    notices, _ = evaluated(store)
    assert "there is no link.fit beside the table" in notices[0]
