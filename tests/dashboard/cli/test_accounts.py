"""`slopewatch account` and `slopewatch report changes`, as typed."""

import io
import json

import pytest

from dashboard.cli.command_line import main
from ingest.admin import passwords


@pytest.fixture(autouse=True)
def cheap_hashes(monkeypatch):
    monkeypatch.setattr(passwords, "METHOD", (64, 1))


@pytest.fixture
def slopewatch(tmp_path, capsys, monkeypatch):
    """Runs a command with some text on standard input: exit code, document, what was said."""

    def run(*words, typed=""):
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        code = main([*words, "--store", str(tmp_path / "s.duckdb"), "--format", "json"])
        said = capsys.readouterr()
        return code, json.loads(said.out) if said.out else None, said.err

    return run


def test_account_is_added_changed_and_disabled(slopewatch):
    code, rows, said = slopewatch(
        "account", "add", "Cleo", "--role", "coach", typed="four unrelated words\n"
    )
    assert (code, rows) == (
        0,
        [{"name": "Cleo", "role": "coach", "state": "active", "coach": None}],
    )
    assert "nobody is an owner yet" in said
    code, rows, _ = slopewatch("account", "role", "Cleo", "owner")
    assert (code, rows[0]["role"]) == (0, "owner")
    code, rows, _ = slopewatch("account", "disable", "Cleo")
    assert (code, rows[0]["state"]) == (0, "disabled")
    code, rows, _ = slopewatch("account", "enable", "Cleo")
    assert (code, rows[0]["state"]) == (0, "active")
    code, rows, _ = slopewatch("account", "password", "Cleo", typed="five other unrelated words\n")
    assert code == 0
    code, rows, _ = slopewatch("report", "changes")
    assert code == 0
    assert [row["what"] for row in rows] == [
        *("account password", "account enabled", "account disabled", "account role"),
        "account added",
    ]


@pytest.mark.parametrize(
    ("words", "typed", "said"),
    [
        (("add", "A", "--role", "owner"), "short\n", "expected 12 to 256"),
        (("add", "A", "--role", "owner"), "", "expected 12 to 256"),
        (("add", "A", "--role", "boss"), "x", "invalid choice: 'boss'"),
        (("disable", "A"), "", 'no account "A"'),
        (("list",), "", None),
    ],
)
def test_what_cannot_be_done_is_one_line(slopewatch, words, typed, said):
    code, rows, error = slopewatch("account", *words, typed=typed)
    if said is None:
        assert (code, rows) == (0, [])
    else:
        assert code == 2
        assert said in error
        assert error.count("\n") == 1


def test_changes_of_some_days(slopewatch):
    slopewatch("account", "add", "Ada", "--role", "owner", typed="four unrelated words\n")
    assert len(slopewatch("report", "changes", "--from", "2000-01-01")[1]) == 1
    assert slopewatch("report", "changes", "--to", "2000-01-01")[1] == []
    assert slopewatch("report", "changes", "--to", "soon")[0] == 2
