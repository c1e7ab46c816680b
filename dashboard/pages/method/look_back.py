"""The look back (hindcast): what would have been forecast, against what was found."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document

BINS = ("Forecast probability", "Sessions", "Mean forecast", "Found within tolerance", "90 %")
GROUPS = ("Group", "Sessions", "Inside the 90 %", "Brier score", "Found − forecast", "Error (rms)")


def hindcast_parts(found: Document) -> list[Any]:
    """Return the look back that has arrived."""
    if not found["n"]:
        return [_section([parts.empty("No bench session to forecast yet.", "Bench a meter.")])]
    bins = [row for row in found["reliability"] if row["n"]]
    told = "; ".join(_bin_told(row) for row in bins)
    chart = parts.chart("reliability", figures.reliability(bins), f"Reliability: {told}.")
    return [
        _section(
            [
                html.P(theme.sentence(found["text"]), className="headline"),
                parts.facts(_facts(found)),
                html.Div([chart, _bins(bins)], className="side-by-side"),
                html.H3("By group"),
                _groups(found["by_group"]),
                _left_out(found["left_out"]),
            ]
        )
    ]


def _section(body: list[Any]) -> html.Section:
    return parts.section(
        "Looking back",
        *body,
        name="method-hindcast",
        note="Every bench session is forecast from what was known before it; the model behind the "
        "forecast is fitted on earlier data only, too. No skill is the score "
        "of always forecasting the overall share.",
    )


def _facts(found: Document) -> list[tuple[str, Any]]:
    return [
        ("Found inside the 90 % forecast", _coverage(found)),
        ("Brier score", _brier(found)),
        ("Mean of found − forecast (bias)", _bias(found)),
        ("Typical error of a forecast (rms)", _error(found)),
    ]


def _coverage(row: Document) -> str:
    interval = [row.get("coverage90_lo"), row.get("coverage90_hi")]
    return theme.estimate(theme.share(row["coverage90"]), theme.share_span(interval))


def _brier(row: Document) -> str:
    return f"{theme.number(row['brier'], 3)} (no skill: {theme.number(row['brier_no_skill'], 3)})"


def _bias(row: Document) -> str:
    return theme.plus_minus(row["bias_pct"], theme.half90(row.get("u_bias_pct")), "%")


def _error(row: Document) -> str:
    made, said = (theme.percent(row.get(key), signed=False) for key in ("rmse_pct", "mean_sd_pct"))
    return f"{made} (stated: {said})"


def _bin_told(row: Document) -> str:
    return (
        f"of {row['n']} forecast to be within with {theme.probability(row['mean_p'])}, "
        f"{theme.probability(row['share'])} were"
    )


def _bins(bins: Sequence[Document]) -> html.Div:
    rows = [
        (
            theme.share_span([row["p_from"], row["p_to"]]),
            str(row["n"]),
            theme.share(row["mean_p"]),
            theme.share(row["share"]),
            theme.share_span([row["share_lo"], row["share_hi"]]),
        )
        for row in bins
    ]
    return parts.plain_table(BINS, rows, name="Reliability")


def _groups(groups: Sequence[Document]) -> html.Div:
    rows = [
        (row["group"], str(row["n"]), _coverage(row), _brier(row), _bias(row), _error(row))
        for row in groups
    ]
    return parts.plain_table(GROUPS, rows, name="Looking back, by group", headed=True)


def _left_out(rows: Sequence[Document]) -> html.Details | None:
    if not rows:
        return None
    lines = [
        html.Li(f"{row['session_id']}, {row['meter_id']}: {theme.sentence(row['reason'])}")
        for row in rows
    ]
    said = f"{theme.plural(len(rows), 'session')} without a forecast"
    return html.Details([html.Summary(said), html.Ul(lines)])
