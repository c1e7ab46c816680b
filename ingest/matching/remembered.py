"""Mappings that are kept: what the columns of sheets with these headings mean."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from ingest.matching.documents import MappingDocument
from ingest.matching.meaning import Choices, MeaningError, known_meaning
from ingest.matching.proposal import Proposal
from ingest.matching.words import UNITS, plain
from ingest.schema import MAPPING_ANSWERS, MAPPING_COLUMNS, TABLES, UserError
from ingest.store import Store, record

# What holds for the next sheet with the same headings; a meter, a mass, a crank may be another.
LASTING = ("date_order", "units", "slopes", "stages", "arms")
IGNORED = "ignored"


class MappingError(UserError, ValueError):
    """A mapping that cannot be used; the text says what is wrong with it."""


@dataclass(frozen=True)
class SavedMapping:
    """A mapping. columns: heading, meaning, unit of bare numbers; answers to lasting questions."""

    name: str
    table: str
    columns: tuple[tuple[str, str, str | None], ...]
    answers: dict[str, str] = field(default_factory=dict)

    @property
    def headings(self) -> frozenset[str]:
        """The plain headings that a sheet must have."""
        return frozenset(plain(heading) for heading, _, _ in self.columns if heading)

    def document(self) -> MappingDocument:
        """Return it as JSON has it, to be shown, changed and read again."""
        return {
            "name": self.name,
            "table": self.table,
            "columns": [
                {"heading": heading, "meaning": meaning, "unit": unit}
                for heading, meaning, unit in self.columns
            ],
            "answers": dict(self.answers),
        }

    def choices(self, answers: Mapping[str, str]) -> Choices:
        """Return what it decides about a sheet, and what was answered besides."""
        columns = {plain(heading): (text, unit) for heading, text, unit in self.columns if heading}
        return Choices(columns, {**self.answers, **answers}, self.table)


def mapping_of(name: str, proposal: Proposal, answers: Mapping[str, str]) -> SavedMapping:
    """Return the mapping that a proposal stands for."""
    columns = tuple(
        (
            a.column.heading,
            a.meaning.text() if a.meaning else IGNORED,
            a.unit.name if a.unit and a.meaning else None,
        )
        for a in proposal.assigned
    )
    table = proposal.tables[0].table if proposal.tables else "bench"
    return SavedMapping(name, table, columns, {k: v for k, v in answers.items() if k in LASTING})


def fitting(mappings: Iterable[SavedMapping], headings: Sequence[str]) -> SavedMapping | None:
    """Return the mapping whose headings a sheet has; of several the one with most."""
    there = {plain(heading) for heading in headings}
    fits = [mapping for mapping in mappings if mapping.headings and mapping.headings <= there]
    return max(fits, key=lambda mapping: len(mapping.headings), default=None)


def saved_mappings(store: Store) -> list[SavedMapping]:
    """Return the mappings that a store keeps, by name."""
    if not store.exists():
        return []
    with store.reading() as db:
        columns = db.frame(MAPPING_COLUMNS.name).sort("mapping", "position")
        answers = db.frame(MAPPING_ANSWERS.name)
    found = []
    for (name,), rows in columns.group_by("mapping", maintain_order=True):
        own = answers.filter(pl.col("mapping") == name)
        cells = rows.select(pl.col("heading").fill_null(""), "meaning", "unit")
        said = dict(own.select("question", "answer").iter_rows())
        found.append(SavedMapping(str(name), rows["table_name"][0], tuple(cells.iter_rows()), said))
    return found


def save_mapping(store: Store, mapping: SavedMapping) -> None:
    """Keep a mapping in the store, in the place of one with the same name."""
    columns = [
        {"mapping": mapping.name, "table_name": mapping.table, "position": position}
        | {"heading": heading, "meaning": meaning, "unit": unit}
        for position, (heading, meaning, unit) in enumerate(mapping.columns)
    ]
    answers = [
        {"mapping": mapping.name, "question": key, "answer": value}
        for key, value in mapping.answers.items()
    ]
    before = next((m for m in saved_mappings(store) if m.name == mapping.name), None)
    with store.writing() as db:
        for table, rows in ((MAPPING_COLUMNS, columns), (MAPPING_ANSWERS, answers)):
            db.delete(table.name, "mapping", [mapping.name])
            db.insert(table.name, pl.DataFrame(rows, schema=dict(table.polars_schema)))
        old = before.document() if before else None
        record(db, "mapping saved", mapping.name, before=old, after=mapping.document())


def remove_mapping(store: Store, name: str) -> None:
    """Remove a mapping from the store; MappingError if there is none of that name."""
    before = next((m for m in saved_mappings(store) if m.name == name), None)
    if before is None:
        raise MappingError(f'there is no mapping "{name}".')
    with store.writing() as db:
        for table in (MAPPING_COLUMNS, MAPPING_ANSWERS):
            db.delete(table.name, "mapping", [name])
        record(db, "mapping removed", name, before=before.document(), after=None)


def mappings_in(file: Path) -> list[SavedMapping]:
    """Return the mappings of an exported file; MappingError for one that holds none."""
    try:
        return read_mappings(file.read_text("utf-8"), str(file))
    except (OSError, UnicodeDecodeError) as error:
        raise MappingError(f"{file}: cannot be read ({error}).") from None


def read_mappings(text: str, file: str) -> list[SavedMapping]:
    """Return the mappings of an exported file: one, or a list of them; else MappingError."""
    try:
        given = json.loads(text)
    except ValueError as error:
        raise MappingError(f"{file}: expected a mapping as JSON, as exported ({error}).") from None
    return [_read(one, file) for one in (given if isinstance(given, list) else [given])]


def _read(given: object, file: str) -> SavedMapping:
    try:
        assert isinstance(given, dict)
        columns = tuple(
            (str(c["heading"]), str(c["meaning"] or IGNORED), c.get("unit"))
            for c in given["columns"]
        )
        answers = {str(key): str(value) for key, value in (given.get("answers") or {}).items()}
        mapping = SavedMapping(
            str(given.get("name") or file), str(given.get("table") or "bench"), columns, answers
        )
    except (AssertionError, AttributeError, KeyError, TypeError):
        raise MappingError(
            f"{file}: expected name, table and columns with heading, meaning and unit."
        ) from None
    _check(mapping, file)
    return mapping


def _check(mapping: SavedMapping, file: str) -> None:
    if mapping.table not in TABLES:
        raise MappingError(f'{file}: found table "{mapping.table}", expected one of {_listed()}.')
    for heading, meaning, unit in mapping.columns:
        try:
            known_meaning(meaning)
        except MeaningError as error:
            raise MappingError(f'{file}, column "{heading}": {error}.') from None
        if unit and unit not in UNITS:
            raise MappingError(
                f'{file}, column "{heading}": found unit "{unit}", expected one of '
                f"{', '.join(UNITS)}."
            )


def _listed() -> str:
    return ", ".join(TABLES)
