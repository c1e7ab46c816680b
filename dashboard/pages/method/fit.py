"""The last fit: what it used, what it found of each group, the limits of the control charts."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document

JARGON = (
    "100·ln is percent for small changes (1 % is 0.995). A mixed model estimates each meter's own "
    "drift and its group's together; a weak prior is a usual value that stands in while the team's "
    "own data are too few. sd is the standard deviation: about two of three values lie within one "
    "sd."
)
NEWER = "came in: the other pages use them; the drift rates follow at the next fit (Intake page)"
RECORDS = {"bench": "Bench records", "comparison": "Ride comparisons"}
GROUPS = (
    *("Group", "Meters", "Sessions", "Drift a year, 90 %", "Step at a battery swap, 90 %"),
    *("Drift between meters, sd", "Level between meters, sd", "Scatter of a session, sd"),
    "Estimated by",
)
SPREADS = ("What", "Group", "Fitted, 100·ln")
LIMITS = (
    *("Chart", "Limit, in sd", "Records between false alarms (average run length)"),
    "False alarms a season",
)


def fit_part(method: Document) -> html.Section:
    """Return when the models were fitted, and on how many records."""
    fit = method["fit"]
    pairs: list[tuple[str, Any]] = [
        ("Fitted", f"{theme.day(fit['fitted_at'])}, by this computer's clock"),
        ("Converged", "yes" if fit["converged"] else f"no: {fit['message']}"),
        ("Newer data", NEWER if fit["stale"] else "none"),
    ]
    pairs += [(RECORDS[row["kind"]], _used(row)) for row in method["observations"]]
    return parts.section(
        "The last fit",
        parts.facts(pairs),
        name="method-fit",
        note="A bench session is one record, and a second one where it was measured after work "
        "too.",
    )


def _used(row: Document) -> str:
    many = theme.number(row["n"], 0)
    return f"{many}, of which {row['weighed_down']} down-weighted, {row['left_out']} left out"


def numbers_part(method: Document) -> html.Details:
    """Return the fitted numbers, folded away."""
    return html.Details(
        [
            html.Summary("The fitted numbers, group by group"),
            parts.note(JARGON),
            _groups(method["population"]),
            _spreads(method["hyperparameters"].get("parameters", [])),
            _limits(method),
        ]
    )


def _groups(rows: Sequence[Document]) -> html.Section:
    return parts.section(
        "Drift of each group",
        parts.plain_table(GROUPS, [_group(row) for row in rows], name="Drift of each group"),
        name="method-groups",
        note="Drift of the sensor itself: changes of the slope are added back, so a meter that was "
        "corrected still shows its drift.",
    )


def _group(row: Document) -> tuple[Any, ...]:
    how = "mixed model" if row["method"] == "mixed" else f"weak prior: {row['reason']}"
    return (
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


def _with_interval(row: Document, part: str, value: str) -> str:
    if row[value] is None:
        return "none seen"
    interval = theme.span([row[f"{part}_lo90"], row[f"{part}_hi90"]])
    return theme.estimate(theme.percent(row[value]), interval)


def _spreads(parameters: Sequence[Document]) -> html.Section:
    rows = [
        (
            theme.title(row["meaning"]),
            row["group"] or "the fleet",
            theme.plus_minus(row["value"], theme.half90(row["standard_error"]), ""),
        )
        for row in parameters
        if row["estimated"]
    ]
    return parts.section(
        "Hyperparameters of the fleet model",
        parts.plain_table(SPREADS, rows, name="Hyperparameters"),
        name="method-spreads",
        note="How much meters, trainers and records differ from one another, as standard "
        "deviations; fitted to all data at once.",
    )


def _limits(method: Document) -> html.Section:
    rows = [
        (
            figures.CHART_NAMES.get(row["chart"], theme.words(row["chart"])),
            theme.number(row["limit"]),
            theme.number(row["arl"], 0),
            theme.number(row["false_alarms_per_season"]),
        )
        for row in method["charts"]
    ]
    allowed = theme.number(method["false_alarms_per_season"], 1)
    return parts.section(
        "Limits of the control charts",
        parts.plain_table(LIMITS, rows, name="Limits"),
        name="method-charts",
        note=f"Set by how many false alarms the whole fleet may give in a season: {allowed}.",
    )
