"""A reason as data, and the one place where it becomes words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from string import Formatter
from typing import NamedTuple, TypeAlias

from models.wording.ageing_words import AGEING_WORDS
from models.wording.alarm_words import ALARM_WORDS
from models.wording.bench_words import BENCH_WORDS, BROWSER_WORDS
from models.wording.device_words import DEVICE_WORDS
from models.wording.digest_words import DIGEST_WORDS
from models.wording.doubt_words import DOUBT_WORDS
from models.wording.formats import FORMATS
from models.wording.ride_words import RIDE_WORDS
from models.wording.short_words import SHORT_ACTIONS, SHORT_REASONS
from models.wording.status_words import STATUS_WORDS

Value: TypeAlias = "float | str | date | Reason | Sequence[Reason] | Sequence[str] | None"


class Template(NamedTuple):
    """A sentence with named placeholders: {error_pct:signed2} is a value and its format."""

    text: str
    parts: tuple[tuple[str, str | None, str], ...]
    names: frozenset[str]

    @classmethod
    def of(cls, text: str) -> Template:
        """Read a template."""
        parts = tuple(
            (literal, name, form or "") for literal, name, form, _ in Formatter().parse(text)
        )
        return cls(text, parts, frozenset(name for _, name, _ in parts if name is not None))


TEMPLATES = {
    kind: Template.of(text)
    for table in (
        *(BROWSER_WORDS, BENCH_WORDS, RIDE_WORDS),
        *(AGEING_WORDS, ALARM_WORDS, STATUS_WORDS, DEVICE_WORDS, DIGEST_WORDS, DOUBT_WORDS),
    )
    for kind, text in table.items()
}
SHORT = {kind: Template.of(text) for kind, text in (SHORT_REASONS | SHORT_ACTIONS).items()}


class Reason:
    """Why something is as it is, or what to do: a kind, and the values that its words need.

    kind    a name in the tables of this room
    values  by the names of its template's placeholders; a value may be a reason itself
    `str` gives the words. KeyError for an unknown kind, ValueError for values that are not those
    of the template.
    """

    __slots__ = ("kind", "values")

    def __init__(self, kind: str, /, **values: Value) -> None:
        wanted = TEMPLATES[kind].names
        if values.keys() != wanted:
            raise ValueError(f"{kind}: found {sorted(values)}, expected {sorted(wanted)}")
        self.kind = kind
        self.values = values

    def __str__(self) -> str:
        return self._filled(TEMPLATES[self.kind])

    @property
    def short(self) -> str | None:
        """The same in one line; None for a kind that is not worth one."""
        template = SHORT.get(self.kind)
        return None if template is None else self._filled(template)

    def _filled(self, template: Template) -> str:
        return "".join(
            literal if name is None else literal + FORMATS[form](self.values[name])
            for literal, name, form in template.parts
        )

    def __repr__(self) -> str:
        return f"Reason({self.kind!r}, {self.values})"

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Reason):
            return NotImplemented
        return (self.kind, self.values) == (other.kind, other.values)

    def __hash__(self) -> int:
        return hash((self.kind, *self.values.values()))


def said(reason: Reason | None) -> str | None:
    """Return a reason's words; None for no reason."""
    return None if reason is None else str(reason)


def browser_templates() -> dict[str, str]:
    """Return the templates with which the bench page words its own reasons, by kind."""
    return {kind: TEMPLATES[kind].text for kind in BROWSER_WORDS}
