"""Commands for who runs the server: a certificate, and what the server is made of."""

import json
import re
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

from dashboard.cli import main
from dashboard.cli.safety import plain

ROOT = Path(__file__).parents[3]


def test_the_bill_of_materials_names_every_library(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["materials", "--format", "json"]) == 0
    found = {row["name"]: row for row in json.loads(capsys.readouterr().out)}
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["dependencies"]
    direct = {plain(re.split(r"[\[>=]", line)[0]) for line in asked}
    assert direct <= set(found)
    assert all("slopewatch" in found[name]["needed_by"] for name in direct)
    assert {"flask", "brotli", "cffi"} <= set(found)  # of others, and of an extra
    assert "pytest" not in found
    assert found["polars"]["version"] == version("polars")
    assert found["polars"]["purl"] == f"pkg:pypi/polars@{version('polars')}"
    assert [name for name, row in found.items() if row["licence"] in ("", "not told")] == []


def test_a_certificate_is_made_and_the_next_step_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["certificate", "team.local", "--out", str(tmp_path / "made")]) == 0
    said = capsys.readouterr()
    assert [Path(line).name for line in said.out.splitlines()] == [
        "team-root.crt",
        "server.pem",
        "server.key",
        "tablets.txt",
    ]
    assert "--tls-cert" in said.err
    assert main(["certificate", "other.local", "--out", str(tmp_path / "made")]) == 2
