"""Whether the model describes the data, where its spread comes from, what its charts find."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

RECORDS = {"bench": "Bench sessions", "comparison": "Ride comparisons"}
CHECKS = {
    "spread": "Spread of what was not expected (1: as wide as said)",
    "tails": "Tails, as kurtosis (3: normal)",
    "neighbours": "Likeness of a meter's neighbouring records (0: none)",
    "dependence": "Share of meters whose records depend on each other",
}


def diagnostic_parts(diagnostics: Document) -> list[html.Section]:
    """The sections; those without rows say so instead of standing empty."""
    return [
        _checks_part(diagnostics.get("checks") or []),
        _shares_part(diagnostics.get("shares") or []),
        _detection_part(diagnostics.get("detection") or []),
    ]


def _checks_part(rows: list[Document]) -> html.Section:
    titles = ("Records", "Check", "Number", "Value", "90 %", "Chance of as much", "In words")
    body: Any = parts.plain_table(titles, [_check_row(row) for row in rows], name="Checks")
    if not rows:
        body = parts.empty(
            "Too few records to check the model by.", "It takes twenty of a kind that count fully."
        )
    return parts.section(
        "Does the model describe the data?",
        body,
        name="method-checks",
        note="Each record against what the meter's earlier ones and the rest of the fleet made to "
        "be expected, in standard deviations. Records that were weighed down are left out.",
    )


def _check_row(row: Document) -> html.Tr:
    interval = None if row["lo90"] is None else [row["lo90"], row["hi90"]]
    cells = (
        RECORDS[row["records"]],
        CHECKS[row["check"]],
        str(row["n"]),
        theme.number(row["value"]),
        theme.span(interval, unit="") if interval else "–",
        theme.number(row["p"], 3),
        theme.sentence(row["text"]),
    )
    return html.Tr([html.Td(cell) for cell in cells])


def _shares_part(rows: list[Document]) -> html.Section:
    titles = ("Group", "Of", "Part", "Standard deviation, %", "90 %", "Share", "90 %")
    shown = [_share_row(row) for row in rows if row["share"] >= 0.005]
    body: Any = parts.plain_table(titles, shown, name="Shares")
    if not rows:
        body = parts.empty("Nothing is fitted yet.", parts.command("slopewatch load FOLDER"))
    return parts.section(
        "Where the spread comes from",
        body,
        name="method-shares",
        note="What makes meters of a group change unlike each other within a year, and what makes "
        "one record scatter. The largest share is where better work pays. Parts below half a "
        "percent are left out; those that a record states of itself have no interval.",
    )


def _share_row(row: Document) -> html.Tr:
    sd = [row["sd_lo90"], row["sd_hi90"]] if row["sd_lo90"] is not None else None
    cells = (
        row["group"],
        theme.sentence(row["of"]),
        theme.sentence(row["part"]),
        theme.number(row["sd"]),
        theme.span(sd, unit="") if sd else "stated",
        _part(row["share"]),
        f"{_part(row['share_lo90'])} to {_part(row['share_hi90'])}",
    )
    return html.Tr([html.Td(cell) for cell in cells])


def _part(share: float) -> str:
    return f"{100 * share:.0f} %"


def _detection_part(rows: list[Document]) -> html.Section:
    titles = ("Records", "Step", "Chart", "Found by the first", "by the third", "by the sixth")
    body: Any = parts.plain_table(titles, list(_detection_rows(rows)), name="Detection")
    if not rows:
        body = parts.empty(
            "Too few records to say how soon a step would be found.",
            "It takes twenty of a kind.",
        )
    return parts.section(
        "How soon a step is found by the charts",
        body,
        name="method-detection",
        note="The chance that a lasting step shows on the best of the three charts, after so many "
        "records of the usual kind. A forecast follows its meter, so what is not found early "
        "fades from these charts; the fleet model goes on looking for it in the whole history.",
    )


def _detection_rows(rows: Iterable[Document]) -> Iterable[html.Tr]:
    """One line a kind of record and step: the chart that finds it most often by the sixth."""
    for (records, step), group in groupby(rows, key=lambda r: (r["records"], r["step_pct"])):
        best = max(group, key=lambda r: float(r["found_within_6"]))
        cells = (
            RECORDS[records],
            f"{step:g} %",
            theme.words(best["chart"]),
            *(theme.probability(best[f"found_within_{n}"]) for n in (1, 3, 6)),
        )
        yield html.Tr([html.Td(cell) for cell in cells])
