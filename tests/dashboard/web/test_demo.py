"""Into the demo and out of it: a process of its own that never hears of the team's store."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboard.security import rights
from dashboard.web import demo
from dashboard.web.app import create_app
from dashboard.web.demo_process import tell
from ingest.schema import UserError
from models.run import COACH, MANAGER, MECHANIC, OWNER, Person
from tests.dashboard.fake import FakeData

ADDRESS = "http://127.0.0.1:9/"
FAILS = demo.Entered(address=None, said="the disk is full")
WAITS = (demo.Entered(address=None, said="building"), demo.Entered(address=ADDRESS, said="served"))


@pytest.fixture
def beside(tmp_path: Path) -> Iterator[demo.Demo]:
    made = demo.Demo(tmp_path / "team.duckdb")
    yield made
    if made._process is not None and made._process.stdin is not None:
        made._process.stdin.close()
        made._listener.join(10)


def _runs(monkeypatch: pytest.MonkeyPatch, *told: demo.Entered, then: str) -> None:
    script = "".join(f"print({json.dumps(line)!r}); " for line in told) + then
    monkeypatch.setattr(demo, "_command", lambda *_: [sys.executable, "-u", "-c", script])


def _entered(beside: demo.Demo) -> demo.Entered:
    for _ in range(500):
        told = beside.enter("http://127.0.0.1:1/")
        if told["address"]:
            return told
        time.sleep(0.02)
    raise AssertionError("it is never served")


def test_the_demos_process_is_given_its_own_store_alone(beside: demo.Demo) -> None:
    assert beside.store.name == "team.demo.duckdb"
    given = demo._command(beside.store, "http://127.0.0.1:1/")
    assert str(beside.store.with_name("team.duckdb")) not in given


def test_one_demo_is_served_until_it_is_left_and_another_after(
    beside: demo.Demo, monkeypatch: pytest.MonkeyPatch
) -> None:
    _runs(monkeypatch, *WAITS, then="open(0).read()")
    assert _entered(beside)["address"] == ADDRESS
    first: Any = beside._process
    assert _entered(beside)["address"] == "http://127.0.0.1:9/"
    assert beside._process is first
    first.stdin.close()  # as when this process ends
    assert first.wait(10) == 0
    _entered(beside)
    assert beside._process is not first


def test_a_demo_that_cannot_be_served_says_why(
    beside: demo.Demo, monkeypatch: pytest.MonkeyPatch
) -> None:
    _runs(monkeypatch, FAILS, then="raise SystemExit(2)")
    beside.enter("http://127.0.0.1:1/")
    ended: Any = beside._process
    assert ended.wait(10) == 2
    beside._listener.join(10)
    with pytest.raises(UserError, match="the disk is full"):
        beside.enter("http://127.0.0.1:1/")


def test_the_demos_process_tells_each_line_as_data(capsys: pytest.CaptureFixture[str]) -> None:
    tell("building")
    tell("served", ADDRESS)
    assert [json.loads(line) for line in capsys.readouterr().out.splitlines()] == list(WAITS)


def test_owners_enter_and_only_on_the_machine_itself(beside: demo.Demo) -> None:
    for role, may in ((OWNER, True), (MECHANIC, False), (COACH, False), (MANAGER, False)):
        assert rights.may_fetch(Person("Ada", role), demo.ENTER) is may
    app = create_app(FakeData(1), hosts=["bench.team.example"], demo=beside)
    answer = app.server.test_client().post(demo.ENTER, headers={"Host": "bench.team.example"})
    assert (answer.status_code, answer.text) == (409, demo.ELSEWHERE)
    assert beside._process is None


def test_the_way_back_stands_over_every_page_and_ends_the_demo(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(demo, "ANSWERED_S", 0.01)
    told: list[str | None] = []
    back = demo.WayBack("http://127.0.0.1:1/", served=told.append)
    app = create_app(FakeData(1), demo=back)
    client = app.server.test_client()
    layout = repr(client.get("/_dash-layout").json)
    assert "demo-leave" in layout
    assert "'data-back': 'http://127.0.0.1:1/'" in layout
    assert client.post(demo.LEAVE).status_code == 200
    assert told == [None]  # so that its address is given to nobody while it is ending
    assert back.left.wait(10)
    team = create_app(FakeData(1)).server.test_client()
    assert "demo-leave" not in team.get("/_dash-layout").text
    assert team.post(demo.LEAVE).status_code != 200
