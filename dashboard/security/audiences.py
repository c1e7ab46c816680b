"""For whom something is written: what they may ask, and whose devices it may be about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any, Concatenate, ParamSpec, TypeVar

from dashboard.security.trimming import RefusedError, Scope, trimmed
from dashboard.service import plain
from ingest.schema import UserError
from ingest.store import Database, Store
from models.run import COACH, EVERYONE, HERE, Fleet, Person, declared

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True)
class Audience:
    """A person, and what of an answer is theirs to see; scope None: all that the role may."""

    person: Person
    scope: Scope | None = None

    def may(self, question: Callable[..., Any]) -> bool:
        """Return whether they may ask this."""
        about = declared(question)
        return about is not None and about.allows(self.person)

    def ask(
        self,
        question: Callable[Concatenate[Fleet, P], T],
        fleet: Fleet,
        *args: P.args,
        **kwargs: P.kwargs,
    ) -> T:
        """Return the answer in plain values, without what is not theirs to see."""
        about = declared(question)
        if about is None or not about.allows(self.person):
            raise RefusedError(f"This is not open to the role {self.person.role}.")
        answer = question(fleet.asked_by(self.person, fleet.say), *args, **kwargs)
        found: T = trimmed(plain(answer), person=self.person, about=about, scope=self.scope)
        return found


def audience(store: Store, name: str | None, *, today: date) -> Audience:
    """Return for whom a name stands: a role, a coach or a rider; None: whoever is here.

    UserError for a name that is none of them, and for `coach` where there are several.
    """
    if name is None:
        return Audience(HERE)
    if name in EVERYONE - {COACH}:
        return Audience(Person(name, name))
    with store.reading() as db:
        coaches = db.frame("riders")["coach"].drop_nulls().unique().sort().to_list()
        riders = db.query("people/riders_named")["rider_id"].to_list()
        if name == COACH and len(coaches) == 1:
            [name] = coaches
        if name in coaches:
            return Audience(Person(name, COACH, name), scope_of_coach(db, name, today=str(today)))
        if name in riders:
            return Audience(Person(name, COACH), scope_of_riders(db, frozenset({name})))
    raise UserError(_unknown(name, coaches))


def _unknown(name: str, coaches: list[str]) -> str:
    listed = ", ".join(coaches) or "none is named in the riders table"
    roles = ", ".join(sorted(EVERYONE - {COACH}))
    return f'found "{name}", expected {roles}, a rider, or one coach by name ({listed})'


def scope_of_coach(db: Database, coach: str | None, *, today: str) -> Scope:
    """Return the riders whom a coach coaches on a day (ISO), and the meters assigned to them."""
    rows = db.query("people/riders_of_coach", coach=coach, today=today)
    return scope_of_riders(db, frozenset(rows["rider_id"].to_list()))


def scope_of_riders(db: Database, riders: frozenset[str]) -> Scope:
    """Return riders and the meters that were assigned to them."""
    rows = db.query("people/meters_of_riders", riders=sorted(riders))
    meters = frozenset(rows["meter_id"].to_list())
    named = db.query("people/devices_and_riders", own=sorted(riders | meters))["name"].to_list()
    return Scope(meters, riders, frozenset(named))
