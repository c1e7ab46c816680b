"""Connections that are encrypted by the server itself, with a team's own certificate."""

import ssl
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dashboard.web.limits import LimitedChannel
from ingest.schema import UserError
from models import run

_WAITS = (ssl.SSLWantReadError, ssl.SSLWantWriteError)


def tls_context(cert: Path, key: Path) -> ssl.SSLContext:
    """Return what encrypts with a certificate and its key; UserError where they cannot be used."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(cert, key, password=lambda: "")
    except (OSError, ssl.SSLError) as error:
        reason = error.strerror or str(error)
        raise UserError(
            f"{cert} and {key} cannot be used as certificate and key ({reason}): expected two PEM "
            "files that belong together, the key without a password"
        ) from None
    ends = run.certificate_ends(cert)
    if ends < datetime.now(UTC):
        raise UserError(
            f"{cert} ran out on {ends:%d %b %Y}, and no browser trusts it any more: make the next "
            "one (slopewatch certificate, in the same folder), or get one from who gave you this"
        )
    return context


class EncryptedChannel(LimitedChannel):
    """An encrypted connection. One thread at a time uses it: a lock keeps the others waiting."""

    def __init__(self, server: Any, sock: Any, addr: Any, adj: Any, map: Any = None) -> None:
        self._using, self._greeted = threading.Lock(), False
        sock.setblocking(False)
        wrapped = adj.tls.wrap_socket(sock, server_side=True, do_handshake_on_connect=False)
        super().__init__(server, wrapped, addr, adj, map=map)

    def handle_read(self) -> None:
        """Take in what has come, the greeting first; end a connection that speaks otherwise."""
        try:
            data = self._received()
        except _WAITS:
            return
        except OSError:  # an error of the encryption is one too
            self.handle_close()
            return
        if data is None:
            return
        if not data:
            self.connected = False
            return
        self.last_activity = time.time()
        self.received(data)

    def _received(self) -> bytes | None:
        """Return what has come, all of it; b"" at the end, None while still greeting."""
        with self._using:
            if not self._greeted:
                self.socket.do_handshake()
                self._greeted = True
                return None
            parts = [self.socket.recv(self.adj.recv_bytes)]
            while parts[-1] and self.socket.pending():
                parts.append(self.socket.recv(self.adj.recv_bytes))
            return b"".join(parts)

    def send(self, data: bytes, do_close: bool = True) -> int:
        """Send what the connection takes; 0 while it takes nothing."""
        try:
            with self._using:
                return int(self.socket.send(data))
        except _WAITS:
            return 0
        except OSError:
            if do_close:
                self.handle_close()
            return 0
