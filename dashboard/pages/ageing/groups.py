"""One group: its sentence, its meters' courses, their rates and steps, and the numbers."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document, View, meter_path
from dashboard.pages.ageing.tables import course_table, meter_table

ROW_PX, FRAME_PX, LEAST_PX = 21, 96, 240


def group_part(view: View, group: Document, asked: Document) -> html.Section:
    """Return a group's part of the page."""
    name = group["model_group"]
    slug = "".join(sign if sign.isalnum() else "-" for sign in name)
    return parts.section(
        f"{name}, {theme.plural(group['n_meters'], 'meter')}",
        html.P(theme.sentence(group["text"]), className="headline"),
        _courses(view, group, asked, slug),
        _beside(view, group, slug),
        html.Details([html.Summary("Its meters in numbers"), meter_table(view, group)]),
        html.Details([html.Summary("The group's course in numbers"), course_table(group)]),
        name=f"ageing-{slug}",
    )


def _beside(view: View, group: Document, slug: str) -> html.Div | None:
    """Return the meters' rates and their steps; None of one meter, which ranks with no other."""
    if group["n_meters"] < 2:
        return None
    return html.Div(
        [_rates(view, group, slug), _swaps(view, group, slug)], className="ageing-beside"
    )


def _courses(view: View, group: Document, asked: Document, slug: str) -> html.Figure:
    drawn = figures.ageing_courses(
        group,
        lambda meter: view.link(meter_path(meter)),
        calendar=asked["across"] == "calendar",
        batch=asked["batch"],
    )
    told = f"Change of each sensor of {group['model_group']} since new. {group['text']}"
    return parts.chart(f"ageing-courses-{slug}", drawn, told)


def _rates(view: View, group: Document, slug: str) -> html.Div:
    drawn = figures.ageing_rates(group, lambda meter: view.link(meter_path(meter)))
    outside = [each["meter_id"] for each in group["meters"] if each["outside"]]
    told = f"Beyond the limits: {theme.listed(outside)}." if outside else "None beyond the limits."
    return html.Div(
        [
            html.H3("How fast each meter ages"),
            _ranked(f"ageing-rates-{slug}", drawn, f"Rates of ageing. {told}", group["n_meters"]),
        ]
    )


def _swaps(view: View, group: Document, slug: str) -> html.Div:
    had = sum(each["swap_pct"] is not None for each in group["meters"])
    title = html.H3("What a battery swap does")
    if not had or group["swap_pct"] is None:
        return html.Div([title, parts.note("No battery swap of this group is on record.")])
    drawn = figures.ageing_swaps(group, lambda meter: view.link(meter_path(meter)))
    step, ends = group["swap_pct"], theme.span(group["swap_interval90_pct"], 2)
    told = f"Mean step of each meter. The group: {theme.percent(step)} (90 %: {ends})."
    return html.Div([title, _ranked(f"ageing-swaps-{slug}", drawn, told, had)])


def _ranked(name: str, drawn: Document, told: str, rows: int) -> Any:
    return parts.chart(name, drawn, told, height_px=max(LEAST_PX, FRAME_PX + ROW_PX * rows))
