"""What a connection may ask of the server before anybody has signed in on it, and what of many.

A body is read once the headers are accepted: whoever is not signed in may send a sign-in's form
and no more. One that is not complete in time ends, and an address that opens too many connections
loses its idle ones, so that nobody can keep the others out. A request that could not be begun in
time is not begun at all: it is told so, and when to ask again.
"""

import copy
import socket
import time
from collections.abc import Callable
from typing import Any

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser
from waitress.utilities import Error

FORM_BYTES = 16_384
FORM_S = 2.0
UNFINISHED_S = 20.0
CONNECTIONS = 1000
OF_ONE_ADDRESS = 60
TOO_LATE_S = 15.0  # in line: who waited so long is gone, or has asked again
AGAIN_S = 5
TOO_MANY = (
    "The dashboard has more to do than it can do just now, and did not begin this: nothing was "
    f"changed. Ask again in {AGAIN_S} seconds.\n"
)
Admits = Callable[[str], bool]


class _Request(HTTPRequestParser):  # type: ignore[misc]
    """A request whose body may be as large as whoever sends it may send."""

    adj: Any

    def __init__(self, adj: Any) -> None:
        super().__init__(adj)
        self.begun, self.admitted = time.monotonic(), False
        self.came: float | None = None

    error: Any
    completed: bool
    expect_continue: bool

    def received(self, data: bytes) -> int:
        """Take in what has come; what is refused already is not asked for with a "100 Continue"."""
        taken = int(super().received(data))
        self.expect_continue = self.expect_continue and self.error is None
        if self.completed and self.came is None:
            self.came = time.monotonic()
        return taken

    @property
    def is_slow(self) -> bool:
        """Return whether it is nobody's and has been coming for longer than a form takes."""
        return not self.admitted and time.monotonic() - self.begun > FORM_S

    def parse_header(self, header_plus: bytes) -> None:
        """Read the headers, and lower the limit on the body where nobody is signed in."""
        super().parse_header(header_plus)
        large = self.chunked or self.content_length > FORM_BYTES
        self.admitted = large and self.adj.admits(self.headers.get("COOKIE", ""))
        if large and not self.admitted:
            self.adj = copy.copy(self.adj)
            self.adj.max_request_body_size = FORM_BYTES


class _TooManyError(Error):  # type: ignore[misc]
    def __init__(self) -> None:
        super().__init__(TOO_MANY)

    def to_response(self, ident: str | None = None) -> tuple[str, list[tuple[str, str]], bytes]:
        """Return status, headers and body of the answer."""
        headers = [("Content-Type", "text/plain; charset=utf-8"), ("Retry-After", str(AGAIN_S))]
        return "503 Service Unavailable", headers, TOO_MANY.encode()


class LimitedChannel(HTTPChannel):  # type: ignore[misc]
    """A connection that ends where it keeps others out."""

    parser_class = _Request
    will_close: bool
    request: _Request | None
    requests: list[_Request]
    total_outbufs_len: int
    socket: Any

    def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:
        super().__init__(server, sock, addr, adj, map=map)
        open_ones = [c for c in server.active_channels.values() if not c.will_close]
        same = [c for c in open_ones if c.addr[0] == addr[0] and c is not self]
        if len(same) < OF_ONE_ADDRESS or addr[0] == adj.trusted_proxy:
            return
        idle = [c for c in same if c._is_idle()]
        if len(idle) >= OF_ONE_ADDRESS:  # fewer may be about to ask
            min(idle, key=lambda c: c.last_activity).will_close = True

    def _is_idle(self) -> bool:
        """Return whether all that came is answered, or comes too slowly."""
        if self.requests or self.total_outbufs_len:
            return False
        if self.request is not None:
            return self.request.is_slow
        return not _has_come(self.socket)

    def service(self) -> None:
        """Answer the next request, unless it has waited for too long."""
        came = self.requests[0].came
        if came is not None and time.monotonic() - came > TOO_LATE_S:
            self.requests[0].error = self.requests[0].error or _TooManyError()
        super().service()

    def readable(self) -> bool:
        """Return whether more is to be read; end a request of nobody's that does not get done."""
        request = self.request
        if request is not None and not request.admitted:
            late = time.monotonic() - request.begun > UNFINISHED_S
            self.will_close = self.will_close or late
        return bool(super().readable())


def _has_come(line: socket.socket) -> bool:
    """Return whether something lies there to be read, encrypted or not."""
    try:
        return bool(socket.socket.recv(line, 1, socket.MSG_PEEK))
    except OSError:
        return False


def limit(listener: Any, admits: Admits, channel: type[LimitedChannel] = LimitedChannel) -> None:
    """Hold a listener's connections to the limits.

    admits: tells from a Cookie header whether somebody is signed in, or nobody has to be
    """
    listener.adj.admits = admits
    listener.channel_class = channel
