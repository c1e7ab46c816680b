"""Questions that say which tables they read: what is kept of them holds until one is written to."""

from __future__ import annotations

import re
from typing import Any

import pytest

from ingest.store import Database
from models import run
from models.run import Fleet, declared
from tests.dashboard.people import make_store

ASKED: dict[str, tuple[str, ...]] = {
    "bench_sessions": ("K1",),
    "comparisons": ("K1",),
    "whereabouts": ("K1",),
    "opened_session": ("S-1",),
}
# What a question reads besides, which is written only together with what it says.
WITH_IT: dict[str, set[str]] = {
    "set_aside": {"imports"},  # of the file that a row stood in
    "comparisons": {"claims", "imports"},  # of pairs
    "rows_of_meters": {"claims"},  # of sessions
    "opened_session": {"claims", "imports", "changes"},  # of sessions; a correction of one
}
SAYING = sorted(
    name
    for name in run.__all__
    if (about := declared(getattr(run, name))) is not None and about.reads is not None
)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return Fleet.at(make_store(tmp_path_factory.mktemp("team")))


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """The tables that statements name while the test runs."""
    named: set[str] = set()
    for way in ("_run", "_select"):
        run_it = getattr(Database, way)

        def noting(db: Database, sql: str, params: Any = None, run_it: Any = run_it) -> Any:
            tables = {*re.findall(r'\b(?:FROM|JOIN)\s+"?(\w+)', sql)}
            tables -= {*re.findall(r"\bWITH\s+(\w+)", sql)}
            named.update(name.removeprefix("rows_") for name in tables)
            return run_it(db, sql, params)

        monkeypatch.setattr(Database, way, noting)
    return named


@pytest.mark.parametrize("name", SAYING)
def test_a_question_reads_no_other_tables_than_it_says(
    fleet: Fleet, read: set[str], name: str
) -> None:
    question = getattr(run, name)
    about = declared(question)
    assert about is not None
    assert about.reads is not None
    question(fleet, *ASKED.get(name, ()))
    assert read - {"meta", "duckdb_tables"}, "nothing was read: the test sees nothing"
    assert read - {"meta", "duckdb_tables"} - WITH_IT.get(name, set()) <= {*about.reads}
