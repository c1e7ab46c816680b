"""How the numbers come about: the drift of each group, the fitted spreads, the charts' limits."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, html

from dashboard import components as parts
from dashboard import theme
from dashboard.components import arrived, arriving
from dashboard.navigation import Document, Door, View
from dashboard.pages.method.look_back import hindcast_parts
from dashboard.pages.method.model_check import diagnostic_parts

PATH = "/method"
TITLE = "Method"
PLACE = 90
WORDS = (
    "Every sensor has a level, ages at its own rate, steps at battery swaps and wanders. A bench "
    "session shows sensor less programmed slope, plus what the mass set, the place and the crank "
    "share; a ride comparison shows one meter less one trainer, plus what belongs to the pair.",
    "All of it is estimated together from the team's own data, so that a trainer that jumps does "
    "not condemn its meters. Single records far from everything else lose weight, and are named.",
    "A meter is due on the first day on which the chance that it is within tolerance falls below "
    "the team's target.",
)
TRUST = (
    "How far to trust it: below, every past bench session is forecast from what was known before "
    "it and held against what was then found. Trust it less for a meter with fewer than two bench "
    "sessions, after a fall or a repair that nobody noted, and for a kind with few in the team."
)
JARGON = (
    "100·ln is percent for small changes (1 % is 0.995). A mixed model takes a meter's own drift "
    "and its group's together; a weak prior is a usual value, taken while the team's own data are "
    "too few. sd is a standard deviation: about two of three values lie within one."
)


def layout(data: Door, view: View) -> html.Div:
    """The page."""
    method = data.method()
    if not method.get("population"):
        body: list[Any] = [
            parts.empty("Nothing is fitted yet.", parts.command("slopewatch load FOLDER"))
        ]
    else:
        body = [
            html.P(TRUST),
            arriving("method", {"as_of": view.as_of}),
            html.H2("How the numbers come about"),
            *(html.P(text) for text in WORDS),
            _fit_part(method),
            html.Details(
                [
                    html.Summary("The fitted numbers, group by group"),
                    html.P(JARGON, className="note"),
                    _population_part(method["population"]),
                    _spread_part(method["hyperparameters"].get("parameters", [])),
                    _charts_part(method),
                ]
            ),
            *diagnostic_parts(method.get("diagnostics") or {}),
        ]
    return html.Div([html.H1("Method"), *body])


NEWER = "came in: the answers follow them; the drift rates do so at the next fit (Intake page)"


def _fit_part(method: Document) -> html.Section:
    fit = method["fit"]
    pairs: list[tuple[str, Any]] = [
        ("Fitted", f"{theme.day(fit['fitted_at'])}, by this computer's clock"),
        ("Converged", "yes" if fit["converged"] else f"no: {fit['message']}"),
        ("Newer data", NEWER if fit["stale"] else "none"),
    ]
    for row in method["observations"]:
        name = "Bench sessions" if row["kind"] == "bench" else "Ride comparisons"
        shown = f"{row['n']}, of which {row['weighed_down']} weighed down"
        pairs.append((name, f"{shown}, {row['left_out']} left out"))
    return parts.section("The last fit", parts.facts(pairs), name="method-fit")


def _population_part(rows: list[Document]) -> html.Section:
    titles = (
        *("Group", "Meters", "Sessions", "Drift a year, 90 %", "Step at a battery swap, 90 %"),
        *("Spread of drift", "Spread of meters", "Scatter of a session", "How"),
    )
    return parts.section(
        "Ageing of each group",
        parts.plain_table(titles, [_population_row(row) for row in rows], name="Ageing"),
        name="method-groups",
        note="On the sensor's own sensitivity: resets are added back, so a corrected meter still "
        "shows that it drifted.",
    )


def _population_row(row: Document) -> html.Tr:
    how = "mixed model" if row["method"] == "mixed" else f"weak prior: {row['reason']}"
    cells = (
        row["model_group"],
        row["n_meters"],
        row["n_sessions"],
        _with_interval(row, "drift", "drift_pct_per_year"),
        _with_interval(row, "swap", "swap_pct"),
        theme.percent(row["sd_drift_pct_per_year"], signed=False),
        theme.percent(row["sd_sensitivity_pct"], signed=False),
        theme.percent(row["sd_residual_pct"], signed=False),
        how,
    )
    return html.Tr([html.Td(cell) for cell in cells])


def _with_interval(row: Document, part: str, value: str) -> str:
    if row[value] is None:
        return "none seen"
    low, high = row[f"{part}_lo90"], row[f"{part}_hi90"]
    return f"{theme.percent(row[value])} ({theme.span([low, high])})"


def _spread_part(parameters: list[Document]) -> html.Section:
    rows = [
        html.Tr(
            [
                html.Td(theme.sentence(row["meaning"])),
                html.Td(row["group"] or "the fleet"),
                html.Td(theme.plus_minus(row["value"], theme.half90(row["standard_error"]), "")),
            ]
        )
        for row in parameters
        if row["estimated"]
    ]
    titles = ("What", "Of", "Fitted, 100·ln, ± at 90 %")
    return parts.section(
        "Spreads of the fleet model",
        parts.plain_table(titles, rows, name="Spreads"),
        name="method-spreads",
    )


def _charts_part(method: Document) -> html.Section:
    rows = [
        html.Tr(
            [
                html.Td(theme.words(row["chart"])),
                html.Td(theme.number(row["limit"])),
                html.Td(theme.number(row["arl"], 0)),
                html.Td(theme.number(row["false_alarms_per_season"])),
            ]
        )
        for row in method["charts"]
    ]
    allowed = theme.number(method["false_alarms_per_season"], 1)
    return parts.section(
        "Limits of the control charts",
        parts.plain_table(
            ("Chart", "Limit, in sd", "Values between false alarms", "False alarms a season"),
            rows,
            name="Limits",
        ),
        name="method-charts",
        note=f"From the false alarms the whole fleet may give in a season: {allowed}.",
    )


def register(app: Dash, data: Door) -> None:
    """The look back arrives: what would have been forecast, against what was found."""

    @app.callback(
        Output("method-body", "children"),
        Output("method-progress", "children"),
        Output("method-tick", "disabled"),
        Input("method-asked", "data"),
        Input("method-tick", "n_intervals"),
    )
    def show(asked: Document, _ticks: int | None) -> tuple[Any, str, bool]:
        return arrived(data.hindcast(asked["as_of"]), hindcast_parts)
