"""Labelled fields: text, numbers, days, one of a list."""

from collections.abc import Sequence
from typing import Any, Literal

from dash import dcc, html

from dashboard.components.browser import facts_of

Option = tuple[str, str]  # its value, and what is shown
Options = Sequence[Option]


def field(
    name: str, label: str, control: Any, *, wide: bool = False, checked: bool = False
) -> html.Div:
    """Return a control under its label. name: the id of what is filled in.

    checked: with a place NAME-wrong below it, for what is wrong with what was entered
    """
    wrong = html.Span(id=f"{name}-wrong", className="field-wrong", role="status")
    return html.Div(
        [html.Label(label, htmlFor=name), control, wrong if checked else None],
        className="field field-wide" if wide else "field",
    )


def date_field(
    name: str, label: str, day: str, *, told: bool = False, checked: bool = False
) -> html.Div:
    """Return the browser's own date field; what is entered is in the element NAME.

    day: ISO, or empty
    told: whether it is in the store NAME-chosen as well, as soon as it is entered
    """
    facts = {"name": name, "day": day} | ({"told": "yes"} if told else {})
    place = html.Div(className="date-field", **facts_of(**facts))
    store = [dcc.Store(id=f"{name}-chosen")] if told else []
    return field(name, label, html.Div([place, *store]), checked=checked)


def search_field(name: str, hint: str, *, wide: bool = False, **options: Any) -> html.Div:
    """Return a field for words to look for."""
    search = dcc.Input(id=name, type="search", placeholder=hint, **options)
    return field(name, "Search", search, wide=wide)


def select(
    name: str,
    options: Options,
    chosen: str | None = None,
    *,
    also: str = "",
    **attributes: Any,
) -> html.Select:
    """Return the browser's own list, with the chosen option first, so that the list shows it.

    also: more classes, for a script to find it by
    """
    ordered = sorted(options, key=lambda option: option[0] != chosen)
    listed = [html.Option(shown, value=value) for value, shown in ordered]
    return html.Select(listed, id=name, className=f"list {also}".strip(), **attributes)


def pick(name: str, options: Options, chosen: str | None = None) -> html.Div:
    """Return such a list; what is chosen, at first what it shows, is in the store NAME-chosen."""
    listed = select(name, options, chosen, also="choice")
    first = listed.children[0].value if options else None
    return html.Div([listed, dcc.Store(id=f"{name}-chosen", data=first or None)])


def choice_field(
    name: str,
    label: str,
    options: Sequence[str],
    everything: str,
    *,
    kept: Literal["session", "memory"] = "memory",
) -> html.Div:
    """Return a list to narrow by, at first to everything; NAME-chosen has what is chosen.

    kept: "session" where the choice outlasts a reload
    """
    shown = [("", everything), *((option, option) for option in options)]
    listed = select(name, shown, also="choice")
    store = dcc.Store(id=f"{name}-chosen", storage_type=kept)
    return field(name, label, html.Div([listed, store]))
