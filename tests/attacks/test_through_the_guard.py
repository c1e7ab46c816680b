"""No argument of any question lets a coach name what is another coach's."""

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from dashboard.security import Guarded, People, RefusedError
from dashboard.service import Service
from ingest.admin import move_pins
from ingest.load import load_uploads
from ingest.store import Store
from models import run
from models.run import Fleet, Person, Question, SeasonAsk, declared

pytestmark = pytest.mark.usefixtures("cheap_hashes")
CLEO = Person("Cleo", "coach", "Cleo")  # R1 and K1 are hers, R2 and K2 are not


class Never:
    """A service that must not be asked."""

    def __getattr__(self, name: str) -> Any:
        raise AssertionError(f"asked for {name}")


class Door(Never):
    """Lets the guard get as far as the service, and notes whether it asked."""

    def on(self, _as_of: object) -> "Door":
        return self

    def asked_by(self, _person: object) -> "Door":
        return self

    def ask(self, *_args: object, **_kwargs: object) -> None:
        raise AssertionError("asked")


@pytest.fixture(scope="module")
def scope(people_store: Path) -> Any:
    return People(Service(people_store)).scope(CLEO)


def open_to_coaches() -> Iterator[tuple[str, Callable[..., Any], Question]]:
    for name in sorted(dir(run)):
        question = getattr(run, name)
        about = declared(question) if callable(question) else None
        if about is not None and "coach" in about.roles:
            yield name, question, about


ARGUMENTS = [
    (name, given)
    for name, question, _ in open_to_coaches()
    for given in list(inspect.signature(question).parameters)[1:]
    if given not in ("first", "last", "files")
]


@dataclass
class Holding:
    name: object


WAYS: dict[str, Callable[[str], Any]] = {
    "plain": lambda name: name,
    "listed": lambda name: [name],
    "a reference": lambda name: [{"reference_id": name, "watts": 300}],
    "a key": lambda name: {name: (date(2026, 3, 2),)},
    "within": lambda name: [{"rows": ({"anything": [name]},)}],
    "held": lambda name: Holding({"pins": name}),
}


@pytest.mark.parametrize("foreign", ["K2", "R2"])
@pytest.mark.parametrize("way", WAYS)
def test_every_argument_of_every_question_is_checked(scope: Any, foreign: str, way: str) -> None:
    guarded = Guarded(Door(), lambda: CLEO, scope=lambda _person: scope)  # type: ignore[arg-type]
    assert len(ARGUMENTS) > 15
    for name, given in ARGUMENTS:
        question = getattr(run, name)
        others = {
            one: {"meter_id": "K1", "rider_id": "R1"}.get(one, "x")
            for one, asked in inspect.signature(question).parameters.items()
            if asked.default is inspect.Parameter.empty and one not in ("fleet", given)
        }
        with pytest.raises(RefusedError, match=f"{foreign} is not among your riders"):
            guarded.ask(question, **others | {given: WAYS[way](foreign)})


def test_two_hundred_kilobytes_are_no_name(scope: Any) -> None:
    for role in ("coach", "owner", "mechanic"):
        person = Person("Ada", role, "Ada")
        guarded = Guarded(Door(), lambda p=person: p, scope=lambda _p: scope)  # type: ignore[arg-type,misc]
        with pytest.raises(RefusedError, match="200000 characters, expected at most"):
            guarded.ask(run.handover if role != "owner" else run.remove_rider, "x" * 200_000)


def guarded_for(service: Service, person: Person) -> Guarded:
    return Guarded(service, lambda: person, scope=People(service).scope)


def test_a_reference_that_is_another_coachs_meter_is_theirs(people_service: Service) -> None:
    table = b"reference_id,kind,meter_id\nREF-2,meter,K2\nREF-1,meter,K1\nT1,trainer,\n"
    load_uploads(people_service.store, [("references.csv", table)])
    scope = People(people_service).scope(CLEO)
    assert {"REF-2", "K2", "R2"} <= scope.others
    assert not {"REF-1", "T1", "K1", "R1"} & scope.others
    devices = guarded_for(people_service, CLEO).ask(run.ride_devices)
    assert (devices["meters"], devices["references"]) == (["K1"], ["REF-1", "T1"])


def test_notices_of_others_are_neither_acknowledged_nor_listed(
    fitted_people_store: Path, tmp_path: Path
) -> None:
    store = Store(tmp_path / "team.duckdb")
    store.path.write_bytes(fitted_people_store.read_bytes())
    owner = Fleet(store)
    run.acknowledge_notice(owner, "0123456789abcdef")
    coach = Fleet(store, person=CLEO)
    assert run.notices_read(owner)
    assert not run.notices_read(coach)
    for notice in ("fedcba9876543210", "x" * 16, ""):
        with pytest.raises(Exception, match="there is no such notice about your riders"):
            run.acknowledge_notice(coach, notice)


def test_another_coachs_pinned_meter_is_in_no_plan(people_service: Service) -> None:
    move_pins(people_service.store, "K2", to=[date(2026, 3, 16)])
    service = Service(people_service.store.path)
    asked = SeasonAsk(date(2026, 3, 2), date(2026, 4, 27))

    class Planned(Door):
        def ask(self, *_args: object, **_kwargs: object) -> Any:
            pinned = {"K2": (date(2026, 3, 16),), "K1": (date(2026, 3, 9),)}
            return {"visits": [], "pins": pinned, "idle_pins": [{"meter_id": "K2"}], "also": ["K2"]}

    guarded = Guarded(Planned(), lambda: CLEO, scope=People(service).scope)  # type: ignore[arg-type]
    assert "K2" not in str(guarded.ask(run.plan, asked))
    assert "K1" in str(guarded.ask(run.plan, asked))
