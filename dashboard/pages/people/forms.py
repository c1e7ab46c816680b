"""The accounts on the people page: the list, one to change, a new one."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.security import COACH, MANAGER, MECHANIC, OWNER, SHORTEST, person_asking

ROLES = {
    MECHANIC: "the meters, the bench, recordings; no rider's watts",
    COACH: "the own riders, their meters and watts",
    MANAGER: "devices, season and money; no rider's watts",
    OWNER: "everything, these accounts too",
}
PASSWORD_NOTE = (
    f"At least {SHORTEST} characters; four or five unrelated words are easy to remember. Hand it "
    "over in person: it is kept as a hash and cannot be looked up again."
)


def accounts_part(accounts: list[Document]) -> html.Section:
    """Every account, one to be chosen, and the place where it is changed."""
    return parts.section(
        "Accounts",
        parts.table(
            "people-accounts",
            account_rows(accounts),
            _columns(),
            key="name",
            options=parts.CHOOSE_ONE,
        ),
        html.Div(id="people-chosen", **parts.aria(live="polite")),
        html.Div(new_account(), id="people-new"),
        name="people-accounts",
        note="Choose a line to change an account. Whoever's account is changed signs in again.",
    )


def account_rows(accounts: list[Document]) -> list[Document]:
    """The table's rows."""
    return [
        {
            "name": account["name"],
            "role": account["role"],
            "coach": (account["coach"] or account["name"]) if account["role"] == COACH else "",
            "state": account["state"],
            "changed_at": theme.iso(account["changed_at"]),
        }
        for account in accounts
    ]


def _columns() -> list[Document]:
    return [
        parts.text_column("name", "Name", flex=1, minWidth=110),
        parts.text_column("role", "Role", width=116),
        parts.text_column("coach", "Sees the riders of", width=160, since=560),
        parts.text_column("state", "State", width=110),
        parts.day_column("changed_at", "Last change", width=130, since=480),
    ]


# ---- one account ---------------------------------------------------------------------------------


def editor(account: Document) -> html.Div:
    """The ways to change one account."""
    name, active = account["name"], account["state"] == "active"
    own = name == person_asking().name
    return html.Div(
        [
            html.H3(f"Change {name}"),
            html.P("This is your own account: you sign in again after a change.", className="note")
            if own
            else None,
            dcc.Store(id="people-name", data=name),
            html.Div([_role_part(account), _password_part(), _state_part(name, active)]),
        ],
        className="person",
    )


def _role_part(account: Document) -> html.Div:
    return html.Div(
        [
            *_role_fields("people-role", "people-coach", account["role"], account["coach"]),
            html.Button("Give this role", id="people-give-role", n_clicks=0),
        ],
        className="person-part",
    )


def _password_part() -> html.Div:
    return html.Div(
        [
            *_password_fields("people-password", "people-again"),
            html.Button("Set the password", id="people-set-password", n_clicks=0),
        ],
        className="person-part",
    )


def _state_part(name: str, active: bool) -> html.Div:
    word = "Disable the account" if active else "Enable the account"
    told = "Its sign-ins end at once; what it did stays on record." if active else None
    return html.Div(
        [
            html.P(told or "It cannot sign in now.", className="note"),
            html.Button(
                word,
                id="people-switch",
                n_clicks=0,
                className="quiet",
                **parts.aria(label=f"{word} of {name}"),
            ),
        ],
        className="person-part",
    )


def new_account() -> html.Details:
    """An account that is not there yet."""
    fields = [
        _field("Name", _typed("people-new-name"), "people-new-name"),
        *_role_fields("people-new-role", "people-new-coach", None, None),
        *_password_fields("people-new-password", "people-new-again"),
        html.Button("Add the account", id="people-add", n_clicks=0),
    ]
    return html.Details([html.Summary("Add an account"), html.Div(fields, className="person-part")])


# ---- fields --------------------------------------------------------------------------------------


def _role_fields(role: str, coach: str, chosen: str | None, riders_of: str | None) -> list[Any]:
    return [
        _field("Role", _role_list(role, chosen), role),
        _field(
            "A coach's name in the riders table, if another than the account's",
            _typed(coach, riders_of),
            coach,
        ),
    ]


def _role_list(name: str, chosen: str | None) -> html.Div:
    """The browser's own list of roles, the present one first; the store NAME-chosen has it."""
    order = sorted(ROLES, key=lambda role: role != chosen)
    listed = [html.Option(f"{role}: {ROLES[role]}", value=role) for role in order]
    if chosen is None:
        listed.insert(0, html.Option("Choose a role", value=""))
    return html.Div(
        [
            html.Select(listed, id=name, className="choice"),
            dcc.Store(id=f"{name}-chosen", data=chosen),
        ]
    )


def _password_fields(first: str, second: str) -> list[Any]:
    return [
        _field("New password", _secret(first), first),
        _field("The same again", _secret(second), second),
        html.P(PASSWORD_NOTE, className="note"),
    ]


def _field(label: str, control: Any, name: str) -> html.Div:
    return html.Div([html.Label(label, htmlFor=name), control], className="field")


def _typed(name: str, value: str | None = None) -> dcc.Input:
    return dcc.Input(id=name, type="text", value=value or "", autoComplete="off", maxLength=64)


def _secret(name: str) -> dcc.Input:
    return dcc.Input(id=name, type="password", value="", autoComplete="new-password", maxLength=256)
