"""What a page is divided into: titled parts, facts, empty places, links."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard.components.browser import aria
from dashboard.components.messages import note as note_line
from dashboard.navigation import Help, View, meter_path


def section(title: str, *children: Any, name: str, note: str | None = None) -> html.Section:
    """Return a titled part of a page, with a line under the title that says how to read it."""
    head: list[Any] = [html.H2(title, id=f"{name}-title")]
    if note:
        head.append(note_line(note))
    return html.Section([*head, *children], className="part", **aria(labelledby=f"{name}-title"))


def empty(what: str, next_step: Any) -> html.Div:
    """Return what is not there yet, and what to do about it."""
    return html.Div([html.P(what, className="empty-what"), html.P(next_step)], className="empty")


def load_first(what: str) -> html.Div:
    """Return that nothing is there to show before the team's tables are loaded."""
    return empty(what, ["Load the team's tables: ", command("slopewatch load FOLDER"), "."])


def command(text: str) -> html.Code:
    """Return a command or a table's name as it is typed."""
    return html.Code(text, className="command")


def facts(pairs: Sequence[tuple[str, Any]]) -> html.Dl:
    """Return label and value pairs."""
    return html.Dl(
        [html.Div([html.Dt(label), html.Dd(value)]) for label, value in pairs], className="facts"
    )


def link(shown: Any, href: str, *, className: str = "", **attributes: Any) -> html.A:  # noqa: N803
    """Return a link to another page of the dashboard, followed without a reload."""
    return html.A(shown, href=href, className=f"inner {className}".strip(), **attributes)


def meter_link(view: View, meter_id: str) -> html.A:
    """Return a link to a meter's page that keeps the day looked from."""
    return link(meter_id, view.link(meter_path(meter_id)))


def way_back(shown: str, href: str) -> html.P:
    """Return the link to the page above this one."""
    return html.P(link(f"← {shown}", href), className="way-back")


def how_to(found: Help) -> html.Details:
    """Return how something is done, step by step, to be opened by whoever needs it."""
    steps = html.Ol([html.Li(step) for step in found.steps])
    return html.Details([html.Summary(f"How do I {found.task}?"), steps], className="how-to")


def demo_button() -> html.Span:
    """Return the button that leads into the demo's fleet, with what it is doing meanwhile."""
    button = html.Button("Look at the demo", className="demo-enter", n_clicks=0)
    return html.Span(
        [button, " ", html.Span(className="remark", role="status")], className="to-demo"
    )
