"""Work that is handed to a cluster, with a client that does it in threads."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future, ThreadPoolExecutor
from pathlib import Path
from types import ModuleType, TracebackType
from typing import Any

import pytest

from dashboard.cli.command_line import main
from ingest.readers.workers import WorkersError, workers_at
from ingest.schema import UserError


class KilledWorker(Exception):  # noqa: N818 (as the library calls it)
    """What the library raises for work whose workers were lost."""


class FakeClient:
    """As much of a client as is used."""

    asked: list[dict[str, object]] = []  # noqa: RUF012 (of all clients of a test)

    def __init__(self, address: str | None = None, **options: object) -> None:
        if address == "tcp://nobody:1":
            raise OSError("timed out")
        self.asked.append(options)

    def __enter__(self) -> FakeClient:
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        return None

    threads = ThreadPoolExecutor(2)

    def nthreads(self) -> dict[str, int]:
        return {"tcp://127.0.0.1:1": 1, "tcp://127.0.0.1:2": 1}

    def submit(self, work: Callable[..., Any], *args: object, pure: bool) -> Future[Any]:
        assert not pure  # a question asked twice is answered twice
        return self.threads.submit(work, *args)


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> type[FakeClient]:
    fake = ModuleType("distributed")
    fake.Client = FakeClient  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "distributed", fake)
    monkeypatch.setattr(FakeClient, "asked", [])
    return FakeClient


def lose(_: int) -> int:
    raise KilledWorker("after three workers")


def test_work_comes_back_in_its_order_and_so_do_its_errors(library: type[FakeClient]) -> None:
    with workers_at("local:3") as workers:
        assert list(workers.map(str, range(5))) == ["0", "1", "2", "3", "4"]
        with pytest.raises(ZeroDivisionError):
            workers.submit(divmod, 1, 0).result()
    assert library.asked[0]["n_workers"] == 3
    assert library.asked[0]["threads_per_worker"] == 1
    assert {v for k, v in library.asked[0].items() if "dashboard" in k} == {"127.0.0.1:0"}


def test_lost_workers_are_told_in_words(library: type[FakeClient]) -> None:
    with workers_at("tcp://here:1") as workers, pytest.raises(WorkersError, match="memory") as told:
        workers.submit(lose, 1).result()
    assert isinstance(told.value, UserError)
    assert isinstance(told.value, BrokenExecutor)  # a batch of recordings is then read here


@pytest.mark.parametrize(
    ("address", "says"),
    [("tcp://nobody:1", "no scheduler answers"), ("local:0", "local:4"), ("local:x", "local:4")],
)
def test_an_address_that_leads_nowhere_is_named(
    library: type[FakeClient], address: str, says: str
) -> None:
    with pytest.raises(WorkersError, match=says), workers_at(address):
        pass


def test_without_the_extra_the_command_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["hindcast", "--cluster", "local:2", "--store", str(tmp_path / "none.duckdb")]) == 2
    assert "slopewatch[cluster]" in capsys.readouterr().err


def listening(process: Any) -> set[str]:
    """The addresses at which a process and those it began can be reached."""
    family = [process, *process.children(recursive=True)]
    ports = [c for p in family for c in p.net_connections("inet") if c.status == "LISTEN"]
    return {port.laddr.ip for port in ports}


def process_of(_: object) -> int:
    return os.getpid()


def test_a_killed_worker_costs_what_it_had_and_nobody_else_is_let_in() -> None:
    """What it kept is made again by another; nothing listens beyond this machine."""
    pytest.importorskip("distributed")
    psutil = pytest.importorskip("psutil")
    with workers_at("local:2") as workers:
        assert listening(psutil.Process()) <= {"127.0.0.1", "::1"}
        lists = [workers.keep(k, list, "ab") for k in range(2)]
        kept = [workers.keep(k, len, each) for k, each in enumerate(lists)]
        first, second = (workers.submit(process_of, each).result() for each in kept)
        assert first != second
        os.kill(first, signal.SIGKILL)
        assert [workers.submit(int, each).result() for each in kept] == [2, 2]
        assert list(workers.map(abs, range(-4, 0))) == [4, 3, 2, 1]
