"""The dashboard's shell: navigation, the page at an address, errors in words."""

import base64
import hashlib
import logging
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pandas  # noqa: F401  whole before the first answer: plotly looks for it while writing one
from dash import MATCH, Dash, Input, Output, State, dcc, html, set_props

from dashboard import components, security, theme
from dashboard.navigation import Page, View, find, find_pages
from dashboard.security import (
    ACCOUNT,
    SIGN_OUT,
    Guarded,
    People,
    SignIns,
    person_asking,
    signed_in,
)
from dashboard.service import Service
from dashboard.web import past_days
from dashboard.web.demo import Demo, WayBack
from dashboard.web.hardening import harden
from dashboard.web.page_cache import Bodies
from ingest.schema import UserError
from models.run import HERE, Person

LOG = logging.getLogger("slopewatch.dashboard")
NAME = "Slopewatch"
ADMITS = "slopewatch admits"  # among the server's extensions: who may send large bodies
# Runs before the first paint, so that a reader who chose a theme never sees the other one.
EARLY_SCRIPT = (
    "try{var t=localStorage.getItem('slopewatch-theme');"
    "if(t)document.documentElement.dataset.theme=t}catch(e){}"
)
INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/glyphs/mark.svg">
<style>COLOURS</style>
<script>EARLY</script>
{%css%}
</head>
<body>
<noscript>This dashboard needs JavaScript. `slopewatch status` prints the same facts.</noscript>
{%app_entry%}
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>
"""


def create_app(
    service: Service, *, hosts: Sequence[str] = (), demo: Demo | WayBack | None = None
) -> Dash:
    """Return the dashboard over a store; the same for the served one and for tests.

    hosts: names to answer to besides the loopback ones; demo: the way into it, or out of it
    """
    people = People(service)
    data = Guarded(service, person_asking, scope=people.scope)
    pages = find_pages()
    app = Dash(
        "dashboard",
        assets_folder=str(Path(__file__).parent.parent / "assets"),
        assets_ignore=r"^worker\.js$",  # runs beside the pages, not in them
        pages_folder="",
        use_pages=False,
        title=NAME,
        update_title="",
        compress=bool(hosts),  # on loopback it only costs time
        index_string=INDEX.replace("COLOURS", theme.css_variables()).replace("EARLY", EARLY_SCRIPT),
        suppress_callback_exceptions=True,  # a page's ids exist only while it is open
        on_error=tell_error,
        enable_mcp=False,
    )
    app.layout = partial(shell, demo if isinstance(demo, WayBack) else None)
    if demo is not None:
        demo.install(app.server)
    _register_shell(app, data, pages)
    for page in pages:
        if page.register is not None:
            page.register(app, data)
    sign_ins = SignIns(people, early=EARLY_SCRIPT)
    sign_ins.install(app.server)
    app.server.extensions[ADMITS] = sign_ins.admits
    harden(app.server, csp_hashes=[*app.csp_hashes(), _hash(EARLY_SCRIPT)], hosts=hosts)
    return app


def _hash(script: str) -> str:
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return f"'sha256-{digest}'"


def shell(way_back: WayBack | None = None) -> html.Div:
    """Return what stands around every page. way_back: out of the demo."""
    return html.Div(
        [
            dcc.Location(id="place", refresh="callback-nav"),
            dcc.Store(id="theme", data="light"),
            dcc.Store(id="palettes", data={"light": theme.LIGHT, "dark": theme.DARK}),
            dcc.Store(id="page-title"),
            html.A("Skip to the page", href="#page", className="skip"),
            way_back.strip() if way_back else None,
            html.Header(
                [
                    _brand(),
                    html.Nav(id="shell-nav", **components.aria(label="Pages")),
                    html.Button("Colours: auto", id="theme-switch", className="quiet", n_clicks=0),
                    _signed_in(),
                ],
                className="top",
            ),
            html.Div(id="shell-notice", role="alert"),
            html.Main(html.P("Reading the store…", className="waiting"), id="page", tabIndex=-1),
        ],
        className="shell",
    )


def _brand() -> html.A:
    mark = html.Span(className="mark", **components.aria(hidden="true"))
    return components.link([mark, NAME], "/", className="brand")


def _signed_in() -> html.Form | None:
    """Return who is signed in, and the way out; None while there are no accounts."""
    person = signed_in()
    if person is None:
        return None
    who = html.A([html.B(person.name), f", {person.role}"], href=ACCOUNT, className="who")
    out = html.Button("Sign out", type="submit", className="quiet")
    return html.Form([who, out], action=SIGN_OUT, method="POST", className="signed-in")


def _register_shell(app: Dash, data: Guarded, pages: list[Page]) -> None:
    bodies = Bodies()

    @app.callback(
        Output("page", "children"),
        Output("page-title", "data"),
        Output("shell-nav", "children"),
        Output("shell-notice", "children"),
        Input("place", "pathname"),
        Input("place", "search"),
    )
    def show(pathname: str | None, search: str | None) -> tuple[Any, str, Any, None]:
        found = find(pages, pathname, search)
        view = found[1] if found else View()
        waiting = past_days.not_yet(data, found)
        if waiting is not None and found is not None:
            body, title = waiting, page_title(*found)
        else:
            body, title = page_body(data, found, bodies)
        return body, title, navigation(pages, found and found[0], view, person_asking()), None

    past_days.register(app, data, pages, lambda found: page_body(data, found, bodies)[0])
    title = Input("page-title", "data")
    components.in_browser(app, "arrive", title, at_start=False)
    components.in_browser(
        app,
        "lookFrom",
        Output("place", "search"),
        Input("as-of-show", "n_clicks"),
        at_start=False,
    )
    components.in_browser(
        app,
        "switchTheme",
        Output("theme-switch", "children"),
        Output("theme", "data"),
        Input("theme-switch", "n_clicks"),
    )
    components.in_browser(
        app,
        "paint",
        Output({"type": "chart", "name": MATCH}, "children"),
        Input({"type": "chart-source", "name": MATCH}, "data"),
        Input("theme", "data"),
        State("palettes", "data"),
    )


def page_body(
    data: Guarded, found: tuple[Page, View] | None, bodies: Bodies | None = None
) -> tuple[Any, str]:
    """Return the page and its title; a sentence instead where it cannot be drawn."""
    if found is None:
        return _instead("There is no page at this address."), f"No such page · {NAME}"
    page, view = found
    if not security.may_open(person_asking(), page):
        closed = f"This page is not open to a {person_asking().role}."
        return _instead(closed), f"{page.title} · {NAME}"
    try:
        body = bodies.body(page, data, view, person_asking()) if bodies else page.layout(data, view)
        above = _provisional(data)
    except Exception as problem:
        if isinstance(problem, UserError):
            said = str(problem)
            return _instead(said[:1].upper() + said[1:]), f"{page.title} · {NAME}"
        LOG.exception("page %s could not be drawn", page.path)
        return _failed(), f"{page.title} · {NAME}"
    how = [components.how_to(page.help)] if page.help else []
    return [*above, body, *how], page_title(page, view)


def page_title(page: Page, view: View) -> str:
    """Return what the browser calls the page: what it is about, else its name."""
    return f"{next(iter(view.params.values()), page.title)} · {NAME}"


def _provisional(data: Guarded) -> list[html.P]:
    """Return a line over every page whose numbers rest on a fit that did not converge."""
    if data.converged() is not False:
        return []
    text = "The last fit did not settle: take every number on this page as provisional."
    return [html.P(text, className="warn", role="status")]


def _instead(sentence: str) -> html.Div:
    return components.empty(sentence, components.link("Go to the fleet.", "/"))


def _failed() -> html.Div:
    return components.empty(
        "This page cannot be drawn just now.",
        "Reload it. If that does not help, the program's log says what went wrong; "
        "the other pages and the command line still work.",
    )


def navigation(
    pages: list[Page], current: Page | None, view: View, person: Person = HERE
) -> html.Ul:
    """Return the links to the person's pages; the open one is marked for eye and screen reader."""
    links = [
        components.link(
            page.title,
            view.link(page.path),
            **({"aria-current": "page"} if page is current else {}),
        )
        for page in pages
        if page.place is not None and security.may_open(person, page)
    ]
    return html.Ul([html.Li(link) for link in links])


def tell_error(error: Exception) -> None:
    """Say in the page that something failed; a traceback goes to the log only."""
    if isinstance(error, UserError):
        set_props("shell-notice", {"children": str(error)})
        return
    LOG.error("a callback failed", exc_info=error)
    text = "That did not work; the program's log says why. Nothing was changed."
    set_props("shell-notice", {"children": text})
