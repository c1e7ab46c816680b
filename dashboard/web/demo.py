"""The demo beside a team's own dashboard: another process, another store, another address.

What is done in the demo cannot reach the team's store, since the demo's process never hears of it;
and to the browser another port is another site, whose kept entries and answers are its own.
"""

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypedDict

from dash import html
from flask import Flask, Response, request

from dashboard import components
from dashboard.web.hardening import LOOPBACK_NAMES, host_name
from ingest.schema import UserError

ENTER, LEAVE = "/demo/enter", "/demo/leave"
ANSWERED_S = 0.5
ELSEWHERE = (
    "The demo is served to the machine that the dashboard runs on alone: open the dashboard "
    "there, or type `slopewatch demo`."
)


class Entered(TypedDict):
    """How far the demo is: its address once it is served, and what it said last.

    The demo's process prints one a line, as JSON.
    """

    address: str | None
    said: str


class Demo:
    """The demo's dashboard, begun when it is asked for; it ends when it is left, or with this."""

    def __init__(self, store: Path) -> None:
        """store: the team's, which the demo's lies beside."""
        self.store = store.with_suffix(".demo.duckdb")
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._told: Entered = {"address": None, "said": "beginning"}

    def install(self, server: Flask) -> None:
        """Add the address that begins the demo and says where it is."""
        server.add_url_rule(ENTER, "demo_enter", self.answer, methods=["POST"])

    def answer(self) -> Response | Entered:
        """Answer a press of the button: where the demo is, or how far."""
        if host_name(request.host) not in LOOPBACK_NAMES:
            return Response(ELSEWHERE, status=409, mimetype="text/plain")
        return self.enter(request.host_url)

    def enter(self, back: str) -> Entered:
        """Begin the demo unless it is there, and return how far it is.

        back: the address that leaving it leads to. UserError, once, where it ended by a failure.
        """
        with self._lock:
            ended = self._process.poll() if self._process else None
            if ended:
                self._process = None
                self._listener.join(1.0)  # for the last line that it said
                raise UserError(f"the demo could not be served: {self._told['said']}")
            if self._process is None or ended == 0:
                self._begin(back)
            return self._told

    def _begin(self, back: str) -> None:
        self._told = {"address": None, "said": "beginning"}
        self._process = subprocess.Popen(
            _command(self.store, back),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self._listener = threading.Thread(target=self._listen, args=(self._process,), daemon=True)
        self._listener.start()

    def _listen(self, process: "subprocess.Popen[str]") -> None:
        """Keep what the demo's process told last."""
        with process:  # which closes what was opened to talk to it
            for line in process.stdout or ():
                self._told = json.loads(line)


def _command(store: Path, back: str) -> list[str]:
    return [sys.executable, "-u", "-m", "dashboard.web.demo_process", str(store), back]


@dataclass(frozen=True)
class WayBack:
    """Out of the demo.

    address: the team's own dashboard; left: set once somebody leaves
    served: called with the demo's address once it is served, with None once it is left
    """

    address: str
    served: Callable[[str | None], None] = lambda _: None
    left: threading.Event = field(default_factory=threading.Event)

    def install(self, server: Flask) -> None:
        """Add the address that ends the demo."""
        server.add_url_rule(LEAVE, "demo_leave", self.answer, methods=["POST"])

    def answer(self) -> str:
        """End the demo, once this is answered."""
        self.served(None)  # whoever enters again before this has ended is to wait for the next
        threading.Timer(ANSWERED_S, self.left.set).start()
        return "left"

    def strip(self) -> html.Div:
        """Return the line over every page of the demo that says where one is."""
        said = " A made-up team in a store of its own: nothing here gets into yours."
        button = html.Button(
            "Leave the demo",
            id="demo-leave",
            className="quiet",
            n_clicks=0,
            **components.facts_of(back=self.address),
        )
        return html.Div(
            [html.Span([html.B("The demo."), said]), button],
            className="in-demo",
            role="region",
            **components.aria(label="The demo"),
        )
