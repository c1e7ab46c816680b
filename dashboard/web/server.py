"""How the dashboard is served, and to whom: this machine, or whoever signs in."""

import ipaddress
import logging
import os
import select
import socket
import ssl
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from dashboard.security import People
from dashboard.service import Service, Watch, watch_beside
from dashboard.web.app import ADMITS, create_app
from dashboard.web.demo import Demo, WayBack
from dashboard.web.hardening import ANY_ADDRESS, MEGABYTE, UPLOAD_LIMIT_MB
from dashboard.web.limits import CONNECTIONS, LimitedChannel, limit
from dashboard.web.tls import EncryptedChannel, tls_context
from ingest.schema import UserError

IN_MEMORY_MB = 256
TURN_S = 0.001  # between threads: who holds the store asks for its turn dozens of times
LOOKS_S = 1.0
GONE = (
    "{store}: the store with the accounts is not here any more, or was replaced by one without. "
    "The service ended, since nobody could tell who may see what. Put it back, and serve again."
)
THREADS = 16  # most of them wait: for the store, or for a process beside the pages


def is_loopback(host: str) -> bool:
    """Return whether only this machine can reach an address."""
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
    tls: tuple[Path, Path] | None = None,
    backups: tuple[Path, int] | None = None,
    watched: Sequence[Path] = (),
    way_back: WayBack | None = None,
) -> None:
    """Serve a store's dashboard until it is interrupted.

    names: to answer to besides the address; behind: the address of a proxy that brings https
    tls: certificate and key, to encrypt with; backups: where to make one a day, and how many stay
    watched: folders from which files are taken in as they appear
    way_back: of the demo, to the dashboard that it was entered from; it ends when it is left
    UserError when what is said would cross the network in the clear, and when others could reach it
    and nobody would have to sign in; OSError when the address cannot be listened on.
    """
    sys.setswitchinterval(TURN_S)
    service = Service(store)
    people = People(service)
    public = not is_loopback(host) or behind is not None or bool(names)
    if public and not people.anyone_may_sign_in():
        raise UserError(
            f"the dashboard shows riders' personal data and others can reach {host}: "
            "add accounts first (slopewatch account add NAME --role owner), "
            "or serve it on 127.0.0.1 alone"
        )
    if not is_loopback(host) and behind is None and tls is None:
        raise UserError(
            f"passwords and riders' data would cross the network to {host} in the clear: give a "
            "certificate and its key (--tls-cert, --tls-key), put a proxy with https before it "
            "(--behind-proxy ADDRESS), or serve it on 127.0.0.1 alone"
        )
    context = tls_context(*tls) if tls else None
    if backups is not None:
        service.back_up_daily(backups[0], keep=backups[1])
    service.prepare()  # beside what else is read in before the first answer
    hosts = [*names, *([ANY_ADDRESS, host, socket.gethostname()] if public else [])]
    if watched:
        folders = Watch(watched, service.ask, say)
        folders.open()
        watch_beside(folders)
    app = create_app(service, hosts=hosts, demo=way_back or Demo(store))
    listener = listen(app, host=host, port=port, behind=behind, tls=context)
    shown = f"[{host}]" if ":" in host else host
    address = f"{'https' if tls else 'http'}://{shown}:{listener.effective_port}/"
    say(f"dashboard on {address} (stop it with Ctrl-C)")
    if way_back is not None:
        way_back.served(address)
    left = way_back.left if way_back else threading.Event()
    threading.Thread(target=_end_in_time, args=(listener, people, left), daemon=True).start()
    try:
        listener.run()
    finally:
        listener.close()
    if people.are_gone():
        raise UserError(GONE.format(store=store))


def _end_in_time(listener: Any, people: People, left: threading.Event) -> None:
    """End the listener's `run` once the accounts are gone with their store, or the demo is left."""
    while not people.are_gone() and not left.wait(LOOKS_S):
        pass
    stop(listener)


def listen(
    app: Any,
    *,
    host: str,
    port: int,
    behind: str | None = None,
    tls: ssl.SSLContext | None = None,
) -> Any:
    """Return a listener that serves the app on one address once its `run` is called.

    behind: the address of a proxy whose word about https and the client's address counts
    OSError when the address cannot be listened on; port 0 lets the system choose one.
    """
    from waitress.server import create_server

    # Else a line for each request that has to wait, on a terminal or pipe that may not be read.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    trusted = {
        "trusted_proxy": behind,
        "trusted_proxy_count": 1,
        "trusted_proxy_headers": {"x-forwarded-proto", "x-forwarded-for"},
        "clear_untrusted_proxy_headers": True,
    }
    listener = create_server(
        app.server,
        sockets=[_bound(host, port)],
        threads=THREADS,
        ident="",
        inbuf_overflow=IN_MEMORY_MB * MEGABYTE,  # personal data: never into temporary files
        outbuf_overflow=IN_MEMORY_MB * MEGABYTE,
        max_request_body_size=UPLOAD_LIMIT_MB * MEGABYTE + 65536,
        connection_limit=CONNECTIONS,
        asyncore_use_poll=hasattr(select, "poll"),  # else at most a thousand files
        url_scheme="https" if tls else "http",
        **(trusted if behind else {}),
    )
    listener.adj.tls = tls
    channel = EncryptedChannel if tls else LimitedChannel
    limit(listener, app.server.extensions[ADMITS], channel)
    return listener


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
