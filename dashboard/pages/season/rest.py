"""Below the plan's weeks: what is pinned by hand, and the meters that get no visit."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Fields, View, meter_path


def pinned_part(pins: dict[str, list[str]], idle: Sequence[Document]) -> html.Section | None:
    """Return the pins that are kept, each with a way to undo it, and why one has no effect here."""
    why = {(row["meter_id"], row["week"]): row["why"] for row in idle}
    lines = [
        _pin(meter, week, why.get((meter, week)))
        for meter, weeks in sorted(pins.items())
        for week in weeks
    ]
    if not lines:
        return None
    return parts.section(
        f"Pinned by hand ({len(lines)})", html.Ul(lines, className="pins"), name="season-pins"
    )


def _pin(meter: str, week: str, why: str | None) -> html.Li:
    said: list[Any] = [html.B(meter), f" to the week of {theme.day(week)}"]
    if why:
        said.append(f" ({why}, so it does not count here)")
    facts = parts.facts_of(meter=meter, week=week)
    label = f"Unpin {meter} from the week of {theme.day(week)}"
    button = html.Button(
        "Unpin", className="quiet unpin", n_clicks=0, **facts, **parts.aria(label=label)
    )
    return html.Li([html.Span(said), button])


def unplanned_part(plan: Document, as_of: str | None) -> html.Section:
    """Return every meter without a visit, with the risk that it carries."""
    rows = unplanned_rows(plan, as_of)
    body: list[Any] = [html.P("Every meter has a visit.")]
    if rows:
        grid = parts.table("season-unplanned", rows, unplanned_columns(plan), key="meter_id")
        body = [html.Div(grid, className="no-print"), _in_print(rows, plan)]
    left = sum(bool(row["no_slot"]) for row in rows)
    note = "Sorted by money at risk. "
    if left:
        note += f"{theme.plural(left, 'meter')} would be worth a visit but found no slot."
    return parts.section(f"Without a visit ({len(rows)})", *body, name="season-rest", note=note)


def _in_print(rows: Sequence[Document], plan: Document) -> html.Div:
    """Return every row with its whole sentence: the screen's table shows a page of them."""
    head = f"Meter: {_at_risk(plan).lower()}; days out; why none"
    lines = [
        f"{row['meter_id']}: {row['money_text']}; {row['days_text']}; {row['reason']}"
        for row in rows
    ]
    return html.Div("\n".join([head, *lines]), className="print-only lines")


def _at_risk(plan: Document) -> str:
    return f"At risk, {plan['cost']['currency'] or 'money'}"


def unplanned_rows(plan: Document, as_of: str | None) -> list[Fields]:
    """Return the table's rows; a meter that cannot come at all has no numbers, only why."""
    view = View(query={"as_of": as_of} if as_of else {})
    rows = []
    for row in sorted(plan["unplanned"], key=lambda row: -(row.get("risk_money") or 0.0)):
        days, money = row.get("days_out_of_tolerance"), row.get("risk_money")
        able = money is not None and not row.get("cannot_come")
        rows.append(
            {
                "meter_id": row["meter_id"],
                "href": view.link(meter_path(row["meter_id"])),
                "reason": theme.sentence(row["reason"]),
                "p_now": row.get("p_within_tolerance_now"),
                "p_now_text": theme.probability(row.get("p_within_tolerance_now")),
                "p_end": row.get("p_within_tolerance_end"),
                "p_end_text": theme.probability(row.get("p_within_tolerance_end")),
                "days": days,
                "days_text": theme.number(days, 1 if days is not None and days < 10 else 0),
                "money": money,
                "money_text": theme.money(money),
                "deadline": theme.iso(row.get("deadline")),
                "no_slot": bool(row.get("no_slot")),
                "pin": "Pin…" if able else "",
            }
        )
    return rows


def unplanned_columns(plan: Document) -> list[Fields]:
    """Return the table's columns; the narrower the screen, the fewer."""
    return [
        parts.device_column("meter_id", "Meter", width=104),
        parts.number_column("money", _at_risk(plan), "money_text", width=104),
        parts.number_column("days", "Days out of tolerance", "days_text", width=112),
        parts.number_column("p_now", "Within tolerance now", "p_now_text", width=104, since=1000),
        parts.number_column("p_end", "At the end", "p_end_text", width=96, since=1000),
        parts.day_column("deadline", "Better before", since=1000),
        parts.text_column("reason", "Why none", flex=3, minWidth=220, since=600),
        parts.column("pin", "", cellRenderer="PinCell", sortable=False, width=84),
    ]
