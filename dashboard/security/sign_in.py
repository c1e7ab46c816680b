"""Signing in and out: the page, the cookie, and the check before every other request.

While a store has no accounts, whoever can reach the dashboard (only this machine) may do
everything. Once it has one, every request but these pages' own needs a sign-in, on loopback too:
a proxy on the same machine, or another user of it, comes from there as well.
"""

import hashlib
import logging
from collections.abc import Callable
from datetime import timedelta
from typing import Any
from urllib.parse import quote

from flask import Flask, Response, g, has_request_context, redirect, request
from markupsafe import Markup, escape
from werkzeug.http import parse_cookie

from dashboard import theme
from dashboard.security import rights
from dashboard.security.account_page import RESET, AccountPages
from dashboard.security.code_page import CodePages
from dashboard.security.people import IDLE, KNOWN_FOR, CodeAskedError, People, SignInError
from models.run import HERE, Person

LOG = logging.getLogger("slopewatch.dashboard")
SIGN_IN, SIGN_OUT = "/sign-in", "/sign-out"
OPEN = ("/assets/", "/_dash-component-suites/", "/_favicon.ico")
DASH_OWN = ("/_dash-layout", "/_dash-dependencies", "/_dash-update-component")
FRAME = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title} · Slopewatch</title>
<link rel="icon" type="image/svg+xml" href="/assets/glyphs/mark.svg">
<style>{colours}</style>
<script>{early}</script>
<link rel="stylesheet" href="/assets/base/base.css">
<link rel="stylesheet" href="/assets/base/parts.css">
<link rel="stylesheet" href="/assets/base/shell.css">
</head>
<body>
<main class="sign-in">
{body}
</main>
</body>
</html>
"""
PAGE = """<h1><span class="mark" aria-hidden="true"></span> Slopewatch</h1>
<p class="note">Riders' power and the team's devices: for the team only.</p>
{said}
<form method="post" action="/sign-in">
<input type="hidden" name="next" value="{next}">
<label for="name">Name</label>
<input id="name" name="name" autocomplete="username" autocapitalize="none" required {name_focus}
 value="{name}">
<label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password" required
 {password_focus}>
<button type="submit">Sign in</button>
</form>
<p class="note">No account, or the password is gone? An owner adds and changes accounts on the page
People, and whoever runs the dashboard's machine there:
<code class="command">slopewatch account --help</code></p>"""


CODE_PAGE = """<h1>The second step</h1>
{said}
<form method="post" action="/sign-in">
<input type="hidden" name="next" value="{next}">
<input type="hidden" name="first" value="{first}">
<label for="code">Code</label>
<input id="code" name="code" autocomplete="one-time-code" inputmode="text" required autofocus>
<button type="submit">Sign in</button>
</form>
<p class="note">Six digits from the authenticator, or one of the recovery codes. Neither is at hand?
Whoever runs the dashboard's machine can help: <code class="command">slopewatch account
no-code NAME</code></p>"""
LONGEST_CODE = 64


class SignIns:
    """What stands between the server and everyone who asks. early: a script for the page."""

    def __init__(self, people: People, *, early: str) -> None:
        self._people, self._early = people, early
        # two dashboards on one machine share its cookies, whatever their ports
        self._cookie = f"slopewatch_{hashlib.sha256(people.store_name.encode()).hexdigest()[:8]}"
        self._known = f"{self._cookie}_known"  # this device: others' failures do not slow it down

    def install(self, server: Flask) -> None:
        """Add the pages, and the check before every request."""
        server.add_url_rule(SIGN_IN, "sign_in", self.page, methods=["GET"])
        server.add_url_rule(SIGN_IN, "sign_in_try", self.try_it, methods=["POST"])
        server.add_url_rule(SIGN_OUT, "sign_out", self.leave, methods=["POST"])
        ask_first(server, self.check)
        server.after_request(self.renew)
        codes = CodePages(self._people, self._account_page)
        codes.install(server)
        AccountPages(self._people, self._account_page, codes.part).install(server)

    def admits(self, cookies: str) -> bool:
        """Return whether a Cookie header looks like a signed-in person's, or nobody has to sign in.

        Looks at no store, since every connection waits meanwhile; `check` does.
        """
        return self._people.looks_signed_in(parse_cookie(cookies).get(self._cookie))

    # ---- every request ----------------------------------------------------------------------

    def check(self) -> Response | None:
        """Note who sends this request; return a refusal when it needs a sign-in and has none."""
        if not self._people.exist():
            g.person = HERE
            return None
        agent = request.headers.get("User-Agent", "")[:120]
        found = self._people.signed_in(
            request.cookies.get(self._cookie), seen_from=f"{request.remote_addr}, {agent}"
        )
        if found is not None:
            g.person, g.renewed = found
        if request.path.startswith((*OPEN, RESET)) or request.path in (SIGN_IN, SIGN_OUT):
            return None
        if found is None:
            return _sign_in_first()
        return None if self._is_open(found[0]) else _refused()

    def _is_open(self, person: Person) -> bool:
        rule = str(request.url_rule) if request.url_rule else ""
        if rule in ("/", "/<path:path>") and request.method in ("GET", "HEAD", "OPTIONS"):
            return True  # the frame of every page, without any data
        return request.path in DASH_OWN or rights.may_fetch(person, request.path)

    def renew(self, response: Response) -> Response:
        """Extend a sign-in that is used: nobody is cut off in the middle of a bench session."""
        if g.get("renewed"):
            self._set(response, g.renewed)
        return response

    def _set(self, response: Response, token: str) -> None:
        self._cookie_of(response, self._cookie, token, IDLE)

    def _cookie_of(self, response: Response, name: str, value: str, lasts: timedelta) -> None:
        response.set_cookie(
            name,
            value,
            max_age=int(lasts.total_seconds()),
            secure=request.is_secure,
            httponly=True,
            samesite="Strict",
        )

    # ---- the pages --------------------------------------------------------------------------

    def page(self) -> Response:
        """Return the sign-in page; whoever is signed in already goes on."""
        onward = _onward(request.args.get("next"))
        if g.get("person") is not None:
            return _go(onward)
        return self._page(onward)

    def _page(self, onward: str, *, said: str = "", name: str = "", code: int = 200) -> Response:
        shown = f'<p class="warn" role="alert">{escape(said)}</p>' if said else ""
        body = PAGE.format(
            said=shown,
            next=escape(onward),
            name=escape(name),
            name_focus="" if name else "autofocus",
            password_focus="autofocus" if name else "",
        )
        return Response(self._framed("Sign in", body), status=code, mimetype="text/html")

    def _framed(self, title: str, body: str) -> str:
        colours = theme.css_variables()
        return FRAME.format(title=escape(title), colours=colours, early=self._early, body=body)

    def _account_page(self, title: str, body: Markup) -> str:
        back = Markup('<h1>{}</h1>{}<p class="note"><a href="/">To the fleet</a></p>')
        return self._framed(title, back.format(title, body))

    def try_it(self) -> Response:
        """Sign in with the name and the password of the form."""
        name, password = request.form.get("name", "").strip(), request.form.get("password", "")
        onward, address = _onward(request.form.get("next")), str(request.remote_addr)
        first, known = request.form.get("first"), request.cookies.get(self._known)
        try:
            if first is None:
                token = self._people.sign_in(name, password, address=address, known=known)
            else:
                code = request.form.get("code", "")[:LONGEST_CODE]
                name, token = self._people.sign_in_with_code(
                    first, code, address=address, known=known
                )
        except CodeAskedError as asked:
            return self._code_page(onward, asked)
        except SignInError as refused:
            LOG.warning("a sign-in from %s failed", address)
            status = 429 if refused.wait_s else 401
            answer = self._page(onward, said=str(refused), name=name, code=status)
            if refused.wait_s:
                answer.headers["Retry-After"] = str(refused.wait_s)
            return answer
        answer = _go(onward)
        g.renewed = None
        self._set(answer, token)
        mark = self._people.known_device(name)
        self._cookie_of(answer, self._known, mark, KNOWN_FOR)
        return answer

    def _code_page(self, onward: str, asked: CodeAskedError) -> Response:
        said, code = str(asked), 200
        if said:
            LOG.warning("a code from %s was none", request.remote_addr)
            code = 401
        shown = f'<p class="warn" role="alert">{escape(said)}</p>' if said else ""
        body = CODE_PAGE.format(said=shown, first=escape(asked.first), next=escape(onward))
        return Response(self._framed("Sign in", body), status=code, mimetype="text/html")

    def leave(self) -> Response:
        """Sign out: the token is worth nothing from now on."""
        self._people.sign_out(request.cookies.get(self._cookie))
        answer = _go(SIGN_IN)
        g.renewed = None
        answer.delete_cookie(self._cookie, httponly=True, samesite="Strict")
        return answer


def ask_first(server: Flask, check: Callable[[], Response | None]) -> None:
    """Run a check before every request, and before whatever else was to run then."""
    server.before_request_funcs.setdefault(None, []).insert(0, check)


def _sign_in_first() -> Response:
    if request.method in ("GET", "HEAD") and not request.path.startswith("/_dash"):
        onward = request.full_path.rstrip("?")
        return _go(f"{SIGN_IN}?next={quote(onward, safe='/')}")
    return Response("Sign in first.\n", status=401, mimetype="text/plain")


def _refused() -> Response:
    return Response("This is not open to your role.\n", status=403, mimetype="text/plain")


def _go(where: str) -> Response:
    answer: Any = redirect(where, code=303)
    return Response(answer.get_data(), answer.status_code, answer.headers)


def _onward(asked: str | None) -> str:
    """Return where to go after signing in: an address of this dashboard, whatever was asked."""
    plain = asked or "/"
    safe = plain.startswith("/") and plain.isprintable() and "\\" not in plain
    return plain if safe and not plain.startswith(("//", SIGN_IN, SIGN_OUT)) else "/"


def person_asking() -> Person:
    """Return who sent the request that is being answered; outside of any, this machine."""
    if not has_request_context():
        return HERE
    person: Person = g.person  # set before every request; without it nothing is answered
    return person


def signed_in() -> Person | None:
    """Return who signed in and sent this request; None for this machine and for nobody."""
    person: Person | None = g.get("person") if has_request_context() else None
    return None if person is HERE else person
