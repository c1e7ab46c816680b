"""The parts of the budget page: the total, items, groups, what to replace, the policies' chart."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document, View, meter_path

VERDICTS = {"keep": "Keep", "replace": "Replace", None: "Gone"}
FIRST: dict[str | None, str] = {"bench": "Bench first", "compare": "Compare first"}
FEW: Document = {"paginationPageSize": 10, "paginationPageSizeSelector": [10, 25, 50, 200]}
PRINTED = 8  # meters on the printed page


def money(value: float | None, currency: str | None) -> str:
    """An amount in whole units of its currency."""
    text = theme.number(value, 0)
    return f"{text}{theme.NBSP}{currency}" if currency and text != theme.MISSING else text


def money_span(interval: list[float], currency: str | None) -> str:
    """An interval of money: 1 455 to 2 629 EUR."""
    low, high = interval
    return f"{theme.number(low, 0)} to {money(high, currency)}"


def draw_budget(found: Document, as_is: Document | None, asked: Document) -> list[Any]:
    """The budget that has arrived. as_is: the same without the what-if, to compare with."""
    view = View(query={"as_of": asked["as_of"]} if asked["as_of"] else {})
    return [
        html.P(headline(found), className="headline", role="status"),
        html.P(_what_if(found, as_is, asked), className="what-if-said") if as_is else None,
        _facts(found),
        html.Div([_items(found), _remarks(found)], className="budget-top"),
        _groups(found),
        _meters(found, view),
    ]


def _what_if(found: Document, as_is: Document, asked: Document) -> str:
    said = difference(found, as_is)
    target = target_said(asked)
    return (said or "What if: no change in cost.") + target if target else said


def headline(found: Document) -> str:
    """The season's cost in one sentence."""
    unit, ninety = found["currency"], f"90{theme.NBSP}%"
    return (
        f"From {theme.day(found['from'])} to {theme.day(found['to'])} the meters cost "
        f"{money(found['total'], unit)} ({money_span(found['interval90'], unit)} at {ninety})."
    )


def difference(found: Document, as_is: Document) -> str:
    """What the what-if changes; nothing without one."""
    if found is as_is or found == as_is:
        return ""
    unit, more = found["currency"], found["total"] - as_is["total"]
    said = f"What if: {money(abs(more), unit)} {'more' if more > 0 else 'less'} than as it is"
    if abs(more) < 0.5:
        said = "What if: no change in cost"
    risk, before = found.get("risk"), as_is.get("risk")
    if risk and before:
        days = risk["days_out_of_tolerance"] - before["days_out_of_tolerance"]
        word = "more" if days > 0 else "fewer"
        if abs(days) >= 0.5:
            said += f", {theme.number(abs(days), 0)} {word} days ridden out of tolerance"
    visits = found["visits_planned"] - as_is["visits_planned"]
    if visits:
        many = theme.plural(abs(visits), "visit").replace(
            " ", f" {'more' if visits > 0 else 'fewer'} "
        )
        said += f", {many}"
    return said + "."


def target_said(asked: Document) -> str:
    """What another reliability target does, and what it does not."""
    if asked.get("target") is None:
        return ""
    return (
        " The plan is made by cost, so the target moves no visit: it decides from when on a meter "
        "counts as due, and the years until the target is missed (By group)."
    )


def _facts(found: Document) -> html.Dl:
    unit, risk = found["currency"], found.get("risk")
    pairs: list[tuple[str, Any]] = [("Bench visits", _visits(found))]
    if risk:
        days, without = risk["days_out_of_tolerance"], risk["days_out_without_visits"]
        pairs += [
            ("Ridden out of tolerance", f"about {theme.number(days, 0)} days"),
            ("Without any visit", f"about {theme.number(without, 0)} days"),
            ("What those days put at stake (no expense)", money(risk["money"], unit)),
        ]
    return parts.facts(pairs)


def _visits(found: Document) -> str:
    """Done and to come, each with its money: 3 done, 180 EUR; 21 planned, 1 260 EUR."""
    bench, unit = found.get("bench"), found["currency"]
    if bench is None:
        return f"{found['visits_planned']} planned"
    planned = f"{bench['planned']} planned, {money(bench['planned_cost'], unit)}"
    if not bench["done"]:
        return planned
    return f"{bench['done']} done, {money(bench['done_cost'], unit)}; {planned}"


def _remarks(found: Document) -> html.Div | None:
    told = [*found["lacks"], *found["notes"]]
    said = [theme.sentence(text) for text in told if not text.endswith("see risk.")]  # said above
    claims = [theme.sentence(claim.get("text")) for claim in found.get("warranty") or []]
    lists: list[Any] = []
    if claims:
        lists += [html.H3("Warranty about to close"), html.Ul([html.Li(t) for t in claims])]
    if said:
        lists += [html.H3("To know"), html.Ul([html.Li(text) for text in said], className="remark")]
    return html.Div(lists) if lists else None


def _items(found: Document) -> html.Section:
    unit = found["currency"]
    rows = [
        html.Tr(
            [
                html.Th(theme.words(row["item"]).capitalize(), scope="row"),
                html.Td(money(row["cost"], unit), className="num"),
                html.Td(money_span(row["interval90"], unit)),
            ]
        )
        for row in found["by_item"]
    ]
    table = parts.plain_table(("Item", "Cost", "90 %"), rows, name="By item")
    note = (
        "90 %: in nine of ten such seasons the money lies in between; what varies is batteries "
        "and replacements. Bench visits are held at what is done and planned: visits after an "
        "alarm would come on top."
    )
    return parts.section("By item", table, name="budget-items", note=note)


def _groups(found: Document) -> html.Section:
    costs = {row["group"]: row for row in found["by_group"]}
    rows = [_group(row, costs.get(row["group"]), found["currency"]) for row in found["groups"]]
    titles = (
        *("Group", "Meters", "Cost, 90 %", "Drift a year, 90 %"),
        *(
            "Sessions that found it out of tolerance, 90 %",
            "Still within after a year",
            "Years until the target is missed",
        ),
    )
    return parts.section(
        "By group",
        parts.plain_table(titles, rows, name="By group"),
        name="budget-groups",
        note="Drift of the sensor, resets added back. When a meter left its tolerance is only "
        "known to lie between two sessions, and is counted so.",
    )


def _group(row: Document, cost: Document | None, unit: str | None) -> html.Tr:
    spent = theme.MISSING
    if cost:
        spent = f"{money(cost['cost'], unit)} ({money_span(cost['interval90'], None)})"
    share = theme.MISSING
    if row.get("out_share") is not None:
        share = f"{row['found_out']} of {row['sessions']} ({_shares(row['out_share_interval90'])})"
    drift = theme.percent(row.get("drift_pct_per_year"))
    if drift != theme.MISSING:
        drift += f" ({theme.span(row['drift_interval90'])})"
    within = theme.probability(row.get("within_1y"))
    if within != theme.MISSING:
        within += f" ({_shares(row['within_1y_interval90'])})"
    cells = (row["meters"], spent, drift, share, within, _years(row))
    return html.Tr([html.Th(row["group"], scope="row"), *(html.Td(cell) for cell in cells)])


def _shares(interval: list[float | None]) -> str:
    low, high = interval
    if low is None or high is None:
        return theme.MISSING
    return f"{theme.number(100 * low, 0)} to {theme.number(100 * high, 0)}{theme.NBSP}%"


def _years(row: Document) -> str:
    years, interval = row.get("reliable_years"), row.get("reliable_years_interval90") or [None] * 2
    if years is None:
        return theme.sentence(row.get("time_reason")) or theme.MISSING
    low, high = (theme.number(end, 1) for end in interval)
    return f"{theme.number(years, 1)} ({low} to {high})"


def _meters(found: Document, view: View) -> html.Section:
    rows = meter_rows(found, view)
    bad = [row for row in rows if row["verdict"] != "Keep"]
    printed = [
        html.Li([html.B(row["meter_id"]), f": {row['verdict'].lower()}. {row['reason']}"])
        for row in (bad or rows)[:PRINTED]
    ]
    sure = sum(row["verdict"] == "Replace" for row in rows)
    many = theme.plural(sure, "meter") if sure else "No meter"
    said = f"{many} would pay for a new one within three years."
    first = sum(row["verdict"] in FIRST.values() for row in rows)
    if first:
        said += f" Of {theme.plural(first, 'meter')} too little is known to say: measure first."
    return parts.section(
        "Keep or replace",
        html.Div(
            parts.table("budget-meters", rows, meter_columns(found), key="meter_id", options=FEW),
            className="no-print",
        ),
        html.Ul(printed, className="print-only"),
        name="budget-meters-part",
        note="What it takes to hold a meter within tolerance as it is ridden, against a new one "
        f"over three years; the 90 % is about what is not known of the meter. {said}",
    )


def meter_rows(found: Document, view: View) -> list[Document]:
    """The ranking's rows: what gains most by a new one first."""
    rows = sorted(found["meters"], key=lambda row: -(row.get("gain_if_replaced") or -1e9))
    return [
        {
            "meter_id": row["meter_id"],
            "href": view.link(meter_path(row["meter_id"])),
            "verdict": FIRST.get(row.get("find_out_first"))
            or VERDICTS.get(row["keep_or_replace"], "Keep"),
            "gain": row.get("gain_if_replaced"),
            "gain_text": _gain(row),
            "cost": row["cost"],
            "cost_text": f"{theme.number(row['cost'], 0)} ({money_span(row['interval90'], None)})",
            "own": row.get("holding_cost_per_year"),
            "own_text": theme.number(row.get("holding_cost_per_year"), 0),
            "new": row.get("new_holding_cost_per_year"),
            "new_text": theme.number(row.get("new_holding_cost_per_year"), 0),
            "reason": theme.sentence(row["reason"]),
        }
        for row in rows
    ]


def _gain(row: Document) -> str:
    text = theme.number(row.get("gain_if_replaced"), 0, signed=True)
    if not row.get("gain_interval90"):
        return text
    low, high = (theme.number(end, 0, signed=True) for end in row["gain_interval90"])
    return f"{text} ({low} to {high})"


def meter_columns(found: Document) -> list[Document]:
    """The ranking's columns; the narrower the screen, the fewer."""
    unit = found["currency"] or "money"
    return [
        parts.text_column("meter_id", "Meter", cellRenderer="DeviceCell", width=104),
        parts.text_column("verdict", "Verdict", width=104),
        parts.number_column(
            "gain", f"Gained by a new one, 3 years (90 %), {unit}", "gain_text", width=190
        ),
        parts.number_column("cost", f"Cost of the season (90 %), {unit}", "cost_text", width=150),
        parts.number_column("own", "To hold it, a year", "own_text", width=110, since=900),
        parts.number_column("new", "A new one, a year", "new_text", width=110, since=900),
        parts.text_column("reason", "Why", flex=3, minWidth=220, since=620),
    ]


def draw_policies(found: Document) -> html.Section:
    """What each further visit buys."""
    rows = found["policies"]
    told = "; ".join(
        f"{figures.long_name(row['name'])}: "
        f"{theme.number(row['visits_per_meter_year'], 2)} visits a year, "
        f"{theme.percent(100 * row['out_of_tolerance_share'], 1, signed=False)} of days"
        for row in rows
    )
    unit = found.get("currency") or "money"
    titles = (
        *("Policy", "Visits a meter and year", "Days out of tolerance, 90 %"),
        f"Visits and days out, {unit} a meter and year",
        "Fixed interval's visits for the same",
    )
    return parts.section(
        "What each further visit buys",
        html.P([theme.sentence(found["text"]), " ", _prices_said(found)]),
        parts.chart("policies", figures.policies(rows), f"Policies compared. {told}."),
        _on_paper(rows),
        html.Details(
            [
                html.Summary("The same in numbers"),
                parts.plain_table(titles, [_policy(row, found) for row in rows], name="Policies"),
            ]
        ),
        name="budget-policies",
        note=f"Simulated: {found['fleets']} fleets like this one of {found['meters']} meters over "
        f"{theme.number(found['years'], 0)} years. Whiskers hold 90 % of them. The season's plan "
        "is made by cost.",
    )


def _prices_said(found: Document) -> str:
    """What a visit and a day out of tolerance are priced at, so that both weigh in money."""
    if found.get("visit_cost") is None:
        return ""
    unit = found.get("currency")
    return (
        f"A visit costs {money(found['visit_cost'], unit)}, a day ridden out of tolerance is "
        f"priced at {money(found['day_cost'], unit)}."
    )


def _on_paper(rows: list[Document]) -> html.Div:
    """The chart as it is printed: drawn beside the screen's, in its own size and colours."""
    return html.Div(
        dcc.Graph(figure=figures.on_paper(rows), config={"staticPlot": True}),
        className="chart-on-paper",
        **parts.aria(hidden="true"),
    )


def _policy(row: Document, found: Document) -> html.Tr:
    low, high = row["interval90"]
    share = theme.percent(100 * row["out_of_tolerance_share"], 2, signed=False)
    ends = theme.span([100 * low, 100 * high], 2).replace("+", "")
    saved = {s["name"]: s["fixed_visits_per_meter_year"] for s in found["visits_saved"]}
    used = figures.in_use(row["name"])
    name: list[Any] = [figures.long_name(row["name"])]
    if used:
        name.append(html.B("in use", className="in-use"))
    cells = (
        theme.number(row["visits_per_meter_year"], 2),
        f"{share} ({ends})",
        theme.number(row.get("cost_per_meter_year"), 0),
        theme.number(saved.get(row["name"]), 2),
    )
    head = html.Th(name, scope="row")
    return html.Tr([head, *map(html.Td, cells)], className="row-in-use" if used else "")
