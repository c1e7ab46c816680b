"""What a connection may ask of the server before anybody has signed in on it.

A body is read once the headers are accepted: whoever is not signed in may send a sign-in's form
and no more. One that is not complete in time ends, and an address that opens too many connections
loses its idle ones, so that nobody can keep the others out.
"""

import copy
import time
from collections.abc import Callable
from typing import Any

from waitress.channel import HTTPChannel
from waitress.parser import HTTPRequestParser

FORM_BYTES = 16_384
UNFINISHED_S = 20.0
CONNECTIONS = 1000
OF_ONE_ADDRESS = 60
Admits = Callable[[str], bool]


class _Request(HTTPRequestParser):  # type: ignore[misc]
    """A request whose body may be as large as whoever sends it may send."""

    adj: Any

    def __init__(self, adj: Any) -> None:
        super().__init__(adj)
        self.begun, self.admitted = time.monotonic(), False

    error: Any
    expect_continue: bool

    def received(self, data: bytes) -> int:
        """Take in what has come; what is refused already is not asked for with a "100 Continue"."""
        taken = int(super().received(data))
        self.expect_continue = self.expect_continue and self.error is None
        return taken

    def parse_header(self, header_plus: bytes) -> None:
        """Read the headers, and lower the limit on the body where nobody is signed in."""
        super().parse_header(header_plus)
        large = self.chunked or self.content_length > FORM_BYTES
        self.admitted = large and self.adj.admits(self.headers.get("COOKIE", ""))
        if large and not self.admitted:
            self.adj = copy.copy(self.adj)
            self.adj.max_request_body_size = FORM_BYTES


class LimitedChannel(HTTPChannel):  # type: ignore[misc]
    """A connection that ends where it keeps others out."""

    parser_class = _Request
    will_close: bool

    def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:
        super().__init__(server, sock, addr, adj, map=map)
        open_ones = [c for c in server.active_channels.values() if not c.will_close]
        same = [c for c in open_ones if c.addr[0] == addr[0]]
        if len(same) > OF_ONE_ADDRESS and addr[0] != adj.trusted_proxy:
            idle = [c for c in same if not c.requests and c is not self]
            if idle:
                min(idle, key=lambda c: c.last_activity).will_close = True

    def readable(self) -> bool:
        """Return whether more is to be read; end a request of nobody's that does not get done."""
        request = self.request
        if request is not None and not request.admitted:
            late = time.monotonic() - request.begun > UNFINISHED_S
            self.will_close = self.will_close or late
        return bool(super().readable())


def limit(listener: Any, admits: Admits, channel: type[LimitedChannel] = LimitedChannel) -> None:
    """Hold a listener's connections to the limits.

    admits: tells from a Cookie header whether somebody is signed in, or nobody has to be
    """
    listener.adj.admits = admits
    listener.channel_class = channel
