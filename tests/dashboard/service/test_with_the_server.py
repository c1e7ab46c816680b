"""Whatever works beside the pages ends with the server, also where that is killed."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from tests.dashboard.people import Caller

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/stat").exists(), reason="the processes are found as Linux lists them"
)

ENDS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)


def below(process):
    """The living processes that a process has started, and those that they have."""
    parents = {}
    for file in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, parent = file.read_text().rpartition(")")[2].split()[:2]
        except OSError:  # it has just ended
            continue
        if state != "Z":
            parents[int(file.parent.name)] = int(parent)
    found = {process}
    while more := {child for child, parent in parents.items() if parent in found} - found:
        found |= more
    return found - {process}


def alive(process):
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@contextmanager
def serving(store):
    """A server of a store, begun in a process of its own; it is not waited for."""
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--store", str(store), "--port", "0"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as server:
        try:
            yield server
        finally:
            server.kill()


@pytest.fixture(scope="module")
def servers(team_store, tmp_path_factory):
    """A server for each of the ways to end one: they start together."""
    with ExitStack() as stack:
        yield {
            how: stack.enter_context(
                serving(shutil.copy(team_store, tmp_path_factory.mktemp("own") / "own.duckdb"))
            )
            for how in ENDS
        }


@pytest.mark.parametrize("how", ENDS)
def test_no_process_is_left_of_a_server_that_ends(servers, how):
    server = servers[how]
    lines = iter(server.stdout)
    address = next(found for line in lines if (found := re.search(r"http://\S+", line)))
    status, text = Caller(address.group()).page("/")  # answered by one of them
    assert (status, "SP-1" in text) == (200, True)
    children = below(server.pid)
    assert children
    nice = {os.getpriority(os.PRIO_PROCESS, child) for child in children}
    assert max(nice) > os.getpriority(os.PRIO_PROCESS, server.pid)  # the pages go first
    server.send_signal(how)
    server.wait(30)
    latest = time.monotonic() + 30
    while left := [child for child in children if alive(child)]:
        assert time.monotonic() < latest, f"{left} were left"
        time.sleep(0.05)
