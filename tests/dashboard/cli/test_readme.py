"""What README says of the command line and what `--help` says are the same."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.cli.command_line import main

README = Path(__file__).parents[3] / "README.md"
SHARED = {"--store", "--format", "--as-of"}
"""Said once below the table, not in the row of every command that takes them."""


@pytest.fixture(scope="module")
def table() -> list[tuple[str, str]]:
    """The rows of README's table of commands: its two cells."""
    text = README.read_text("utf-8").split("| command | does |\n")[1].split("\n\n")[0]
    rows = [line.strip("| ").split(" | ", 1) for line in text.splitlines()[1:]]
    return [(commands, does) for commands, does in rows]


@pytest.fixture
def options(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> dict[str, set[str]]:
    """The options of every command, as its `--help` lists them: {"report record": {"--out"}}."""
    monkeypatch.setenv("COLUMNS", "1000")  # a line each

    def explore(*words: str) -> Iterator[tuple[str, set[str]]]:
        with pytest.raises(SystemExit):
            main([*words, "--help"])
        text = capsys.readouterr().out
        below = re.findall(r"^    ([a-z][a-z-]*)(?=\s)", text, re.MULTILINE)
        for name in below:
            yield from explore(*words, name)
        if not below:
            found = re.findall(r"^  (?:-\w, )?(--[a-z-]+)", text, re.MULTILINE)
            yield " ".join(words), set(found) - {"--help"}

    return dict(explore())


def commands_in(cell: str) -> list[str]:
    """The commands that a cell names, without what they are given: ["report record"]."""
    spans = re.findall(r"`([^`]+)`", cell)
    named = (re.match(r"[a-z][a-z-]*(?: [a-z][a-z-]*)*", span) for span in spans)
    return [found.group() for found in named if found]


def options_in(text: str) -> set[str]:
    """The options that a text names as code."""
    return set(re.findall(r"--[a-z-]+", " ".join(re.findall(r"`([^`]+)`", text))))


def test_readme_lists_every_command_once_and_no_other(table, options):
    listed = [name for commands, _ in table for name in commands_in(commands)]
    assert sorted(listed) == sorted(options)


def test_readme_names_every_option_of_a_command_and_no_other(table, options):
    for commands, does in table:
        taken = set().union(*(options[name] for name in commands_in(commands)))
        assert options_in(commands + does) - SHARED == taken - SHARED, commands


def test_options_of_many_commands_are_said_below_the_table(options):
    below = README.read_text("utf-8").split("| command | does |\n")[1].split("\n\n")[1]
    assert options_in(below) == SHARED | {"--help"}
    for name in SHARED:
        assert sum(name in taken for taken in options.values()) > 5


HEAVY = ("polars", "numpy", "duckdb", "dash")
HELP = f"""
import atexit, sys
from dashboard.cli import main
atexit.register(lambda: print([name for name in {HEAVY} if name in sys.modules], file=sys.stderr))
main(["--help"])
"""


def test_help_waits_for_no_library_that_only_an_answer_needs():
    asked = [sys.executable, "-c", HELP]
    done = subprocess.run(asked, capture_output=True, text=True, timeout=60)
    assert done.stderr.strip() == "[]"
    assert "usage: slopewatch" in done.stdout
