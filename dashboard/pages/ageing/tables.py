"""The ageing in numbers: its meters, the group's course, and both as files."""

from collections.abc import Iterator

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Fields, View

METERS = (
    *("Meter", "Age, years", "% a year (90 %)", "Control limits", ""),
    *("Battery swaps", "% at a swap (90 %)"),
)
COURSE = ("Age, years", "Change, %", "90 % of the mean", "90 % of its meters")
METER_COLUMNS = (
    *("model_group", "meter_id", "age_years", "drift_pct_per_year", "drift_lo90", "drift_hi90"),
    *("limit_low", "limit_high", "outside", "swaps", "swap_pct", "swap_lo90", "swap_hi90"),
    *("serial", "purchased", "firmware"),
)
COURSE_COLUMNS = ("model_group", "meter_id", "date", "age_years", "change_pct")
EVERY = 4  # of the course's points, in the table


def meter_table(view: View, group: Document) -> html.Div:
    """Return a row a meter."""
    rows = [
        (
            parts.meter_link(view, each["meter_id"]),
            theme.number(each["age_years"], 1),
            _with_ends(each["drift_pct_per_year"], each["interval90_pct_per_year"]),
            theme.span(each["limits_pct_per_year"], 2),
            "beyond its limits" if each["outside"] else "",
            theme.number(each["swaps"], 0),
            _with_ends(each["swap_pct"], each["swap_interval90_pct"]),
        )
        for each in group["meters"]
    ]
    name = f"Ageing of the meters of {group['model_group']}"
    return parts.plain_table(METERS, rows, name=name, numbers=(1, 2, 3, 5, 6), headed=True)


def _with_ends(value: float | None, ends: list[float] | None) -> str:
    if value is None:
        return theme.MISSING
    return f"{theme.number(value, 2, signed=True)} ({theme.span(ends, 2, '')})"


def course_table(group: Document) -> html.Div:
    """Return the group's course with age, the years ahead among it."""
    rows = [
        (
            theme.number(row["age_years"], 1),
            theme.number(row["change_pct"], 2, signed=True),
            theme.span(row["interval90_pct"], 2),
            theme.span(row["meters90_pct"], 2),
        )
        for row in group["course"][::EVERY]
    ]
    name = f"Course of {group['model_group']} with age"
    return parts.plain_table(COURSE, rows, name=name, numbers=(0, 1, 2, 3), headed=True)


def meter_rows(found: Document) -> Iterator[Fields]:
    """Yield the meters as a file has them."""
    for group in found["groups"]:
        for each in group["meters"]:
            ends = {
                "drift_lo90": each["interval90_pct_per_year"][0],
                "drift_hi90": each["interval90_pct_per_year"][1],
                "limit_low": each["limits_pct_per_year"][0],
                "limit_high": each["limits_pct_per_year"][1],
            }
            if each["swap_interval90_pct"]:
                ends |= dict(
                    zip(("swap_lo90", "swap_hi90"), each["swap_interval90_pct"], strict=True)
                )
            yield {"model_group": group["model_group"], **each, **ends}


def course_rows(found: Document) -> Iterator[Fields]:
    """Yield every sensor's course as a file has it."""
    for group in found["groups"]:
        for each in group["meters"]:
            for point in each["points"]:
                about = {"model_group": group["model_group"], "meter_id": each["meter_id"]}
                yield {**about, **point}
