"""What pages ask for when they are opened is made ahead of it, by whatever serves a store."""

from __future__ import annotations

import json

import pytest

from dashboard.service import Service
from dashboard.service.jobs import LANES
from tests.dashboard.browsing import serving
from tests.dashboard.people import Caller, make_store
from tests.dashboard.service.lanes import PREPARE, all_jobs, own_lanes, until

WAIT_S = 200.0


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    """A store's service that has made ahead whatever it makes, and the address it serves."""
    service = Service(make_store(tmp_path_factory.mktemp("team")))
    with own_lanes():
        PREPARE(service)
        until(lambda: not any(map(all_jobs, LANES.values())), WAIT_S)
        with serving(service) as address:
            yield address


def parts_to_come(tree):
    """The name and question of each part that arrives after its page."""
    if isinstance(tree, list):
        for part in tree:
            yield from parts_to_come(part)
    elif isinstance(tree, dict):
        props = tree.get("props", {})
        if str(props.get("id")).endswith("-asked") and "data" in props:
            yield props["id"].removesuffix("-asked"), props["data"]
        for part in tree.values():
            yield from parts_to_come(part)


def ask_for(caller, name, asked):
    """What a page asks for a part of its own, as it does when it is opened."""
    listed = json.loads(caller.ask("/_dash-dependencies")[1])
    callback = next(
        one
        for one in listed
        if {"id": f"{name}-asked", "property": "data"} in one["inputs"]
        and f"{name}-body.children" in one["output"]
    )
    given = {f"{name}-asked.data": asked, f"{name}-tick.n_intervals": 0}
    inputs = {
        (key := f"{one['id']}.{one['property']}"): given.get(key) for one in callback["inputs"]
    }
    state = {f"{one['id']}.{one['property']}": None for one in callback["state"]}
    outputs = callback["output"].strip(".").split("...")
    return caller.call(outputs, inputs, changed=f"{name}-asked.data", state=state)


@pytest.mark.parametrize(
    ("path", "parts"),
    [
        ("/", ["fleet-planned"]),
        ("/season", ["season"]),
        ("/budget", ["budget", "policies"]),
        ("/riders/R1", ["rider"]),
        ("/method", ["method"]),
    ],
)
def test_page_opens_with_its_answer(prepared, monkeypatch, path, parts):
    begun = []
    for lane in LANES.values():
        put = lane.put
        monkeypatch.setattr(lane, "put", lambda job, put=put: begun.append(job) or put(job))
    caller = Caller(prepared)
    status, text = caller.page(path)
    assert status == 200
    found = dict(parts_to_come(json.loads(text)))
    assert sorted(found) == parts
    for name, asked in found.items():
        status, text = ask_for(caller, name, asked)
        assert status == 200
        answer = json.loads(text)["response"]
        assert answer[f"{name}-tick"] == {"disabled": True}, "it is still being worked out"
    assert {job.call.question for job in begun} <= {"riders"}  # at once, from the fleet's model
