"""The accounts on the people page: the list, one to change, a new one."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.security import person_asking
from models.run import COACH, MANAGER, MECHANIC, OWNER, SHORTEST_PASSWORD

ROLE_WORDS = {
    MECHANIC: "the meters, the bench, recordings; no rider's watts",
    COACH: "the coach's own riders, their meters and watts",
    MANAGER: "devices, season and money; no rider's watts",
    OWNER: "everything, also these accounts",
}
PASSWORD_NOTE = (
    f"At least {SHORTEST_PASSWORD} characters; four or five unrelated words are easy to remember. "
    "Hand it over in person: it is kept as a hash and cannot be looked up again."
)


def accounts_part(accounts: Sequence[Document]) -> html.Section:
    """Return every account, one to be chosen, and the place where it is changed."""
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
        note="Choose a line to change an account. Its owner has to sign in again after a change.",
    )


def account_rows(accounts: Sequence[Document]) -> list[Document]:
    """Return the table's rows."""
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


def editor(account: Document) -> html.Div:
    """Return the ways to change one account."""
    name, active = account["name"], account["state"] == "active"
    own = name == person_asking().name
    return html.Div(
        [
            html.H3(f"Change {name}"),
            parts.note("This is your own account: after a change you have to sign in again.")
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
    said = "Disabling signs it out at once; what it did stays on record."
    return html.Div(
        [
            parts.note(said if active else "It cannot sign in now."),
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
    """Return the form for a new account."""
    fields = [
        parts.field("people-new-name", "Name", _typed("people-new-name")),
        *_role_fields("people-new-role", "people-new-coach", None, None),
        *_password_fields("people-new-password", "people-new-again"),
        html.Button("Add the account", id="people-add", n_clicks=0),
    ]
    return html.Details([html.Summary("Add an account"), html.Div(fields, className="person-part")])


def _role_fields(role: str, coach: str, chosen: str | None, riders_of: str | None) -> list[Any]:
    options = [(name, f"{name}: {sees}") for name, sees in ROLE_WORDS.items()]
    if chosen is None:
        options.insert(0, ("", "Choose a role"))
    return [
        parts.field(role, "Role", parts.pick(role, options, chosen)),
        parts.field(
            coach,
            "A coach's name in the riders table, if it is not the account's name",
            _typed(coach, riders_of),
        ),
    ]


def _password_fields(first: str, second: str) -> list[Any]:
    return [
        parts.field(first, "New password", _secret(first)),
        parts.field(second, "The same again", _secret(second)),
        parts.note(PASSWORD_NOTE),
    ]


def _typed(name: str, value: str | None = None) -> dcc.Input:
    return dcc.Input(id=name, type="text", value=value or "", autoComplete="off", maxLength=64)


def _secret(name: str) -> dcc.Input:
    return dcc.Input(id=name, type="password", value="", autoComplete="new-password", maxLength=256)
