"""What a letter says, and in which order: one screen of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dashboard import theme

MOST_TO_DO, MOST_CHANGED, MOST_TOLD = 9, 5, 3
HOW = "The page Help says how to bench a meter, step by step."
URGENT = ("out", "due")
SHOWN = ("out", "due", "soon", "unknown")


@dataclass(frozen=True)
class Part:
    """A part of a letter: its title, its lines, what stands for those that found no room."""

    title: str
    lines: tuple[str, ...]
    rest: str | None = None


@dataclass(frozen=True)
class Letter:
    """A digest as it is read.

    standing  each status that meters have, in words; which meters have it, and what it means
    """

    title: str
    lead: str
    standing: tuple[tuple[str, str], ...]
    parts: tuple[Part, ...]
    foot: str


def letter(digest: Any, news: Any | None = None) -> Letter:
    """Return the letter of a `digest` document, with what `intake_news` adds for whom it is for."""
    added: Any = news or {"changed": [], "to_do": []}
    return Letter(
        title=theme.prose(digest["title"]),
        lead=_lead(digest["meters"]),
        standing=_standing(digest["meters"]),
        parts=(
            _part("To do within a week", [*digest["to_do"], *added["to_do"]], MOST_TO_DO),
            *_later(digest),
            _part("What changed", [*digest["changed"], *added["changed"]], MOST_CHANGED),
            *_notices(digest["notices"]),
        ),
        foot=" ".join([HOW, *map(theme.sentence, filter(None, [digest.get("today_note")]))]),
    )


def _lead(meters: Sequence[Any]) -> str:
    urgent = sum(row["status"] in URGENT for row in meters)
    needing = {0: "none needs", 1: "1 needs"}.get(urgent, f"{urgent} need")
    return f"Of {theme.plural(len(meters), 'meter')} {needing} the bench."


def _later(digest: Any) -> list[Part]:
    """Return the part about meters that need a bench and are not asked for within the week."""
    asked = {line["meter_id"] for line in digest["to_do"]}
    left = [row for row in digest["meters"] if row["meter_id"] not in asked]
    told = (
        (URGENT, "the page Season says when."),
        (("unknown",), "bench as found before anyone relies on what it shows."),
    )
    named = [([r["meter_id"] for r in left if r["status"] in some], said) for some, said in told]
    lines = tuple(f"{_names(names)}: {said}" for names, said in named if names)
    return [Part("After that, as planned", lines)] if lines else []


def _standing(meters: Sequence[Any]) -> tuple[tuple[str, str], ...]:
    named = {
        status: [row["meter_id"] for row in meters if row["status"] == status] for status in SHOWN
    }
    return tuple(
        (theme.STATUSES[status].word, f"{_names(names)} ({theme.STATUSES[status].meaning})")
        for status, names in named.items()
        if names
    )


def _names(names: Sequence[str], most: int = 12) -> str:
    left = len(names) - most
    return ", ".join(names[:most]) + (f" and {left} more" if left > 0 else "")


def _part(title: str, lines: Sequence[Any], most: int) -> Part:
    said = tuple(theme.sentence(line["text"]) for line in lines)
    left = len(said) - most
    rest = f"And {left} more: see the dashboard." if left > 0 else None
    return Part(title, said[:most] or ("Nothing.",), rest)


def _notices(lines: Sequence[Any]) -> list[Part]:
    """Return the part about other watts, if anyone has to be told of it."""
    return [_part("Watts that cannot be compared", lines, MOST_TOLD)] if lines else []
