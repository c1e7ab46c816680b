"""A watched folder: each file is taken in once, whatever ends the program in between."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import nullcontext
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from dashboard.service import Watch
from ingest.store import Store, StoreError
from models import run
from models.run import Fleet

HEADING = "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm\n"


class KilledError(BaseException):
    """The end of the program, which nothing handles."""


def session(number: int) -> str:
    at = f"2026-03-{1 + number % 28:02}T09:00:00Z"
    rows = [("zero", 0.1), ("mass", 33.75), ("mass", 33.8)]
    return HEADING + "".join(
        f"S{number:02},K{number:02},{at},20,170,{load},{torque}\n" for load, torque in rows
    )


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    (tmp_path / "inbox").mkdir()
    return tmp_path / "inbox"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "team.duckdb")


@pytest.fixture
def lines() -> list[str]:
    return []


@pytest.fixture
def watching(inbox: Path, store: Store, lines: list[str]) -> Iterator[Callable[..., Watch]]:
    """Begins to watch; `ask` stands between the watch and the store, fits are not made."""
    begun: list[Watch] = []

    def start(ask: Callable[..., Any] | None = None, *, quiet_s: float = 1e6) -> Watch:
        for before in begun:
            before.close()

        def asked(question: Any, *about: Any) -> Any:
            return question(Fleet(store), *about)

        watch = Watch([inbox], ask or asked, lines.append, settled_s=0, quiet_s=quiet_s)
        watch.open()
        begun.append(watch)
        return watch

    yield start
    for watch in begun:
        watch.close()


def held(store: Store) -> dict[str, int]:
    """How many rows the store holds of each session."""
    with store.reading() as db:
        rows = db.frame("bench")
    return dict(rows.group_by("session_id").len().iter_rows())


def names(folder: Path) -> set[str]:
    found = {file.name for file in folder.iterdir()} if folder.is_dir() else set()
    return {name for name in found if not name.endswith(".note.txt")}


def test_each_file_is_taken_in_once_through_two_ends(inbox, store, watching, lines):
    left = iter([1, 1])

    def ends_before_moving(question: Any, *about: Any) -> Any:
        answer = question(Fleet(store), *about)
        if question is run.take_in_files and next(left, None):
            raise KilledError
        return answer

    for burst in range(3):
        for number in range(4 * burst, 4 * burst + 4):
            (inbox / f"s{number:02}.csv").write_text(session(number))
        with pytest.raises(KilledError) if burst < 2 else nullcontext():
            watching(ends_before_moving).look()
    watching().look()
    assert held(store) == {f"S{number:02}": 3 for number in range(12)}
    assert names(inbox / "done") == {f"s{number:02}.csv" for number in range(12)}
    assert names(inbox) == {"done", ".slopewatch.lock"}
    assert sum(" done s" in line for line in lines) == 12


def test_told_to_stop_it_ends_after_the_files_it_is_at(inbox, store, watching, monkeypatch):
    monkeypatch.setattr("dashboard.service.watching.MOST_FILES", 2)
    stopped = Event()

    def is_told(question: Any, *about: Any) -> Any:
        if question is run.take_in_files:
            stopped.set()
        return question(Fleet(store), *about)

    for number in range(4):
        (inbox / f"s{number:02}.csv").write_text(session(number))
    assert watching(is_told).look(stopped) == 2
    assert names(inbox / "done") == {"s00.csv", "s01.csv"}
    assert held(store) == {"S00": 3, "S01": 3}


def test_what_cannot_be_taken_in_goes_aside_with_a_note(inbox, store, watching, lines):
    given = {
        "good.csv": session(1),
        "torn.tcx": "<TrainingCenterDatabase><torn</TrainingCenterDatabase>",
        "photo.jpg": "a photo",
        "odd.csv": "a,b\n1,2\n",
        "half.csv": session(2).replace("20,170,zero", "20,17,zero"),
    }
    for name, text in given.items():
        (inbox / name).write_text(text)
    watching().look()
    assert names(inbox / "done") == {"good.csv", "half.csv"}
    assert names(inbox / "aside") == {"torn.tcx", "photo.jpg", "odd.csv"}
    note = (inbox / "done" / "half.csv.note.txt").read_text("utf-8")
    assert note.startswith("bench: 2 rows loaded, 0 already there, 1 set aside\n")
    assert "crank_length_mm" in note
    assert len(lines) == 1 + len(given)


def test_a_file_that_the_program_fails_on_costs_itself_alone(inbox, store, watching):
    def fails(question: Any, *about: Any) -> Any:
        if question is run.take_in_files and any(name == "s01.csv" for name, _ in about[0]):
            raise ZeroDivisionError
        return question(Fleet(store), *about)

    for number in range(3):
        (inbox / f"s{number:02}.csv").write_text(session(number))
    watching(fails).look()
    assert names(inbox / "done") == {"s00.csv", "s02.csv"}
    assert names(inbox / "aside") == {"s01.csv"}


@pytest.mark.parametrize("problem", [StoreError("is open elsewhere"), OSError("disk full")])
def test_what_is_no_fault_of_a_file_moves_nothing(inbox, store, watching, problem):
    def held_by_another(question: Any, *about: Any) -> Any:
        if question is run.take_in_files:
            raise problem
        return question(Fleet(store), *about)

    (inbox / "s01.csv").write_text(session(1))
    with pytest.raises(type(problem)):
        watching(held_by_another).look()
    assert names(inbox) == {"s01.csv", ".slopewatch.lock"}


def test_a_fit_follows_once_nothing_more_comes_and_after_a_restart(inbox, store, watching):
    fits = []

    def noted(question: Any, *about: Any) -> Any:
        if question is run.refit:
            fits.append(question)
            return {"converged": True, "seconds": 0.0}
        return question(Fleet(store), *about)

    (inbox / "s01.csv").write_text(session(1))
    watch = watching(noted)
    watch.look()
    watch.fit_when_quiet()
    assert fits == []
    watching(noted, quiet_s=0).fit_when_quiet()
    assert len(fits) == 1
    watch.close()


def test_a_file_given_again_brings_no_fit(inbox, store, watching):
    (inbox / "s01.csv").write_text(session(1))
    watching().look()
    run.refit(Fleet(store))
    (inbox / "s01.csv").write_text(session(1))

    def no_fit(question: Any, *about: Any) -> Any:
        assert question is not run.refit
        return question(Fleet(store), *about)

    watch = watching(no_fit, quiet_s=0)
    assert watch.look() == 1
    watch.fit_when_quiet()
    assert held(store) == {"S01": 3}
