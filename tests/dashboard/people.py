"""A small team with accounts, and a program that talks to its dashboard as a browser would."""

from __future__ import annotations

import http.client
import json
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

from ingest.load import load_paths
from ingest.store import Store
from models import run

WORDS = "correct horse battery staple"
ROLES = ("mechanic", "coach", "manager", "owner")
TABLES = {
    "meters": "meter_id,kind,in_service_date,slope_convention,factory_slope\n"
    "K1,crank_spider,2025-01-10,multiplier,5.69\nK2,crank_spider,2025-01-10,multiplier,5.70\n",
    "riders": "rider_id,coach,from_date\nR1,Cleo,2025-01-01\nR2,Dan,2025-01-01\n",
    "assignments": "meter_id,from_date,rider_id,role\nK1,2025-02-01,R1,race\n"
    "K2,2025-02-01,R2,race\n",
    "bench": "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm,slope_before\n"
    + "".join(
        f"{session},{meter},2026-03-02T09:00:00Z,20,170,{load},{torque},5.69\n"
        for session, meter in (("S1", "K1"), ("S2", "K2"))
        for load, torque in (("zero", 0.1), ("mass", 33.75), ("mass", 33.80))
    ),
    "events": "meter_id,date,event,note,state\nK1,2026-02-01,battery_swap,voltage rose,proposed\n"
    "K2,2026-02-02,firmware_update,,proposed\n",
    "efforts": "rider_id,date,watts,duration_s,meter_id\nR1,2026-03-01,312,1200,K1\n",
}


def make_store(folder: Path, *, fit: bool = True) -> Path:
    """A store of the team above."""
    for name, text in TABLES.items():
        (folder / f"{name}.csv").write_text(text, "utf-8")
    store = Store(folder / "team.duckdb")
    load_paths(store, [folder])
    if fit:
        run.refit(run.Fleet(store))
    return store.path


def add_accounts(store: Path) -> None:
    """One account a role: Mo, Cleo (coach of R1), Max and Ada."""
    for name, role in zip(("Mo", "Cleo", "Max", "Ada"), ROLES, strict=True):
        run.add_account(run.Fleet.at(store), name, f"{WORDS} {role}", role=role)


NAMES = dict(zip(ROLES, ("Mo", "Cleo", "Max", "Ada"), strict=True))


class Caller:
    """Talks to a served dashboard over HTTP and keeps its cookie."""

    def __init__(self, address: str) -> None:
        self.address = urlsplit(address)
        self.cookie: str | None = None

    def ask(
        self,
        path: str,
        body: bytes | None = None,
        *,
        kind: str = "application/json",
        **headers: str,
    ) -> tuple[int, str, http.client.HTTPMessage]:
        """Status, text and headers of one request; a body makes it a POST."""
        line = http.client.HTTPConnection(str(self.address.hostname), self.address.port, timeout=60)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookie:
            sent["Cookie"] = self.cookie
        if body is not None:
            sent["Content-Type"] = kind
        try:
            line.request("GET" if body is None else "POST", path, body, sent)
            answer = line.getresponse()
            text = answer.read().decode("utf-8", "replace")
            said = answer.headers.get("Set-Cookie")
            if said:
                self.cookie = said.split(";")[0]
            return answer.status, text, answer.headers
        finally:
            line.close()

    def sign_in(
        self, name: str, password: str, onward: str = "/"
    ) -> tuple[int, str, http.client.HTTPMessage]:
        """Fill in the sign-in page."""
        form = urlencode({"name": name, "password": password, "next": onward}).encode()
        return self.ask("/sign-in", form, kind="application/x-www-form-urlencoded")

    def as_role(self, role: str) -> Caller:
        """Sign in with the account of a role."""
        status, text, _ = self.sign_in(NAMES[role], f"{WORDS} {role}")
        assert status == 303, text
        return self

    def page(self, path: str) -> tuple[int, str]:
        """What the callback that draws a page answers."""
        return self.call(
            ["page.children", "page-title.data", "shell-nav.children", "shell-notice.children"],
            {"place.pathname": path, "place.search": ""},
            changed="place.pathname",
        )

    def confirmation(self, event: int) -> tuple[str, bytes]:
        """Where and what to send to confirm a proposed event on the intake page."""
        known = json.loads(self.ask("/_dash-dependencies")[1])
        output = next(c["output"] for c in known if '"intake-wrong"' in c["output"])
        button = {"type": "intake-decide", "event": event, "as": "confirmed"}
        changed = json.dumps(button, sort_keys=True, separators=(",", ":")) + ".n_clicks"
        request = {
            "output": output,
            "outputs": [*map(_named, output.strip(".").split("...")[:5]), []],
            "inputs": [[], [], [], [], [{"id": button, "property": "n_clicks", "value": 1}]],
            "state": [[], []],
            "changedPropIds": [changed],
        }
        return "/_dash-update-component", json.dumps(request).encode()

    def call(
        self,
        outputs: list[str],
        inputs: dict[str, Any],
        *,
        changed: str,
        state: dict[str, Any] | None = None,
    ) -> tuple[int, str]:
        """One callback of the dashboard, sent as its page would send it."""
        named = [_named(output) for output in outputs]
        many = len(outputs) > 1
        request = {
            "output": f"..{'...'.join(outputs)}.." if many else outputs[0],
            "outputs": named if many else named[0],
            "inputs": [_prop(name, value) for name, value in inputs.items()],
            "state": [_prop(name, value) for name, value in (state or {}).items()],
            "changedPropIds": [changed],
        }
        status, text, _ = self.ask("/_dash-update-component", json.dumps(request).encode())
        return status, text


def _named(output: str) -> dict[str, str]:
    return dict(zip(("id", "property"), output.rsplit(".", 1), strict=True))


def _prop(name: str, value: object) -> dict[str, object]:
    component, prop = name.rsplit(".", 1)
    return {"id": component, "property": prop, "value": value}
