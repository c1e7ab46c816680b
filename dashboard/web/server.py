"""Who may talk to the dashboard, and how it is served.

The dashboard holds riders' personal data, on loopback without a sign-in while there are no
accounts, so every request is checked: the Host it was addressed to (a foreign name that resolves
to this machine is refused), the Origin of whatever writes, and its size. The headers keep the
browser from loading, framing or sending anything elsewhere.
"""

from __future__ import annotations

import ipaddress
import logging
import os
import socket
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from dashboard.security import RefusedError
from dashboard.service import is_expected

LOG = logging.getLogger("slopewatch.dashboard")
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})
ANY_ADDRESS = "any address"  # among the hosts to answer to: whatever is given as a number
UPLOAD_LIMIT_MB = 64
IN_MEMORY_MB = 256
MEGABYTE = 1024 * 1024
READING = frozenset({"GET", "HEAD", "OPTIONS"})


def harden(server: Flask, *, csp_hashes: Sequence[str], hosts: Sequence[str] = ()) -> None:
    """Refuse foreign requests, limit their size, set the security headers, hide tracebacks.

    csp_hashes: of every inline script; hosts: names to answer to besides the loopback ones.
    """
    server.config.update(
        MAX_CONTENT_LENGTH=UPLOAD_LIMIT_MB * MEGABYTE,
        MAX_FORM_MEMORY_SIZE=UPLOAD_LIMIT_MB * MEGABYTE,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_HTTPONLY=True,
        PROPAGATE_EXCEPTIONS=False,
    )
    allowed = LOOPBACK_NAMES | {name.lower() for name in hosts}
    headers = security_headers(csp_hashes)

    def set_headers(response: Response) -> Response:
        for name, value in headers.items():
            response.headers[name] = value
        if not request.path.startswith(("/_dash-component-suites/", "/assets/")):
            response.headers["Cache-Control"] = "no-store"
        return response

    before = server.before_request_funcs.setdefault(None, [])
    before.insert(0, lambda: refuse_foreign(allowed))  # before whatever else was to run then
    server.after_request(set_headers)
    server.register_error_handler(Exception, answer_error)


def security_headers(csp_hashes: Sequence[str]) -> dict[str, str]:
    """The headers of every answer: nothing is loaded from, framed by or sent to elsewhere."""
    policy = {
        "default-src": "'self'",
        "script-src": " ".join(["'self'", *csp_hashes]),
        "style-src": "'self' 'unsafe-inline'",  # tables and charts insert style elements
        "img-src": "'self' data: blob:",  # a chart saved as a picture
        "font-src": "'self' data:",  # the table's sort and filter signs
        "connect-src": "'self'",
        "worker-src": "'self' blob:",
        "object-src": "'none'",
        "base-uri": "'none'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    return {
        "Content-Security-Policy": "; ".join(f"{key} {value}" for key, value in policy.items()),
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    }


def refuse_foreign(allowed: frozenset[str]) -> Response | None:
    """A refusal when the request was addressed to, or written from, a foreign name."""
    name = host_name(request.host)
    if name not in allowed and not (ANY_ADDRESS in allowed and is_address(name)):
        return _plain("This dashboard only answers under the address it was started on.", 421)
    if request.method not in READING and not _same_origin():
        return _plain("Refused: the request was sent by another site's page.", 403)
    return None


def host_name(host: str) -> str:
    """The name in a Host header, without port and brackets, in lower case."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def is_address(name: str) -> bool:
    """Whether a host is given as a number: no foreign site's name can be one."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _same_origin() -> bool:
    # A browser states where a write comes from in at least one of these and a page cannot
    # forge them; a program that states neither is no page.
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = request.headers.get("Origin")
    return origin is None or origin.lower() == f"{request.scheme}://{request.host}".lower()


def answer_error(error: Exception) -> Response:
    """A plain sentence for whatever went wrong; the traceback goes to the log only."""
    if isinstance(error, HTTPException) and error.code is not None:
        if error.code < 400:
            return Response(error.get_body(), error.code, error.get_headers())
        return _plain(_sentence(error.code), error.code)
    if isinstance(error, RefusedError):
        return _plain(str(error), 403)
    if is_expected(error):
        return _plain(str(error), 409)
    LOG.exception("a request failed: %s %s", request.method, request.path, exc_info=error)
    return _plain("Something went wrong; the program's log says what. Reload the page.", 500)


def _sentence(code: int) -> str:
    if code == 413:
        return (
            f"More than {UPLOAD_LIMIT_MB} MB at once is refused: send fewer files at a time, "
            "or load the folder with the `slopewatch load` command."
        )
    return {404: "There is nothing at this address."}.get(code, "This request is not understood.")


def _plain(text: str, code: int) -> Response:
    return Response(text + "\n", status=code, mimetype="text/plain")


def is_loopback(host: str) -> bool:
    """True for an address that only this machine can reach."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def serve(
    store: Path,
    *,
    host: str,
    port: int,
    say: Callable[[str], None],
    names: Sequence[str] = (),
    behind: str | None = None,
) -> None:
    """Serve a store's dashboard until it is interrupted.

    names: to answer to besides the address; behind: the address of a proxy that brings https
    NothingDoneError when others could reach it and nobody would have to sign in; OSError when
    the address cannot be listened on.
    """
    from dashboard.service import Data, NothingDoneError

    data = Data(store)
    public = not is_loopback(host) or behind is not None or bool(names)
    if public and not data.people.anyone_may_sign_in():
        raise NothingDoneError(
            f"the dashboard shows riders' personal data and others can reach {host}: "
            "add accounts first (slopewatch account add NAME --role owner), "
            "or serve it on 127.0.0.1 alone"
        )
    data.begin_warm()  # beside what else is read in before the first answer
    from dashboard.web.app import create_app

    hosts = [*names, *([ANY_ADDRESS, host, socket.gethostname()] if public else [])]
    listener = listen(create_app(data, hosts=hosts), host=host, port=port, behind=behind)
    shown = f"[{host}]" if ":" in host else host
    say(f"dashboard on http://{shown}:{listener.effective_port}/ (stop it with Ctrl-C)")
    if public and behind is None:
        say(
            "note: passwords cross the network in the clear; put a proxy with https before it "
            "(--behind), or keep it to a network that you trust"
        )
    try:
        listener.run()
    finally:
        listener.close()


def listen(app: Any, *, host: str, port: int, behind: str | None = None) -> Any:
    """A listener that serves the app on one address once its `run` is called.

    behind: the address of a proxy whose word about https and the client's address counts
    OSError when the address cannot be listened on; port 0 lets the system choose one.
    """
    from waitress.server import create_server

    trusted = {
        "trusted_proxy": behind,
        "trusted_proxy_count": 1,
        "trusted_proxy_headers": {"x-forwarded-proto", "x-forwarded-for"},
        "clear_untrusted_proxy_headers": True,
    }
    return create_server(
        app.server,
        sockets=[_bound(host, port)],
        threads=8,
        ident="",
        inbuf_overflow=IN_MEMORY_MB * MEGABYTE,  # personal data: never into temporary files
        outbuf_overflow=IN_MEMORY_MB * MEGABYTE,
        max_request_body_size=UPLOAD_LIMIT_MB * MEGABYTE + 65536,
        **(trusted if behind else {}),
    )


def stop(listener: Any) -> None:
    """End a listener's `run` from another thread.

    Its sockets are closed by the thread that waits on them: closed by another, their numbers
    could be given to something else while they are still being waited on.
    """
    from waitress.wasyncore import close_all

    trigger = listener.trigger
    with trigger.lock:  # else another pull could have it done, and the pipe closed, before this one
        trigger.thunks.append(lambda: close_all(listener._map, ignore_all=True))
        trigger.pull_trigger()


def _bound(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    try:
        if os.name == "posix":  # elsewhere it would let two programs share the port
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((host, port))
    except OSError:
        bound.close()
        raise
    return bound
