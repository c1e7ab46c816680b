"""From matches to the document that commands and pages show."""

from collections.abc import Sequence
from dataclasses import replace

from ingest.load import LoadReport
from ingest.matching.devices import Device
from ingest.matching.documents import (
    ColumnMatch,
    DeviceProposal,
    Example,
    MatchDocument,
    SheetMatch,
    Undecided,
)
from ingest.matching.files import DOCUMENTED, FileMatch, entry_of_rows
from ingest.matching.meaning import WHY, Assigned, Question
from ingest.matching.proposal import Proposal, TableRows
from ingest.readers import RawTable, table_of
from ingest.schema import TABLES, ProblemDocument
from ingest.validate import check_entry, complete

SHOWN = 3


def match_document(
    matches: Sequence[FileMatch], *, zone: str, report: LoadReport | None = None
) -> MatchDocument:
    """Return the document of `match`. report: what was loaded, if it was accepted."""
    loaded = {(file.path, file.sheet) for file in report.files} if report else set()
    sheets: list[SheetMatch] = []
    aside = _set_aside([p for match in matches for p in match.proposals], zone)
    notices = [problem.sentence() for match in matches for problem in match.problems]
    notices += [f"{match.file}: {notice}" for match in matches for notice in match.notices]
    for match in matches:
        sheets += [_documented(raw, loaded=report is not None) for raw in match.documented]
        for proposal in match.proposals:
            place = (proposal.found.file, proposal.found.sheet)
            taken_in = report is not None and proposal.recording is not None
            sheets.append(
                _sheet(proposal, aside.get(id(proposal), []), loaded=place in loaded or taken_in)
            )
    if report:
        notices += report.notices
    devices = [_device(match.file, device) for match in matches for device in match.devices]
    return {"sheets": sheets, "devices": devices, "notices": notices}


def _device(file: str, device: Device) -> DeviceProposal:
    return {
        "path": file,
        "table": device.table,
        "name": device.name,
        "cells": device.cells,
        "missing": list(device.missing),
        "likely": device.likely,
    }


def _documented(raw: RawTable, *, loaded: bool) -> SheetMatch:
    table = table_of(raw)
    assert table is not None
    columns: list[ColumnMatch] = [
        {"heading": cell, "meaning": cell, "unit": None, "confidence": 1.0, "why": WHY["words"]}
        for cell in raw.header
    ]
    empty: Example = {"headings": [], "rows": []}
    return {
        "path": raw.file,
        "sheet": raw.sheet,
        "heading_rows": [raw.header_row],
        "layout": DOCUMENTED,
        "columns": columns,
        "undecided": [],
        "rows": raw.rows_read,
        "proposed": {table.name: raw.rows_read},
        "before": empty,
        "after": empty,
        "set_aside": [],
        "saved_as": None,
        "loaded": loaded,
    }


def _set_aside(proposals: Sequence[Proposal], zone: str) -> dict[int, list[ProblemDocument]]:
    """Return what would be set aside of each proposal; rows of a table are checked all at once."""
    aside: dict[int, list[ProblemDocument]] = {}
    tables: dict[str, list[tuple[Proposal, TableRows]]] = {}
    for proposal in proposals:
        for rows in proposal.tables:
            tables.setdefault(rows.table, []).append((proposal, rows))
        aside[id(proposal)] = [problem.document() for _, problem in proposal.problems]
    for table, parts in tables.items():
        origins = [(proposal, n) for proposal, rows in parts for n in rows.numbers]
        together = TableRows(
            table, [row for _, rows in parts for row in rows.rows], list(range(len(origins)))
        )
        checked = check_entry(entry_of_rows("", None, together), zone=zone)
        complete(checked, TABLES[table].empty())
        for problem in (p for row in checked.set_aside for p in row.problems):
            proposal, number = origins[problem.row or 0]
            found = proposal.found
            own = replace(problem, file=found.file, sheet=found.sheet, row=number)
            aside[id(proposal)].append(own.document())
    return {number: _once(problems) for number, problems in aside.items()}


def _once(problems: Sequence[ProblemDocument]) -> list[ProblemDocument]:
    """Return what is wrong with each cell once, though several readings hang on it."""
    first = {(p["row"], p["column"], p["found"], p["expected"]): p for p in reversed(problems)}
    return list(reversed(first.values()))


def _sheet(proposal: Proposal, aside: list[ProblemDocument], *, loaded: bool) -> SheetMatch:
    found = proposal.found
    return {
        "path": found.file,
        "sheet": found.sheet,
        "heading_rows": found.heading_rows,
        "layout": proposal.layout,
        "columns": [_column(a) for a in proposal.assigned],
        "undecided": [_undecided(question) for question in proposal.questions],
        "rows": len(found.rows),
        "proposed": _proposed(proposal),
        "before": {"headings": found.headings, "rows": [list(r) for r in found.body[:SHOWN]]},
        "after": _after(proposal),
        "set_aside": aside,
        "saved_as": proposal.mapping,
        "loaded": loaded,
    }


def _proposed(proposal: Proposal) -> dict[str, int]:
    rides = {"recordings": 1} if proposal.recording is not None else {}
    return {rows.table: len(rows.rows) for rows in proposal.tables} | rides


def _column(a: Assigned) -> ColumnMatch:
    return {
        "heading": a.column.heading,
        "meaning": a.meaning.text() if a.meaning else None,
        "unit": a.unit.name if a.unit and a.meaning else None,
        "confidence": a.confidence,
        "why": WHY[a.why],
    }


def _undecided(question: Question) -> Undecided:
    return {
        "key": question.key,
        "what": question.what,
        "choices": list(question.choices),
        "default": question.default,
        "examples": list(question.examples),
    }


def _after(proposal: Proposal) -> Example:
    if not proposal.tables:
        return {"headings": [], "rows": []}
    rows = proposal.tables[0].rows[:SHOWN]
    headings = list(dict.fromkeys(name for row in rows for name in row))
    return {"headings": headings, "rows": [[row.get(name) for name in headings] for row in rows]}
