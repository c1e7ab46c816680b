"""The picture of the whole fleet: every meter's interval against its own tolerance."""

from collections import Counter
from collections.abc import Sequence

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

NAMED = 6
HOW_TO_READ = (
    "A line a meter: its 90 % interval, as parts of its own tolerance (the strip), the lowest "
    "first; the marks are those on the buttons. Click one to open it."
)


def picture_part(status: Document) -> html.Figure:
    """Return the place of the picture; the browser draws the rows into it that the table shows."""
    said = described(status["meters"])
    return html.Figure(
        [
            html.P(HOW_TO_READ, id="fleet-picture-told", className="picture-told"),
            html.Div(id="fleet-picture", className="picture", **parts.aria(hidden="true")),
            html.Figcaption(said, className="unseen"),
        ],
        className="fleet-picture",
        **parts.aria(label="Every meter's interval against its tolerance"),
    )


def described(meters: Sequence[Document]) -> str:
    """Return what the picture shows, in words."""
    known = [row for row in meters if _reach(row) is not None]
    reach = Counter(map(_reach, known))
    said = [
        f"{theme.plural(len(known), 'meter')}, each with its 90 % interval.",
        f"Wholly within tolerance: {reach[0]}; reaching above it: {reach[1]}; "
        f"below it: {reach[-1]}; beyond both limits: {reach[2]}.",
    ]
    for name in ("out", "due", "soon"):
        rows = [row for row in known if row["status"] == name]
        if rows:
            said.append(f"{theme.STATUSES[name].word}: {_named(rows)}.")
    if len(known) < len(meters):
        said.append(f"Without an estimate, and not drawn: {len(meters) - len(known)}.")
    return " ".join(said)


def _named(rows: Sequence[Document]) -> str:
    worst = sorted(rows, key=lambda row: -abs(row["gain_error_pct"]) / row["tolerance_pct"])
    named = [
        f"{row['meter_id']} {theme.percent(row['gain_error_pct'], 1)}" for row in worst[:NAMED]
    ]
    more = [f"{len(rows) - NAMED} more"] if len(rows) > NAMED else []
    return ", ".join([*named, *more])


def _reach(row: Document) -> int | None:
    """Return 0 for an interval within tolerance, ± 1 beyond one limit, 2 beyond both."""
    limit, interval = row.get("tolerance_pct"), row.get("interval90_pct") or ()
    ends = [end for end in interval if theme.is_number(end)]
    if not limit or len(ends) < 2:
        return None
    below, above = ends[0] < -limit, ends[1] > limit
    return 2 if below and above else int(above) - int(below)
