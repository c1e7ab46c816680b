"""A load that is killed: the store opens, holds whole files only, and a rerun completes."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ingest.load import load_paths
from ingest.store import Store
from tests.ingest import team

LOADER = """
import sys
from ingest.load import load_paths
from ingest.store import Store
load_paths(Store(sys.argv[1]), [sys.argv[2]], progress=lambda *said: print(*said, flush=True))
"""
SESSION = 40
SESSIONS = 12


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    team.write_csv(folder / "meters.csv", team.METERS)
    team.write_csv(folder / "mass_sets.csv", team.MASS_SETS)
    for s in range(SESSIONS):
        rows = [team.reading(f"S{s:02d}", n, torque_nm=30 + n / 10) for n in range(SESSION)]
        team.write_csv(folder / f"bench-{s:02d}.csv", rows)
    return folder


@pytest.mark.parametrize("seed", range(2))
def test_kill_in_the_middle(tmp_path: Path, tables: Path, seed: int) -> None:
    path = tmp_path / "team.duckdb"
    loader = subprocess.Popen(
        [sys.executable, "-c", LOADER, str(path), str(tables)], stdout=subprocess.PIPE, text=True
    )
    assert loader.stdout is not None
    for line in loader.stdout:
        if line.startswith(f"loading bench-{2 + 4 * seed:02d}"):
            break
    time.sleep(random.Random(seed).uniform(0, 0.05))
    loader.kill()
    loader.wait()
    loader.stdout.close()
    store = Store(path)
    with store.reading() as db:
        sizes = db.frame("bench")["session_id"].value_counts()["count"].to_list()
        log = db.frame("imports")["import_id"].n_unique()
    assert sizes, "the load was killed before its first bench file"
    assert set(sizes) == {SESSION}
    assert len(sizes) < SESSIONS, "the load was through before it was killed"
    assert log == len(sizes) + 2
    report = load_paths(store, [tables])
    assert report.clean
    assert report.rows_loaded == SESSION * (SESSIONS - len(sizes))
    assert team.live(store, "bench").height == SESSION * SESSIONS
    assert list(tmp_path.glob("*.tmp")) == []
