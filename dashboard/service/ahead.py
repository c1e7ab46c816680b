"""What the pages will ask for next, so that they open with their answer."""

from __future__ import annotations

from datetime import date
from typing import Any, Protocol

from models import run
from models.run import SeasonAsk

MOST_RIDERS = 40


class Asks(Protocol):
    """The part of a service that is needed here."""

    def ask(self, question: Any, /, *args: Any, **kwargs: Any) -> Any: ...

    def ahead(self, question: Any, /, *args: Any, **kwargs: Any) -> None: ...


def ahead_of_pages(service: Asks) -> None:
    """Begin what the season, budget, method and riders' pages show when they are opened."""
    service.ahead(run.status)
    service.ahead(run.method)
    asked = _season_asked(service)
    if asked is not None:
        service.ahead(run.plan, asked)
        service.ahead(run.budget, asked)
    service.ahead(run.doubtful)
    for row in service.ask(run.riders_named)[:MOST_RIDERS]:
        service.ahead(run.rider, row["rider_id"])
        service.ahead(run.doubtful, rider_id=row["rider_id"])
    service.ahead(run.policies)
    service.ahead(run.hindcast)


def _season_asked(service: Asks) -> SeasonAsk | None:
    """Return the season that the pages show unless told otherwise; None without a fleet."""
    season = service.ask(run.season)
    if season["empty"]:
        return None
    return asked_of(season["first"], season["last"])


def asked_of(first: str | date, last: str | date, slots: int | None = None) -> SeasonAsk:
    """Return a season as pages write it: days ISO."""
    return SeasonAsk(date.fromisoformat(str(first)), date.fromisoformat(str(last)), slots)
