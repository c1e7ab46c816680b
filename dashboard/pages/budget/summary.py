"""The budget that has arrived: the total, what the what-if changes, facts and remarks."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View
from dashboard.pages.budget.ranking import ranking_part
from dashboard.pages.budget.spending import beside_part, choices_part, groups_part, items_part


def draw_budget(found: Document, as_is: Document | None, asked: Document) -> list[Any]:
    """Return the whole budget. as_is: the same without the what-if, to compare with."""
    view = View(query={"as_of": asked["as_of"]} if asked["as_of"] else {})
    return [
        html.P([headline(found), " ", a_year_ago(found)], className="headline", role="status"),
        html.P(_what_if(found, as_is, asked), className="what-if-said") if as_is else None,
        _facts(found),
        html.Div([items_part(found), _remarks(found)], className="budget-top"),
        choices_part(found),
        beside_part(found),
        groups_part(found, asked["as_of"]),
        ranking_part(found, view),
    ]


def headline(found: Document) -> str:
    """Return the season's cost in one sentence."""
    unit = found["currency"]
    return (
        f"From {theme.day(found['from'])} to {theme.day(found['to'])} the meters cost "
        f"{theme.money(found['total'], unit)} "
        f"(90{theme.NBSP}%: {theme.money_span(found['interval90'], unit)})."
    )


def a_year_ago(found: Document) -> str:
    """Return what the same days cost a year ago, and how much of it went on visits."""
    rows = [row for row in found.get("beside") or [] if row["money"] is not None]
    if not rows:
        return ""
    total = sum(row["before"][-1]["money"] for row in rows)
    visits = [row["before"][-1] for row in rows if row["what"] == "bench_session"]
    unit = found["currency"]
    said = f"The same days a year ago cost {theme.money(total, unit)}"
    for one in visits:
        said += f", {theme.money(one['money'], unit)} of it for "
        said += theme.plural(int(one["n"]), "visit")
    return f"{said}."


def _what_if(found: Document, as_is: Document, asked: Document) -> str:
    said = difference(found, as_is)
    target = target_said(asked)
    return (said or "What if: no change in cost.") + target if target else said


def difference(found: Document, as_is: Document) -> str:
    """Return what the what-if changes; nothing without one."""
    if found is as_is or found == as_is:
        return ""
    changes = [
        _more_money(found["total"] - as_is["total"], found["currency"]),
        _more_days(found.get("risk"), as_is.get("risk")),
        _more_visits(found["visits_planned"] - as_is["visits_planned"]),
    ]
    return f"What if: {theme.listed(*changes)}."


def _more_money(more: float, unit: str | None) -> str:
    if abs(more) < 0.5:
        return "no change in cost"
    return f"{theme.money(abs(more), unit)} {'more' if more > 0 else 'less'} than as it is"


def _more_days(risk: Document | None, before: Document | None) -> str:
    if not risk or not before:
        return ""
    days = risk["days_out_of_tolerance"] - before["days_out_of_tolerance"]
    if abs(days) < 0.5:
        return ""
    word = "more" if days > 0 else "fewer"
    return f"{theme.number(abs(days), 0)} {word} days ridden out of tolerance"


def _more_visits(visits: int) -> str:
    if not visits:
        return ""
    word = "more" if visits > 0 else "fewer"
    return theme.plural(abs(visits), f"{word} visit")


def target_said(asked: Document) -> str:
    """Return what another reliability target does, and what it does not."""
    if asked.get("target") is None:
        return ""
    return (
        " The target moves no visit, because the plan is made at least cost. It decides from when "
        "on a meter counts as due, and the years until the target is missed (By group)."
    )


def _facts(found: Document) -> html.Dl:
    unit, risk = found["currency"], found.get("risk")
    pairs: list[tuple[str, Any]] = [("Bench visits", _visits(found))]
    if risk:
        days, without = risk["days_out_of_tolerance"], risk["days_out_without_visits"]
        pairs += [
            (
                "Days ridden out of tolerance",
                _days(days, risk.get("days_interval90")) + _struck(risk.get("with_mishaps")),
            ),
            ("The same without any visit", f"about {theme.number(without, 0)}"),
            ("Risk of those days (not spent)", _risk(risk, unit)),
        ]
    return parts.facts(pairs)


def _struck(found: Document | None) -> str:
    """Return the days with mishaps: what last year's can be held against."""
    if not found:
        return ""
    low, high = map(_whole, found["interval90"])
    return f"; with mishaps about {_whole(found['days'])} ({low} to {high})"


def _days(days: float, interval: list[float] | None) -> str:
    low, high = interval or (days, days)
    return f"about {theme.number(days, 0)} (90{theme.NBSP}%: {_whole(low)} to {_whole(high)})"


def _whole(value: float) -> str:
    return theme.number(value, 0)


def _risk(risk: Document, unit: str | None) -> str:
    """Return the money that the days stand for, and how it is reckoned: a race weighs more."""
    money, days = theme.money(risk["money"], unit), risk.get("days_weighed")
    if days is None:
        return money
    return (
        f"{money}: {theme.number(days, 0)} days × {theme.money(risk['day_cost'], unit)}, a day "
        f"of an A race counted five times and of a B race twice"
    )


def _visits(found: Document) -> str:
    """Return visits done and to come, with their money: 3 done, 180 EUR; 21 planned, 1 260 EUR."""
    bench, unit = found.get("bench"), found["currency"]
    if bench is None:
        return f"{found['visits_planned']} planned"
    planned = f"{bench['planned']} planned, {theme.money(bench['planned_cost'], unit)}"
    if not bench["done"]:
        return planned
    return f"{bench['done']} done, {theme.money(bench['done_cost'], unit)}; {planned}"


def _remarks(found: Document) -> html.Div | None:
    claims = parts.sentences(claim.get("text") for claim in found.get("warranty") or [])
    remarks = parts.sentences([*found["lacks"], *found["notes"]], className="remark")
    lists: list[Any] = []
    if claims:
        lists += [html.H3("Warranty ends soon"), claims]
    if remarks:
        lists += [html.H3("Good to know"), remarks]
    return html.Div(lists) if lists else None
