"""What each further bench visit buys: the ways to plan visits, compared by simulation."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document


def draw_policies(found: Document) -> html.Section:
    """Return the comparison that has arrived: in a sentence, drawn, and in numbers."""
    rows = found["policies"]
    record = found.get("record")
    told = "; ".join(_told(row) for row in rows)
    return parts.section(
        "What each further visit buys",
        html.P([theme.sentence(found["text"]), " ", _prices_said(found)]),
        html.P(
            [
                _record_said(record),
                html.Span(
                    f"{found['simulated']} {found['not_simulated']}".strip(), className="no-print"
                ),
            ]
        ),
        parts.chart("policies", figures.policies(rows, record), f"Policies compared. {told}."),
        _on_paper(rows, record),
        html.Details([html.Summary("The same in numbers"), _table(found)]),
        html.Details([html.Summary("Where the fit is wrong about the meters"), _elsewhere(found)]),
        name="budget-policies",
        note=f"Simulated with meters that behave as the fit says: {found['fleets']} fleets "
        f"like this one of {found['meters']} meters over "
        f"{theme.number(found['years'], 0)} years. Bars hold 90 % of them. The season's plan is "
        "made at least cost: visits and days out of tolerance together.",
    )


def _told(row: Document) -> str:
    return (
        f"{row['name']}: "
        f"{theme.number(row['visits_per_meter_year'], 2)} visits a year, "
        f"{theme.share(row['out_of_tolerance_share'], 1)} of days"
    )


def _record_said(record: Document | None) -> str:
    """Return what the team did in the last year, as the fit sees it now."""
    if not record:
        return ""
    return (
        f"Last year, {theme.day(record['from'])} to {theme.day(record['to'])}: "
        f"{theme.number(record['visits_per_meter_year'], 1)} visits a meter, "
        f"{theme.share(record['out_of_tolerance_share'], 1)} of the days ridden out of tolerance. "
        f"{_most_said(record['most'])}"
    )


def _most_said(most: Sequence[Document]) -> str:
    """Return which meters were out on most of those days."""
    named = [f"{row['meter_id']} {theme.number(row['days_out'], 0)}" for row in most]
    return f"The most days by meter: {theme.listed(*named)}. " if named else ""


def _prices_said(found: Document) -> str:
    """Return the prices of a visit and of a day out of tolerance, so that both weigh in money."""
    visit, day, unit = found.get("visit_cost"), found.get("day_cost"), found.get("currency")
    if not visit or not day:
        return ""
    return (
        f"A visit costs {theme.money(visit, unit)}, a day ridden out of tolerance counts as "
        f"{theme.money(day, unit)}: a visit pays where it prevents "
        f"{theme.number(visit / day, 1)} such days."
    )


def _on_paper(rows: Sequence[Document], record: Document | None) -> html.Div:
    """Return the chart as it is printed: drawn beside the screen's, in its own size and colours."""
    return html.Div(
        dcc.Graph(figure=figures.on_paper(rows, record), config={"staticPlot": True}),
        className="chart-on-paper",
        **parts.aria(hidden="true"),
    )


def _table(found: Document) -> html.Div:
    unit = found.get("currency") or "money"
    titles = (
        *("Policy", "Visits a meter and year", "Days out of tolerance, 90 %"),
        f"Cash for visits and priced risk, {unit} a meter and year",
        "Visits that a fixed interval needs for the same",
    )
    saved = {row["name"]: row["fixed_visits_per_meter_year"] for row in found["visits_saved"]}
    rows = [_policy(row, saved.get(row["name"])) for row in found["policies"]]
    return parts.plain_table(titles, rows, name="Policies")


def _elsewhere(found: Document) -> html.Div:
    unit = found.get("currency") or "money"
    titles = (
        *("Where …", "Cheapest there", "Days out of tolerance, planned at least cost"),
        f"Planning at least cost costs more than the cheapest, {unit} a meter and year",
    )
    rows = [
        html.Tr(
            [
                html.Th(world["said"], scope="row"),
                html.Td(world["cheapest"]),
                html.Td(theme.share(world["planned_out_share"], 2)),
                html.Td(theme.money(world["planned_costs_more"])),
            ]
        )
        for world in found["elsewhere"]
    ]
    return parts.plain_table(titles, rows, name="Policies where the fit is wrong")


def _policy(row: Document, fixed_visits: float | None) -> html.Tr:
    used = figures.in_use(row)
    name: list[Any] = [row["name"]]
    if used:
        name.append(html.B("in use", className="in-use"))
    share, interval = row["out_of_tolerance_share"], row["interval90"]
    cells = (
        theme.number(row["visits_per_meter_year"], 2),
        theme.estimate(theme.share(share, 2), theme.share_span(interval, 2)),
        theme.money(row.get("cost_per_meter_year")),
        theme.number(fixed_visits, 2),
    )
    head = html.Th(name, scope="row")
    return html.Tr([head, *map(html.Td, cells)], className="row-in-use" if used else "")
