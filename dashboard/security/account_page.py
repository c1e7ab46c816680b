"""One's own account: password, open sign-ins; for owners reset links. And the page of such a link.

Plain pages like the one for signing in: they work where nothing else of the dashboard does.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from typing import Any

from flask import Flask, Response, g, redirect, request
from markupsafe import Markup, escape

from dashboard.security.people import People, SignInError
from ingest.schema import UserError
from models.run import OWNER, Person

ACCOUNT, RESET = "/account", "/reset/"
Frame = Callable[[str, Markup], str]
PASSWORD = Markup(
    '<label for="{0}">{1}</label><input id="{0}" name="{0}" type="password" required '
    'autocomplete="{2}">'
)


class AccountPages:
    """The pages. frame: a page's HTML of its title and body; codes: the part about codes."""

    def __init__(self, people: People, frame: Frame, codes: Callable[[Person], Markup]) -> None:
        self._people, self._frame, self._codes = people, frame, codes

    def install(self, server: Flask) -> None:
        """Add the pages to a server; whoever asks for them but RESET is signed in."""
        rules: list[tuple[str, str, Callable[..., Response], str]] = [
            (ACCOUNT, "account", self.page, "GET"),
            (f"{ACCOUNT}/password", "account_password", self.change, "POST"),
            (f"{ACCOUNT}/end", "account_end", self.end, "POST"),
            (f"{ACCOUNT}/link", "account_link", self.link, "POST"),
            (f"{RESET}<token>", "reset", self.ask_new, "GET"),
            (f"{RESET}<token>", "reset_try", self.take_new, "POST"),
        ]
        for rule, name, view, method in rules:
            server.add_url_rule(rule, name, view, methods=[method])

    def page(self, *, said: str = "", code: int = 200) -> Response:
        """Return the page of the own account."""
        person = self._person()
        if person is None:
            return go("/")
        parts = [said_part(said), self._password_form(), self._codes(person), self._list(person)]
        parts += [self._links()] if person.role == OWNER else []
        return self._answer(person.name, Markup("").join(parts), code)

    def _person(self) -> Person | None:
        return g.person if self._people.exist() else None

    def _password_form(self) -> Markup:
        return Markup(
            '<h2>Password</h2><form method="post" action="{}/password">{}{}'
            '<button type="submit">Change it</button></form><p class="note">Every sign-in of yours '
            "ends with it; then sign in again.</p>"
        ).format(
            ACCOUNT,
            PASSWORD.format("before", "Present password", "current-password"),
            PASSWORD.format("after", "New password", "new-password"),
        )

    def _list(self, person: Person) -> Markup:
        mine = None if person.role == OWNER else person.name
        row = Markup(
            "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>"
            '<form method="post" action="{}/end"><input type="hidden" name="mark" value="{}">'
            '<button type="submit" class="quiet">End it</button></form></td></tr>'
        )
        rows = [
            row.format(one.name, _at(one.begun), _at(one.seen), one.seen_from, ACCOUNT, mark)
            for mark, one in self._people.open_sign_ins(mine).items()
        ]
        return Markup(
            '<h2>Open sign-ins</h2><table class="plain"><thead><tr><th>Who</th><th>Since</th>'
            "<th>Last used</th><th>From</th><th></th></tr></thead><tbody>{}</tbody></table>"
        ).format(Markup("").join(rows))

    def _links(self) -> Markup:
        names = Markup("").join(
            Markup("<option>{}</option>").format(n) for n in self._people.names()
        )
        return Markup(
            '<h2>A forgotten password</h2><form method="post" action="{}/link">'
            '<label for="of">Account</label><select id="of" name="of">{}</select>'
            '<button type="submit">Make a link</button></form><p class="note">Whoever opens the '
            "link sets a new password, once and within a day. Hand it over in person.</p>"
        ).format(ACCOUNT, names)

    def change(self) -> Response:
        """Change the own password; it is asked for the present one."""
        person = self._person()
        if person is None:
            return go("/")
        before, after = request.form.get("before", ""), request.form.get("after", "")
        try:
            self._people.change_password(
                person.name, before, after, address=str(request.remote_addr)
            )
        except (SignInError, UserError) as refused:
            return self.page(said=str(refused), code=422)
        return go("/sign-in")

    def end(self) -> Response:
        """End an open sign-in: an own one, for owners anybody's."""
        person = self._person()
        if person is not None:
            mine = None if person.role == OWNER else person.name
            self._people.end_open(request.form.get("mark", ""), name=mine)
        return go(ACCOUNT)

    def link(self) -> Response:
        """Show an owner a link that sets the password of an account."""
        person = self._person()
        if person is None or person.role != OWNER:
            return self.page(said="Only an owner makes such a link.", code=403)
        try:
            token = self._people.reset_token(request.form.get("of", ""))
        except SignInError as refused:
            return self.page(said=str(refused), code=422)
        address = f"{request.scheme}://{request.host}{RESET}{token}"
        body = Markup("<p>For {}, once and within a day:</p><p><code>{}</code></p>").format(
            request.form.get("of", ""), address
        )
        return self._answer("A new password", body)

    def ask_new(self, token: str, *, said: str = "", code: int = 200) -> Response:
        """Return the page that a reset link leads to."""
        try:
            name = self._people.reset_for(token)
        except SignInError as refused:
            return self._answer("A new password", said_part(str(refused)), 410)
        form = Markup(
            '<p>For the account {}.</p><form method="post">{}<button type="submit">Set it</button>'
            "</form>"
        ).format(name, PASSWORD.format("after", "New password", "new-password"))
        return self._answer("A new password", said_part(said) + form, code)

    def take_new(self, token: str) -> Response:
        """Set the password of whom the link is for."""
        try:
            self._people.reset(token, request.form.get("after", ""))
        except SignInError as refused:
            return self._answer("A new password", said_part(str(refused)), 410)
        except UserError as refused:
            return self.ask_new(token, said=str(refused), code=422)
        return go("/sign-in")

    def _answer(self, title: str, body: Markup, code: int = 200) -> Response:
        return Response(self._frame(title, body), status=code, mimetype="text/html")


def said_part(text: str) -> Markup:
    """Return what a page says of what was sent to it."""
    return Markup('<p class="warn" role="alert">{}</p>').format(text) if text else Markup("")


def _at(instant: Any) -> str:
    return str(escape(instant.astimezone(UTC).strftime("%d %b %Y, %H:%M UTC")))


def go(where: str) -> Response:
    """Return what leads a browser to another page."""
    answer: Any = redirect(where, code=303)
    return Response(answer.get_data(), answer.status_code, answer.headers)
