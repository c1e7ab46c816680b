"""The second step of one's own account: switched on with an authenticator, or off again."""

from __future__ import annotations

from collections.abc import Callable

import segno
from flask import Flask, Response, g, request
from markupsafe import Markup

from dashboard.security.account_page import ACCOUNT, PASSWORD, Frame, go, said_part
from dashboard.security.people import People, SignInError
from ingest.admin import authenticator_address
from models.run import Person

CODE = f"{ACCOUNT}/code"
FIELD = Markup(
    '<label for="code">Code</label><input id="code" name="code" required '
    'autocomplete="one-time-code">'
)


class CodePages:
    """The pages. frame: a page's HTML of its title and body."""

    def __init__(self, people: People, frame: Frame) -> None:
        self._people, self._frame = people, frame

    def install(self, server: Flask) -> None:
        """Add the pages to a server; whoever asks for them is signed in."""
        rules: list[tuple[str, str, Callable[[], Response]]] = [
            (f"{CODE}/new", "code_new", self.offer),
            (f"{CODE}/on", "code_on", self.switch_on),
            (f"{CODE}/off", "code_off", self.switch_off),
        ]
        for rule, name, view in rules:
            server.add_url_rule(rule, name, view, methods=["POST"])

    def part(self, person: Person) -> Markup:
        """Return the part of the account's page that is about codes."""
        if not self._people.asks_for_code(person.name):
            return Markup(
                '<h2>Second step</h2><form method="post" action="{}/new"><button type="submit">'
                'Ask for a code too</button></form><p class="note">Whoever learns your password '
                "then still needs a code from your phone. Owners should ask for one.</p>"
            ).format(CODE)
        return Markup(
            '<h2>Second step</h2><form method="post" action="{}/off">{}{}<button type="submit">'
            'Ask for no code</button></form><p class="note">Each sign-in asks for a code. For a '
            "new phone, switch it off and on again.</p>"
        ).format(CODE, PASSWORD.format("now", "Present password", "current-password"), FIELD)

    def offer(self) -> Response:
        """Show a new secret, as a square to read and as text, with the form to prove it."""
        person = self._person()
        if person is None:
            return go("/")
        _, mark = self._people.offered_secret(person.name)
        return self._offered(person, mark)

    def _offered(self, person: Person, mark: str, *, said: str = "", code: int = 200) -> Response:
        secret = self._people.secret_of(person.name, mark)
        address = authenticator_address(secret, person.name)
        square = segno.make(address, error="m").svg_inline(scale=4, light="#fff", omitsize=False)
        body = Markup(
            "{}<p>Read this square with an authenticator app, or type the secret below it.</p>"
            '<p>{}</p><p><code>{}</code></p><form method="post" action="{}/on">'
            '<input type="hidden" name="mark" value="{}">{}{}<button type="submit">Switch it on'
            "</button></form>"
        ).format(
            said_part(said),
            Markup(square),
            " ".join(secret[at : at + 4] for at in range(0, len(secret), 4)),
            CODE,
            mark,
            PASSWORD.format("now", "Present password", "current-password"),
            FIELD,
        )
        return self._answer("Second step", body, code)

    def switch_on(self) -> Response:
        """Ask for codes from now on; show the recovery codes, once."""
        person = self._person()
        if person is None:
            return go("/")
        mark, sent = request.form.get("mark", ""), request.form
        try:
            self._people.secret_of(person.name, mark)
        except SignInError as refused:
            return self._answer("Second step", said_part(str(refused)), 410)
        try:
            codes = self._people.ask_for_code(
                *(person.name, mark, sent.get("code", ""), sent.get("now", "")),
                address=str(request.remote_addr),
            )
        except SignInError as refused:
            return self._offered(person, mark, said=str(refused), code=422)
        rows = Markup("").join(Markup("<li><code>{}</code></li>").format(one) for one in codes)
        body = Markup(
            "<p>Each sign-in asks for a code from now on. These recovery codes stand in for the "
            "phone, each once. They are shown this once: print them, or write them down.</p>"
            "<ol>{}</ol><p>Then sign in again.</p>"
        ).format(rows)
        return self._answer("Recovery codes", body)

    def switch_off(self) -> Response:
        """Ask for no code any more."""
        person = self._person()
        if person is None:
            return go("/")
        code, password = request.form.get("code", ""), request.form.get("now", "")
        try:
            self._people.ask_for_no_code(
                person.name, code, password, address=str(request.remote_addr)
            )
        except SignInError as refused:
            return self._answer("Second step", said_part(str(refused)), 422)
        return go("/sign-in")

    def _person(self) -> Person | None:
        return g.person if self._people.exist() else None

    def _answer(self, title: str, body: Markup, code: int = 200) -> Response:
        return Response(self._frame(title, body), status=code, mimetype="text/html")
