"""People: who may sign in and as what, and the record of who changed what."""

from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Help, View
from dashboard.pages.people.changes import changes_part, register_changes
from dashboard.pages.people.forms import account_rows, accounts_part, editor, new_account
from dashboard.security import Guarded, signed_in
from ingest.schema import UserError
from models import run
from models.run import OWNER

PATH = "/people"
TITLE = "People"
PLACE = 95
ROLES = (OWNER,)
HELP = Help(
    "decide who may see what",
    (
        "Add an account with a role: mechanic, coach, manager or owner.",
        "Give a coach the riders under whose name they stand in the table of riders.",
        "Pass the first password on in person; everyone changes it after signing in.",
        "End sign-ins and switch accounts off when somebody leaves.",
        "Look up what was changed, when and by whom.",
    ),
)


def layout(data: Guarded, _view: View) -> html.Div:
    """Return accounts and changes; while there are no accounts, how to add the first one."""
    accounts = data.ask(run.accounts) if signed_in() else []
    head: list[Any] = [
        html.H1(TITLE),
        html.Div(id="people-said", **parts.aria(live="polite")),
        dcc.Store(id="people-told", data=0),
    ]
    record = html.Div(changes_part(data), id="people-record")
    if signed_in() is None:
        return html.Div([*head, _nobody_signs_in(), record], className="people")
    return html.Div([*head, accounts_part(accounts), record], className="people")


def _nobody_signs_in() -> html.Section:
    return parts.section(
        "Accounts",
        parts.empty(
            "There are no accounts: whoever uses this machine may see and change everything.",
            [
                "Nobody signs in, and only this machine is served. Add the first account on the "
                "command line, an owner: ",
                parts.command("slopewatch account add NAME --role owner"),
                ". From then on everyone signs in, on this machine too, the dashboard can be "
                "served to others, and an owner adds the rest here.",
            ],
        ),
        name="people-accounts",
    )


def register(app: Dash, data: Guarded) -> None:
    """Add and change accounts; every change goes through the guarded service."""
    register_changes(app, data)
    parts.show_chosen(
        app, "people-accounts", "people-chosen", lambda row: editor(_account(data, row["name"]))
    )
    _register_new(app, data)
    _register_editor(app, data)


def _register_new(app: Dash, data: Guarded) -> None:
    @app.callback(
        Output("people-accounts", "rowData"),
        Output("people-new", "children"),
        Output("people-said", "children"),
        Output("people-told", "data"),
        Input("people-add", "n_clicks"),
        State("people-new-name", "value"),
        State("people-new-role-chosen", "data"),
        State("people-new-coach", "value"),
        State("people-new-password", "value"),
        State("people-new-again", "value"),
        State("people-told", "data"),
        prevent_initial_call=True,
    )
    def add(clicks: int | None, *given: Any) -> tuple[Any, ...]:
        if not clicks:
            return (no_update,) * 4
        name, role, coach, password, again, told = given
        try:
            data.ask(
                run.add_account,
                _text(name),
                _same(password, again),
                role=role or "",
                coach=_text(coach) or None,
            )
        except Exception as problem:
            return no_update, no_update, _refusal(problem), no_update
        told_of = _coach_told(data, role, _text(coach) or _text(name))
        said = parts.done(f"{_text(name)} can sign in now, as {role}.{told_of}")
        return account_rows(data.ask(run.accounts)), new_account(), said, (told or 0) + 1


def _register_editor(app: Dash, data: Guarded) -> None:
    @app.callback(
        Output("people-accounts", "rowData", allow_duplicate=True),
        Output("people-chosen", "children", allow_duplicate=True),
        Output("people-said", "children", allow_duplicate=True),
        Output("people-told", "data", allow_duplicate=True),
        Input("people-give-role", "n_clicks"),
        Input("people-switch", "n_clicks"),
        Input("people-set-password", "n_clicks"),
        State("people-name", "data"),
        State("people-role-chosen", "data"),
        State("people-coach", "value"),
        State("people-password", "value"),
        State("people-again", "value"),
        State("people-told", "data"),
        prevent_initial_call=True,
    )
    def change(*given: Any) -> tuple[Any, ...]:
        name, *typed, told = given[3:]
        if not (ctx.triggered and ctx.triggered[0]["value"]):
            return (no_update,) * 4
        try:
            said = changed(data, str(ctx.triggered_id), str(name), typed)
        except Exception as problem:
            return no_update, no_update, _refusal(problem), no_update
        rows = data.ask(run.accounts)
        again = next((editor(row) for row in rows if row["name"] == name), None)
        return account_rows(rows), again, parts.done(said), (told or 0) + 1


def _coach_told(data: Guarded, role: str | None, coach: str) -> str:
    """Return what follows where an account is a coach's whose riders nobody named."""
    warning = data.ask(run.warning_of_coach, coach) if role == run.COACH else ""
    return f" But {warning}." if warning else ""


def changed(data: Guarded, button: str, name: str, typed: list[Any]) -> str:
    """Do what a button stands for; return what to say. typed: role, coach, password twice."""
    role, coach, password, again = typed
    if button == "people-give-role":
        data.ask(run.set_account_role, name, role or "", coach=_text(coach) or None)
        told_of = _coach_told(data, role, _text(coach) or name)
        return f"{name} is {_article(role)} {role} now, and has to sign in again.{told_of}"
    if button == "people-set-password":
        data.ask(run.set_account_password, name, _same(password, again))
        return f"{name} has a new password now, and has to sign in again with it."
    enabled = _account(data, name)["state"] != "active"
    data.ask(run.set_account_enabled, name, enabled=enabled)
    return f"{name} can sign in again." if enabled else f"{name} is signed out and cannot sign in."


def _account(data: Guarded, name: str) -> Document:
    for account in data.ask(run.accounts):
        if account["name"] == name:
            return account
    raise UserError(f'there is no account "{name}" any more: open the page again.')


def _same(password: object, again: object) -> str:
    if password != again:
        raise UserError("the two passwords are not the same; nothing was changed")
    return str(password or "")


def _text(value: object) -> str:
    return str(value or "").strip()


def _article(word: object) -> str:
    return "an" if str(word).startswith("o") else "a"


def _refusal(problem: Exception) -> html.P:
    if not isinstance(problem, UserError):
        raise problem
    return parts.warning(theme.sentence(problem), role="alert")
