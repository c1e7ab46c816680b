"""Who may talk to the dashboard.

The dashboard holds riders' personal data, on loopback without a sign-in while there are no
accounts, so every request is checked: the Host it was addressed to (a foreign name that resolves
to this machine is refused), the Origin of whatever writes, and its size. The headers keep the
browser from loading, framing or sending anything elsewhere.
"""

import ipaddress
import logging
from collections.abc import Sequence
from urllib.parse import urlsplit

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from dashboard.security import RefusedError
from ingest.schema import UserError

LOG = logging.getLogger("slopewatch.dashboard")
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})
ANY_ADDRESS = "any address"  # among the hosts to answer to: whatever is given as a number
UPLOAD_LIMIT_MB = 64
MEGABYTE = 1024 * 1024
WORKER = "/assets/base/worker.js"  # which opens the bench page again without a network
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
        if request.is_secure:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        if request.path == WORKER:
            response.headers["Service-Worker-Allowed"] = "/"
        if not request.path.startswith(("/_dash-component-suites/", "/assets/")):
            response.headers["Cache-Control"] = "no-store"
        return response

    before = server.before_request_funcs.setdefault(None, [])
    before.insert(0, lambda: refuse_foreign(allowed))  # before whatever else was to run then
    server.after_request(set_headers)
    server.register_error_handler(Exception, answer_error)


def security_headers(csp_hashes: Sequence[str]) -> dict[str, str]:
    """Return the headers of every answer: nothing is loaded from elsewhere or framed."""
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
    """Return a refusal when the request was addressed to, or written from, a foreign name."""
    name = host_name(request.host)
    if name not in allowed and not (ANY_ADDRESS in allowed and is_address(name)):
        return _plain("This dashboard only answers under the address it was started on.", 421)
    if request.method not in READING and not _same_origin():
        return _plain("Refused: the request was sent by another site's page.", 403)
    return None


def host_name(host: str) -> str:
    """Return the name in a Host header, without port and brackets, in lower case."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def is_address(name: str) -> bool:
    """Return whether a host is given as a number: no foreign site's name can be one."""
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
    """Return a plain sentence for whatever went wrong; the traceback goes to the log only."""
    if isinstance(error, HTTPException) and error.code is not None:
        if error.code < 400:
            return Response(error.get_body(), error.code, error.get_headers())
        return _plain(_sentence(error.code), error.code)
    if isinstance(error, RefusedError):
        return _plain(str(error), 403)
    if isinstance(error, UserError):
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
