"""A served dashboard, and a tab of a real browser that looks at it."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, ClassVar
from urllib.parse import urljoin, urlsplit

from dashboard.web import server
from dashboard.web.app import create_app

GO = """(path) => {
    history.pushState({}, '', path);
    dispatchEvent(new CustomEvent('_dashprivate_pushstate'));
}"""
FORGET = """async () => {
    localStorage.clear();
    sessionStorage.clear();
    const workers = await navigator.serviceWorker.getRegistrations();
    await Promise.all(workers.map(worker => worker.unregister()));
    await Promise.all((await caches.keys()).map(name => caches.delete(name)));
}"""
PORTS: list[int] = []
"""The port served on first: a browser has read the scripts at an address once, and keeps them."""


@contextmanager
def serving(data: Any, *, behind: str | None = None) -> Iterator[str]:
    """Serve some data as a user gets it; gives the address.

    The tabs that look at it leave first: one that asks in the background would complain.
    """
    listener = _listen(create_app(data), behind)
    thread = threading.Thread(target=listener.run, daemon=True)
    thread.start()
    address = f"http://127.0.0.1:{listener.effective_port}"
    try:
        yield address
    finally:
        for visit in [one for one in Visit.going_on if one.page.url.startswith(address)]:
            visit.end()
        server.stop(listener)
        thread.join(timeout=30)
        assert not thread.is_alive()
        listener.task_dispatcher.shutdown()


def _listen(app: Any, behind: str | None) -> Any:
    """A listener on the port of before; on another while that one is taken."""
    for port in (*PORTS, 0):
        try:
            listener = server.listen(app, host="127.0.0.1", port=port, behind=behind)
        except OSError:
            continue
        PORTS[:] = PORTS or [int(listener.effective_port)]
        return listener
    raise AssertionError("no port is free")


def until(page: Any, expression: str) -> None:
    """Waits until a script's value is true; the page's own policy forbids a polling script."""
    deadline = time.monotonic() + 60
    while not page.evaluate(expression):
        assert time.monotonic() < deadline, f"never true: {expression}"
        page.wait_for_timeout(50)


def go_within(page: Any, path: str) -> None:
    """Goes to another page of the dashboard as a link does, without reading it all again."""
    until(page, "document.title !== ''")  # the page before has arrived whole
    before = page.title()
    page.evaluate(GO, path)
    until(page, f"document.title !== {json.dumps(before)}")


def opened(page: Any, address: str, path: str, *, width: int = 1440, height: int = 900) -> None:
    """Opens a page as it is at first: read once from a server, then gone to as a link does.

    Where the tab is on the same page already, the way leads through another.
    """
    page.set_viewport_size({"width": width, "height": height})
    if page.url.startswith(address) and page.query_selector("main h1"):
        page.evaluate("localStorage.clear(); sessionStorage.clear()")
        if urlsplit(page.url).path == urlsplit(path).path:
            go_within(page, "/bench" if path == "/help" else "/help")
        go_within(page, path)
    else:
        page.goto(address + path)
    page.wait_for_selector("main h1")


class Visit:
    """A look at the dashboard in a tab, with all that the tab asked for and complained about."""

    going_on: ClassVar[list[Visit]] = []

    def __init__(self, page: Any, *, width: int, height: int, scheme: str) -> None:
        self.page = page
        self.hosts: set[str] = set()
        self.complaints: list[str] = []
        self._heard = {
            "request": lambda request: self._requested(request.url),
            "console": lambda message: self._said(message.type, message.text),
            "pageerror": lambda error: self.complaints.append(str(error)),
        }
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(media="null", color_scheme=scheme)
        page.set_default_timeout(60_000)
        for event, hear in self._heard.items():
            page.on(event, hear)
        Visit.going_on.append(self)

    def _requested(self, url: str) -> None:
        if not url.startswith(("data:", "blob:")):
            self.hosts.add(urlsplit(url).hostname or "")

    def _said(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(text)

    def end(self) -> None:
        """Leave the page and forget all that it kept, so that the tab can be used again.

        The tab rests at a picture of the same address: there the browser keeps what it has
        compiled of the scripts, which takes longer than all that a page does.
        """
        if self not in Visit.going_on:
            return
        Visit.going_on.remove(self)
        if self.page.is_closed():
            return
        self.page.context.set_offline(False)
        self.page.evaluate("0")  # whatever it has said until now is heard
        for event, hear in self._heard.items():
            self.page.remove_listener(event, hear)
        if self.page.url.startswith("http"):
            self.page.goto(urljoin(self.page.url, "/assets/mark.svg"))
            self.page.evaluate(FORGET)
        self.page.context.clear_cookies()
