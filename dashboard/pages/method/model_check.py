"""Whether the model describes the data, where its spread comes from, what its charts find."""

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document
from dashboard.pages.method.fit import RECORDS

CHECKS = {
    "spread": "Scatter around the forecast; 1 = as stated (sd of standardized residuals)",
    "tails": "Far-off records; 3 = as many as usual (kurtosis)",
    "neighbours": "One record hints at the next; 0 = it does not (lag-1 autocorrelation)",
    "dependence": "Share of meters whose records depend on each other (Ljung–Box, Holm)",
}
SMALL_SHARE = 0.005
CHECKED = ("Records", "Check", "Number", "Value", "90 %", "p-value", "In words")
SHARED = ("Group", "Of", "Part", "Standard deviation, %", "90 %", "Share", "90 %")
DETECTED = ("Records", "Step", "Chart", "Found by the 1st record", "by the 3rd", "by the 6th")


def diagnostic_parts(diagnostics: Document) -> list[html.Section]:
    """Return the sections; those without rows say so instead of standing empty."""
    return [
        _checks_part(diagnostics.get("checks") or []),
        _shares_part(diagnostics.get("shares") or []),
        _detection_part(diagnostics.get("detection") or []),
        _power_part(diagnostics.get("power") or []),
    ]


def _checks_part(rows: Sequence[Document]) -> html.Section:
    body = parts.plain_table(
        CHECKED, [_check_row(row) for row in rows], name="Checks", numbers=(3, 4)
    )
    too_few = parts.empty(
        "Too few records to check the model.", "It takes twenty of a kind that count fully."
    )
    return parts.section(
        "Does the model describe the data?",
        body if rows else too_few,
        name="method-checks",
        note="Each record is compared with its forecast from the meter's earlier records and the "
        "rest of the fleet, in standard deviations. Down-weighted records are left out. The "
        "p-value is the probability of a deviation at least as large if the model is right.",
    )


def _check_row(row: Document) -> tuple[str, ...]:
    interval = [row["lo90"], row["hi90"]]
    ends = theme.span(interval, unit="", signed=row["check"] == "neighbours")
    return (
        RECORDS[row["records"]],
        CHECKS[row["check"]],
        theme.number(row["n"], 0),
        theme.number(row["value"]),
        ends,
        theme.number(row["p"], 3),
        theme.sentence(row["text"]),
    )


def _shares_part(rows: Sequence[Document]) -> html.Section:
    shown = [_share_row(row) for row in rows if row["share"] >= SMALL_SHARE]
    body = parts.plain_table(SHARED, shown, name="Shares", numbers=(4, 6))
    return parts.section(
        "Where the spread comes from",
        body if rows else parts.load_first("Nothing is fitted yet."),
        name="method-shares",
        note="What makes meters of one group drift apart within a year, and what makes single "
        "records scatter (variance components). The largest share is where better work pays most. "
        "Parts below half a percent are left out; those that a record states of itself have no "
        "interval.",
    )


def _share_row(row: Document) -> tuple[str, ...]:
    return (
        row["group"],
        theme.title(row["of"]),
        theme.title(row["part"]),
        theme.number(row["sd"]),
        "stated"
        if row["sd_lo90"] is None
        else theme.span([row["sd_lo90"], row["sd_hi90"]], unit="", signed=False),
        theme.share(row["share"]),
        theme.share_span([row["share_lo90"], row["share_hi90"]]),
    )


def _detection_part(rows: Sequence[Document]) -> html.Section:
    body: Any = parts.plain_table(DETECTED, list(_detection_rows(rows)), name="Detection")
    too_few = parts.empty(
        "Too few records to say how soon a step would be found.", "It takes twenty of a kind."
    )
    return parts.section(
        "How soon the charts find a step",
        body if rows else too_few,
        name="method-detection",
        note="The probability that the best of the three charts shows a lasting step after so many "
        "records of the usual kind. A forecast follows its meter, so a step that is not found "
        "early fades from these charts; the fleet model still looks for it in the whole history.",
    )


def _detection_rows(rows: Iterable[Document]) -> Iterable[tuple[str, ...]]:
    """Return one line a kind of record and step: the chart that finds it most often by the 6th."""
    for (records, step), group in groupby(rows, key=lambda r: (r["records"], r["step_pct"])):
        best = max(group, key=lambda r: float(r["found_within_6"]))
        yield (
            RECORDS[records],
            f"{step:g}{theme.NBSP}%",
            figures.CHART_NAMES.get(best["chart"], theme.words(best["chart"])),
            *(theme.probability(best[f"found_within_{n}"]) for n in (1, 3, 6)),
        )


def _power_part(rows: Sequence[Document]) -> html.Section:
    sizes = sorted({row["step_pct"] for row in rows})
    found = {(row["step_pct"], row["months"]): row["found"] for row in rows}
    months = sorted({row["months"] for row in rows})
    table = [
        (f"{size:g}{theme.NBSP}%", *(theme.probability(found[size, m]) for m in months))
        for size in sizes
    ]
    heads = ("Step", *(f"Named within {theme.plural(m, 'month')}" for m in months))
    told = "; ".join(f"{row[0]}: {', '.join(row[1:])}" for row in table)
    body: Any = html.Div(
        [
            parts.chart("power", figures.power(rows), f"Steps named in time. {told}."),
            parts.plain_table(heads, table, name="Power"),
        ],
        className="side-by-side",
    )
    return parts.section(
        "How likely an unrecorded step is named",
        body if rows else parts.load_first("Nothing is fitted yet."),
        name="method-power",
        note="Of a lasting step that nobody wrote down, so many months ago: the probability that "
        "the whole history names it by now, at this fleet's own records since, its noise and its "
        "limit of false alarms; the mean over the meters in use. More sessions and rides raise it.",
    )
