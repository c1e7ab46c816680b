"""`check` and `digest` on a team that has everything: exit codes, and whose data are shown."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from dashboard import security
from dashboard.cli import telling
from dashboard.cli.command_line import main
from ingest.schema import UserError
from ingest.store import Store
from models import run
from models.run import COACH, Fleet
from tests.dashboard.documents import answered_type, departures
from tests.dashboard.whole_team import NARROW, TODAY

SINCE = TODAY - timedelta(days=30)


@pytest.fixture(scope="module")
def store(whole_store: Path) -> Store:
    return Store(whole_store)


@pytest.fixture(scope="module")
def fleet(store: Store) -> Fleet:
    """The team as the commands below are all asked of it: what it has worked out, it keeps."""
    return Fleet(store)


@pytest.fixture
def shared(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> Fleet:
    monkeypatch.setattr(telling, "fleet_of", lambda _args: fleet)
    return fleet


def output(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str]:
    code = main([*map(str, words)])
    return code, capsys.readouterr().out


def test_check_fails_on_what_it_was_told_to(whole_store, capsys):
    code, said = output(capsys, "check", "--fail-on", "out", "--store", whole_store)
    assert code == 1
    assert [line.split()[:2] for line in said.splitlines()] == [["out", NARROW]]
    words = ("--fail-on", "out", "--fail-on", "due", "--format", "json", "--store", whole_store)
    code, said = output(capsys, "check", *words)
    assert {row["concern"] for row in json.loads(said)["found"]} <= {"out", "due"}


def test_check_passes_where_nothing_is_so(whole_store, capsys, monkeypatch):
    found: Any = {"as_of": TODAY, "found": [], "fit": {"stale": False, "converged": True}}
    monkeypatch.setattr(run, "concerns", lambda _fleet, _asked: found)
    assert output(capsys, "check", "--fail-on", "alarm", "--store", whole_store) == (0, "")


def test_check_cannot_say_of_no_store(tmp_path, capsys):
    code, said = output(capsys, "check", "--fail-on", "out", "--store", tmp_path / "no.duckdb")
    assert (code, said) == (2, "")


def test_digest_is_one_screen_for_whoever_is_here(whole_store, shared, capsys):
    code, said = output(capsys, "digest", "--since", SINCE, "--store", whole_store)
    assert code == 0
    assert re.search(r"suggest (1 event|2 events)\s+that\s+nobody\s+wrote\s+down", said)
    assert len(said.splitlines()) <= 60
    assert [*departures(run.digest(shared, SINCE), answered_type(run.digest))] == []


def test_a_coach_is_told_of_the_own_riders_alone(store, shared, capsys):
    with store.reading() as db:
        riders = db.frame("riders").select("rider_id", "coach").rows()
    coach = next(coach for _, coach in riders if coach)
    mine = security.audience(store, coach, today=TODAY)
    assert mine.person.role == COACH
    assert mine.scope is not None
    told = run.digest(shared, SINCE)
    assert {row["meter_id"] for row in told["meters"]} - mine.scope.meters
    code, said = output(
        capsys, "digest", "--for", coach, "--format", "json", "--since", SINCE, "--store",
        store.path,
    )  # fmt: skip
    document = json.loads(said)
    assert (code, document["intake"]) == (0, None)
    assert {row["meter_id"] for row in document["meters"]} <= mine.scope.meters
    for other in mine.scope.others:
        assert f'"{other}"' not in said


def test_a_rider_is_told_of_the_own_meters(store):
    one = security.audience(store, "Ada", today=TODAY)
    assert one.scope is not None
    assert one.scope.riders == {"Ada"}
    assert not one.may(run.intake_news)


def test_nobody_else_can_be_named(store):
    with pytest.raises(UserError, match="or one coach by name"):
        security.audience(store, "Nobody", today=TODAY)


def test_a_digest_looks_back(whole_store, capsys):
    assert output(capsys, "digest", "--since", TODAY, "--store", whole_store)[0] == 2
