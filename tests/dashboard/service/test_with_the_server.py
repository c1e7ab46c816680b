"""Whatever works beside the pages ends with the server, also where that is killed."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.dashboard.people import Caller

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/stat").exists(), reason="the processes are found as Linux lists them"
)


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


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_no_process_is_left_of_a_server_that_ends(team_store, tmp_path, how):
    own = shutil.copy(team_store, tmp_path / "own.duckdb")
    command = [sys.executable, "-m", "dashboard.cli", "serve", "--store", str(own), "--port", "0"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as server:
        try:
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
        finally:
            server.kill()
