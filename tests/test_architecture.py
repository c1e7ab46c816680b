"""The rules of DEVELOPERS.md, read off the source; each breach is named with file and line."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = ("ingest", "models", "dashboard")
UPSTREAM = {"ingest": (), "models": ("ingest",), "dashboard": ("ingest", "models")}
ONLY_IN = {
    "duckdb": ("ingest/store.py", "ingest/instances.py"),
    "dash": "dashboard/",
    "dash_ag_grid": "dashboard/",
    "plotly": "dashboard/",
    "flask": "dashboard/",
    "scipy": "models/",
    "statsmodels": "models/",
}
OPEN_TO_ALL = ("ingest.schema", "ingest.columns")
HEAVY = ("statsmodels", "scipy.stats", "dash", "plotly")
FILE_METHODS = {"read_text", "read_bytes", "write_text", "write_bytes"}
FRAME_FILES = {
    *("read_csv", "read_parquet", "read_excel", "read_json", "read_ndjson", "read_database"),
    *("scan_csv", "scan_parquet", "write_parquet", "write_excel", "write_ndjson", "write_database"),
}
CLOCKS = {"now", "today", "utcnow", "time", "monotonic", "perf_counter"}
CLOCK_OWNERS = {"datetime", "date", "time"}


@cache
def sources(folder: str) -> list[tuple[str, ast.Module]]:
    """Every module of a folder: its path from the root, and its syntax tree."""
    return [
        (file.relative_to(ROOT).as_posix(), ast.parse(file.read_text("utf-8")))
        for file in sorted((ROOT / folder).rglob("*.py"))
    ]


def every_source() -> Iterator[tuple[str, ast.Module]]:
    for folder in FOLDERS:
        yield from sources(folder)


def imported(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """(line, dotted module) of every import, wherever it stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: a relative import hides where it points"
            module = node.module or ""
            yield from ((node.lineno, f"{module}.{alias.name}") for alias in node.names)


def within(module: str, package: str) -> bool:
    return module == package or module.startswith(f"{package}.")


def calls(tree: ast.AST) -> Iterator[tuple[int, str, str]]:
    """(line, what it is called on, name) of every call."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name):
                yield node.lineno, "", node.func.id
            elif isinstance(node.func, ast.Attribute):
                yield node.lineno, ast.unparse(node.func.value), node.func.attr


def none(breaches: list[str]) -> None:
    assert not breaches, "\n" + "\n".join(breaches)


def test_there_is_something_to_read() -> None:
    assert {folder: len(sources(folder)) > 5 for folder in FOLDERS} == dict.fromkeys(FOLDERS, True)


@pytest.mark.parametrize("folder", FOLDERS)
def test_imports_point_upstream(folder: str) -> None:
    downstream = [f for f in FOLDERS if f != folder and f not in UPSTREAM[folder]]
    none(
        [
            f"{path}:{line}: {folder} must not import {module}"
            for path, tree in sources(folder)
            for line, module in imported(tree)
            if any(within(module, other) for other in [*downstream, "tests"])
        ]
    )


def test_libraries_stay_in_their_place() -> None:
    none(
        [
            f"{path}:{line}: {module} belongs into {place} only"
            for path, tree in every_source()
            for line, module in imported(tree)
            for library, place in ONLY_IN.items()
            if within(module, library) and not path.startswith(place)
        ]
    )


def runs(path: str) -> bool:
    """The modules of the models that load, compute and save."""
    return path.startswith("models/run") and path != "models/run_length.py"


def test_one_door_to_the_store() -> None:
    """In models only run*.py, in dashboard only data*.py; the schema is open to all."""
    breaches = []
    for path, tree in every_source():
        for line, module in imported(tree):
            past = within(module, "ingest") and not any(within(module, o) for o in OPEN_TO_ALL)
            if path.startswith("models/") and not runs(path) and past:
                breaches.append(f"{path}:{line}: only models/run*.py may import {module}")
            inward = past or within(module, "models")
            if path.startswith("dashboard/") and not path.startswith("dashboard/data") and inward:
                breaches.append(f"{path}:{line}: only dashboard/data*.py may import {module}")
    none(breaches)


@pytest.mark.parametrize("folder", ["models", "dashboard"])
def test_only_ingest_opens_files(folder: str) -> None:
    none(
        [
            f"{path}:{line}: {owner + '.' if owner else ''}{name}() is for ingest/ to call"
            for path, tree in sources(folder)
            for line, owner, name in calls(tree)
            if (name == "open" and not owner) or name in FILE_METHODS | FRAME_FILES
        ]
    )


def test_statistics_have_no_clock_and_no_dice_of_their_own() -> None:
    breaches = []
    for path, tree in sources("models"):
        if runs(path):
            continue
        for line, module in imported(tree):
            if within(module, "random"):
                breaches.append(f"{path}:{line}: pass rng as an argument, not {module}")
        for line, owner, name in calls(tree):
            last = owner.rsplit(".", 1)[-1]
            if last in CLOCK_OWNERS and name in CLOCKS:
                breaches.append(f"{path}:{line}: pass today as an argument, not {owner}.{name}()")
            if owner in ("np.random", "numpy.random") and name != "default_rng":
                breaches.append(f"{path}:{line}: pass rng as an argument, not {owner}.{name}()")
    none(breaches)


def test_dice_are_seeded() -> None:
    """Where a generator is made in models/, it is made from a seed."""
    none(
        [
            f"{path}:{node.lineno}: default_rng() without a seed differs from run to run"
            for path, tree in sources("models")
            for node in ast.walk(tree)
            if isinstance(node, ast.Call)
            and ast.unparse(node.func).endswith("default_rng")
            and not (node.args or node.keywords)
        ]
    )


def test_every_module_says_what_it_is_for() -> None:
    none(
        [
            f"{path}:1: no docstring"
            for path, tree in every_source()
            if tree.body and not ast.get_docstring(tree)
        ]
    )


def test_no_module_is_a_drawer_for_everything() -> None:
    none(
        [
            f"{path}:1: name the question it answers"
            for path, _ in every_source()
            if Path(path).stem in ("utils", "util", "helpers", "misc", "common")
        ]
    )


def test_imports_bring_what_they_name() -> None:
    none(
        [
            f"{path}:{line}: name what {module.removesuffix('.*')} is imported for"
            for path, tree in every_source()
            for line, module in imported(tree)
            if module.endswith(".*")
        ]
    )


@pytest.mark.parametrize(
    "module", ["dashboard.cli", "dashboard.data", "ingest.load", "ingest.tables"]
)
def test_heavy_libraries_wait_until_they_are_needed(module: str) -> None:
    """A command that needs none of them does not pay for their import."""
    if not (ROOT / (module.replace(".", "/") + ".py")).exists():
        pytest.skip(f"there is no {module} yet")
    code = f"import sys, {module}\nprint([name for name in {HEAVY!r} if name in sys.modules])"
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.strip() == "[]", f"importing {module} imports {run.stdout.strip()}"
