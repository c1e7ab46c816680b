"""The eve of a race: which meter is likely out, and what can still be done with it."""

from collections.abc import Sequence

from dash import html

from dashboard import theme
from dashboard.components.sections import section
from dashboard.navigation import Document


def race_eve_part(found: Sequence[Document], as_of: object) -> html.Section | None:
    """Return the meters that are likely out just before an A race, and what can still be done."""
    if not found:
        return None
    return section(
        "Just before an A race",
        *[_eve(row, as_of) for row in found],
        name="race-eve",
        note=f"{found[0]['first']} {found[0]['never']}",
    )


def _eve(row: Document, as_of: object) -> html.Div:
    rider = f", {row['rider_id']}" if row.get("rider_id") else ""
    when = f"{theme.day(row['race_on'])}, {theme.away(row['race_on'], as_of)}"
    chance = theme.probability(row["p_within_tolerance"])
    return html.Div(
        [
            html.H3(f"{row['meter_id']}{rider}, race on {when}"),
            html.P(f"Likely out of tolerance: the probability that it is within is {chance}."),
            html.Ul([html.Li(f"{one['do']} Risk: {one['risk']}.") for one in row["options"]]),
        ],
        className="race-eve",
    )
