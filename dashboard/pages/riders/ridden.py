"""Which meter a rider rode when, what each one read, and how the bikes differ today."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document, View

RIDDEN = (
    *("Meter", "Bike", "Role", "From", "To"),
    *("Gain error at the start", "at the end", "Slope changed"),
)
READS = ("Meter", "Shown, 90 %", "By the sensor's error alone")
ROW_PX, FRAME_PX = 34, 110
BIKES = ("Meters", "Shows more today by", "At 300 W", "Probability that it shows more")


def chart_part(document: Document, tolerance: float | None) -> html.Section:
    """Return the gain error of each meter over the days it was ridden."""
    periods = [period for period in document["periods"] if period["points"]]
    body: Any = parts.empty("This rider has not ridden a known meter yet.", "Load assignments.")
    if periods:
        text = "; ".join(_period_words(period) for period in periods)
        figure = figures.ridden(periods, tolerance)
        body = parts.chart("rider-meters", figure, f"Gain error of each meter ridden: {text}.")
    return parts.section(
        "What each meter read",
        body,
        name="rider-chart",
        note="Only the days on which this rider rode it. The shading is the 90 % interval, an "
        "upright line a change of the slope.",
    )


def _period_words(period: Document) -> str:
    now = theme.percent(period["points"][-1]["gain_error_pct"], 1)
    return (
        f"{period['meter_id']} from {theme.day(period['from_date'])} to {_end(period)}, now {now}"
    )


def _end(period: Document) -> str:
    return theme.day(period["to_date"]) if period["to_date"] else "today"


def ridden_part(
    view: View, periods: Sequence[Document], tolerance: float | None
) -> html.Section | None:
    """Return which meter was on which bike from when to when, and how far to trust it."""
    if not periods:
        return None
    rows = [
        (
            parts.meter_link(view, row["meter_id"]),
            row.get("bike_id") or theme.MISSING,
            row.get("role") or theme.MISSING,
            theme.day(row["from_date"]),
            _end(row),
            _read_at(row["points"], 0),
            _read_at(row["points"], -1),
            theme.listed(*(theme.day(reset["date"]) for reset in row["resets"])) or "never",
        )
        for row in reversed(periods)
    ]
    return parts.section(
        "Which meter when",
        _trusted(periods, tolerance),
        parts.plain_table(RIDDEN, rows, name="Which meter when", headed=True),
        name="rider-ridden",
    )


def _trusted(periods: Sequence[Document], tolerance: float | None) -> html.Figure | None:
    known = [period for period in periods if period["points"]]
    if not known or not tolerance:
        return None
    now = ", ".join(f"{p['meter_id']} {_trust_words(p, tolerance)}" for p in known)
    told = f"Which meter was ridden when, by how far it is within ±{tolerance:g} %. Last: {now}."
    rows = len({period["meter_id"] for period in known})
    drawn = figures.trusted(known, tolerance)
    return parts.chart("rider-trust", drawn, told, height_px=FRAME_PX + ROW_PX * rows)


def _trust_words(period: Document, tolerance: float) -> str:
    return figures.TRUST[figures.trust_at(period["points"][-1], tolerance)][0]


def _read_at(points: Sequence[Document], which: int) -> str:
    if not points:
        return theme.MISSING
    point = points[which]
    half = theme.half([point["lo90_pct"], point["hi90_pct"]])
    return theme.plus_minus(point["gain_error_pct"], half, "%", 1)


def reads_part(reads: Sequence[Document]) -> html.Section | None:
    """Return what each of the rider's meters shows of the same watts of the rider."""
    if not reads:
        return None
    watts = theme.quantity(reads[0]["example_w"], "W", 0)
    rows = [
        (
            row["meter_id"],
            theme.estimate(
                theme.quantity(row["shown_w"], "W", 0),
                theme.span(row["interval90_w"], 0, "W", signed=False),
            ),
            theme.quantity(row["sensor_w"], "W", 0),
        )
        for row in reads
    ]
    unknown = dict.fromkeys(text for row in reads for text in row["unknown"])
    return parts.section(
        f"What {watts} of the rider are shown as",
        html.Div(
            [
                parts.plain_table(READS, rows, name="What the meters show", headed=True),
                *(parts.remark(theme.sentence(text)) for text in unknown),
            ]
        ),
        name="rider-reads",
        note="Legs that a one-sided meter does not see, an oval ring and a chain are counted here "
        "and in what the cards show of 300 W; the gain errors are the sensors' alone.",
    )


def bikes_part(bikes: Sequence[Document]) -> html.Section | None:
    """Return what one of the rider's meters shows more than the other today."""
    if not bikes:
        return None
    rows = [
        (
            f"{row['meter_id']} over {row['other_meter_id']}",
            _more(row["difference_pct"], row["interval90_pct"], "%", 1),
            _more(row["difference_w"], row["interval90_w"], "W", 0),
            theme.probability(row["p_more"]),
        )
        for row in bikes
    ]
    return parts.section(
        "Between the bikes",
        parts.plain_table(BIKES, rows, name="Between the bikes", headed=True),
        name="rider-bikes",
        note="What to expect at the same effort on the same day, the rider's legs, rings and chain "
        "counted, with 90 % intervals. A threshold "
        "taken over from one bike to the other shifts by as much.",
    )


def _more(value: float, interval: list[float], unit: str, digits: int) -> str:
    return theme.estimate(theme.quantity(value, unit, digits), theme.span(interval, digits, unit))
