"""What the season's money goes to, by item and by group of meters."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document
from dashboard.pages.budget.evidence import address_of

ROW_PX, FRAME_PX = 44, 130
GROUPS = (
    *("Group", "Meters", "Cost, 90 %", "Drift a year, 90 %"),
    *("Sessions that found it out of tolerance, 90 %", "Probability within tolerance after a year"),
    "Years until the target is missed, 90 %",
    "Its meters' due dates, years from now",
)


def items_part(found: Document) -> html.Section:
    """Return the cost of each item."""
    unit = found["currency"]
    rows = [
        (
            theme.title(row["item"]),
            theme.money(row["cost"], unit),
            _item_span(row["interval90"], unit),
        )
        for row in found["by_item"]
    ]
    return parts.section(
        "By item",
        parts.plain_table(
            ("Item", "Cost", "90 %"), rows, name="By item", numbers=(1,), headed=True
        ),
        name="budget-items",
        note="90 %: in nine of ten such seasons the cost lies in this range; what varies is "
        "batteries and replacements. Bench visits are counted as done and planned; visits after "
        "an alarm would come on top.",
    )


def _item_span(interval: list[float], unit: str | None) -> str:
    """Return the interval of an item's money; nothing where it is sure."""
    low, high = interval
    return theme.money_span(interval, unit) if high - low >= 1 else theme.MISSING


def choices_part(found: Document) -> html.Section | None:
    """Return what other numbers of visits would buy, the fewest first."""
    rows = found.get("choices") or []
    if not rows:
        return None
    unit = found["currency"]
    titles = ("Visits", "How many", "Cash", "Days out of tolerance, 90 %", "Priced risk, no cash")
    return parts.section(
        "What a number of visits buys",
        parts.plain_table(
            titles, [_choice(row, unit) for row in rows], name="Choices", headed=True
        ),
        name="budget-choices",
        note="The visits of each row go where they spare most, within the slots of the bench; "
        "“88 of 150” means that more would not fit or spare nothing. The intervals suppose that a "
        "meter that is out stays out until its next visit. Mishaps are not in this table. Give a "
        "number of your own under What if.",
    )


def _choice(row: Document, unit: str | None) -> tuple[Any, ...]:
    return (
        theme.sentence(row["name"]).rstrip("."),
        _how_many(row),
        theme.money(row["cash"], unit),
        theme.estimate(
            theme.number(row["days_out"], 0), theme.span(row["interval90"], 0, "", signed=False)
        ),
        theme.money(row["risk"], unit),
    )


def _how_many(row: Document) -> str:
    """Return the visits, and of how many where so many do not fit or spare nothing."""
    asked = row.get("asked")
    return f"{row['visits']} of {asked}" if asked and asked > row["visits"] else f"{row['visits']}"


def beside_part(found: Document) -> html.Section | None:
    """Return the period beside the same days of the two years before."""
    rows = found.get("beside") or []
    if not rows:
        return None
    heads = [_period(one["from"], one["to"]) for one in rows[0]["before"]]
    unit = found["currency"]
    return parts.section(
        "Beside the last two seasons",
        _seasons(rows, unit),
        parts.plain_table(
            ("Item", *heads, _period(found["from"], found["to"]), "Why it differs"),
            [_beside(row, unit) for row in rows],
            name="Beside the last two seasons",
            numbers=(1, 2, 3),
            headed=True,
        ),
        name="budget-beside",
        note="The past is counted from the records, at what was paid, else at today's prices. What "
        "is to come is expected, with its 90 % interval.",
    )


def _seasons(rows: list[Document], unit: str | None) -> html.Figure | None:
    """Return what is spent on each item, drawn by season."""
    paid = [row for row in rows if row["money"] is not None]
    if not paid:
        return None
    past = [f"{theme.day(one['from'])} on" for one in paid[0]["before"]]
    drawn = figures.seasons(paid, [*past, "this season, expected"], unit)
    now = ", ".join(f"{theme.title(r['what'])} {theme.money(r['money'], unit)}" for r in paid)
    told = f"Money by item in this season and the same days of the two years before. Now: {now}."
    return parts.chart("budget-seasons", drawn, told, height_px=FRAME_PX + ROW_PX * len(paid))


def _period(first: str, last: str) -> str:
    return f"{theme.day(first)} to {theme.day(last)}"


def _beside(row: Document, unit: str | None) -> tuple[Any, ...]:
    past = [_counted(one["n"], theme.money(one["money"], unit)) for one in row["before"]]
    return (theme.title(row["what"]), *past, _expected(row, unit), theme.sentence(row["why"]))


def _counted(n: float | None, money: str) -> str:
    """Return how many, and their money where it is an expense: 150: 9 000 EUR."""
    many = None if n is None else theme.number(n, 0)
    return ": ".join(part for part in (many, money) if part and part != theme.MISSING)


def _expected(row: Document, unit: str | None) -> str:
    money = theme.money(row["money"], unit)
    low, high = row["interval90"] or (0.0, 0.0)
    if high - low >= 1:
        money = theme.estimate(money, theme.money_span([low, high]))
    if row["money"] is None and row["n"] is not None and row["interval90"]:
        return theme.estimate(theme.number(row["n"], 0), theme.money_span([low, high]))
    return _counted(row["n"], money)


def groups_part(found: Document, as_of: str | None = None) -> html.Section:
    """Return each group's cost, and how long its meters stay within tolerance."""
    costs = {row["group"]: row for row in found["by_group"]}
    due = {row["group"]: row for row in found.get("due", ())}
    rows = [
        (
            *_group(row, costs.get(row["group"]), found["currency"], as_of),
            _due(due.get(row["group"])),
        )
        for row in found["groups"]
    ]
    return parts.section(
        "By group",
        parts.plain_table(GROUPS, rows, name="By group", headed=True),
        name="budget-groups",
        note="A group's name leads to the evidence for a claim. "
        "Drift of the sensor, with changes of the slope added back. The day on which a meter "
        "left its tolerance is only known to lie between two sessions (interval-censored); it "
        "counts from the first day in use, of meters reset at the bench meanwhile: "
        "left alone, they would be out sooner. Those years are of a group since its meters were "
        "new, with all that knocks and wrong settings did. A due date is of one meter since its "
        "last session, with no knock to come, and is later where it was reset lately.",
    )


def _group(
    row: Document, cost: Document | None, unit: str | None, as_of: str | None
) -> tuple[Any, ...]:
    found_out = f"{row.get('found_out')} of {row.get('sessions')}"
    return (
        parts.link(row["group"], address_of(row["group"], as_of)),
        row["meters"],
        _cost(cost, unit) if cost else theme.MISSING,
        theme.estimate(
            theme.percent(row.get("drift_pct_per_year")), theme.span(row.get("drift_interval90"))
        ),
        theme.estimate(found_out, theme.share_span(row.get("out_share_interval90")))
        if row.get("out_share") is not None
        else theme.MISSING,
        theme.estimate(
            theme.probability(row.get("within_1y")),
            theme.share_span(row.get("within_1y_interval90")),
        ),
        _years(row),
    )


def _due(row: Document | None) -> str:
    """Return when a group's meters are due: half of them by 1.2 (0 to 1.8; 1 later than 5)."""
    if row is None or not row["years"]:
        return theme.MISSING
    years = row["years"]
    low, half, high = (
        theme.number(value, 1) for value in (years[0], years[len(years) // 2], years[-1])
    )
    later = f"; {row['later']} after 5" if row["later"] else ""
    return f"{half} ({low} to {high}{later})"


def _cost(cost: Document, unit: str | None) -> str:
    return theme.estimate(theme.money(cost["cost"], unit), theme.money_span(cost["interval90"]))


def _years(row: Document) -> str:
    """Return the years until the target is missed; where it never was, why there is no number."""
    years = row.get("reliable_years")
    if years is None:
        return theme.sentence(row.get("time_reason")) or theme.MISSING
    low, high = (theme.number(end, 1) for end in row["reliable_years_interval90"])
    return f"{theme.number(years, 1)} ({low} to {high})"
