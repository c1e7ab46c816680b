"""A gain error with its 90 % interval, as a bar against the limit and as cells of a table."""

from collections.abc import Sequence

from dash import html

from dashboard import theme
from dashboard.components.browser import aria
from dashboard.components.tables import Column, column, number_column
from dashboard.navigation import Document

PLUS_MINUS = "± gives the 90 % interval: in nine cases of ten the true value lies within it."


def interval_bar(
    interval: Sequence[float] | None, value: float | None, tolerance: float | None
) -> html.Div | None:
    """Return a value with its interval on a scale of ± 3 times the limit, the limit shaded."""
    place = bar_place(interval, value, tolerance)
    if place is None:
        return None
    low, middle, high = place
    return html.Div(
        [
            html.Span(className="bar-limit"),
            html.Span(
                className="bar-span", style={"left": f"{low}%", "width": f"{max(1.0, high - low)}%"}
            ),
            html.Span(className="bar-dot", style={"left": f"{middle}%"}),
        ],
        className="bar",
        **aria(hidden="true"),
    )


def bar_place(
    interval: Sequence[float] | None, value: float | None, tolerance: float | None
) -> tuple[float, float, float] | None:
    """Return low end, value and high end as percent of the bar's width; None without numbers."""
    if not interval or not tolerance or not theme.is_number(value) or value is None:
        return None
    low, high = (_across(end, tolerance) for end in interval)
    return low, _across(value, tolerance), high


def _across(value: float, tolerance: float) -> float:
    return round(min(100.0, max(0.0, 50 + 100 * value / (6 * tolerance))), 1)


def gain_error_cells(row: Document) -> Document:
    """Return a table row's cells for the gain error of a meter's row of `status`."""
    value, interval, limit = (
        row.get(key) for key in ("gain_error_pct", "interval90_pct", "tolerance_pct")
    )
    told = f"90 %: {theme.span(interval, 1)}"
    return {
        "gain_error_pct": value,
        "error_text": _sides_beyond(row) or theme.plus_minus(value, theme.half(interval), "%", 1),
        "bar": bar_place(interval, value, limit),
        "bar_text": f"{told}; limit {theme.within(limit, 1, '%')}" if limit else told,
    }


def _sides_beyond(row: Document) -> str | None:
    """Return a pair's sides where one of them is beyond the limit, which their mean may hide."""
    sides, limit = row.get("sides"), row.get("tolerance_pct")
    if not sides or not limit:
        return None
    left, right = (sides[arm]["gain_error_pct"] for arm in ("left", "right"))
    if max(abs(left), abs(right)) <= limit:
        return None
    return f"L {theme.number(left, 1, signed=True)} · R {theme.percent(right, 1)}"


def gain_error_columns(*, since: int = 0, bar_since: int) -> list[Column]:
    """Return the two columns of those cells: the number, and the bar on a wide enough table."""
    return [
        number_column(
            "gain_error_pct", "Gain error, ± at 90 %", "error_text", width=130, since=since
        ),
        column(
            "bar",
            "90 % interval against the limit",
            cellRenderer="BarCell",
            cellDataType=False,
            sortable=False,
            width=150,
            since=bar_since,
        ),
    ]
