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
ROOMS = (
    *("ingest.schema", "ingest.readers.tables", "ingest.readers.recordings", "ingest.readers"),
    *("ingest.validate", "ingest.store", "ingest.load", "ingest.matching.words"),
    *("ingest.matching.sheets", "ingest.matching.meaning", "ingest.matching.bench"),
    *("ingest.matching.records",),
    *("ingest.matching", "ingest.recordings", "ingest.admin"),
    *("models.wording", "models.metrology", "models.bench.measurement", "models.bench.causes"),
    "models.bench",
    *("models.rides.alignment", "models.rides", "models.fleet.design", "models.fleet.inference"),
    *("models.fleet.alarms", "models.fleet", "models.records", "models.ageing", "models.status"),
    *("models.season", "models.policies", "models.budget", "models.coaching", "models.honesty"),
    "models.doubts",
    "models.digest",
    *(
        "models.run.known",
        "models.run",
        "dashboard.navigation",
        "dashboard.service",
        "dashboard.theme",
    ),
    *("dashboard.security", "dashboard.figures", "dashboard.pdf", "dashboard.components"),
    "dashboard.letter",
    *("dashboard.assets", "dashboard.pages", "dashboard.web", "dashboard.cli"),
)
"""Rooms in the order of the data: each imports only from rooms before it.

A room within another (`models.bench.measurement`) is that one's own; pages do not know each other.
"""
FEWEST, MOST = 4, 15  # files in a folder
OTHER_SIZES = {
    "ingest/readers": "two rooms, their face, and the processes they read in",
    "dashboard/pages": "a room a page",
    "dashboard/pages/help": "a list of what the other pages say of themselves",
    "dashboard/pdf/fonts": "one typeface with its licence",
    "dashboard/assets": "folders of styles, scripts and drawings",
    "dashboard/navigation": "addresses alone; every other room of the screens needs them",
}
ONLY_IN = {
    "duckdb": "ingest/store/",
    "distributed": "ingest/readers/workers.py",
    "dash": "dashboard/",
    "dash_ag_grid": "dashboard/",
    "plotly": "dashboard/",
    "flask": "dashboard/",
    "scipy": "models/",
    "statsmodels": "models/",
}
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


@cache
def packages() -> frozenset[str]:
    """Every folder with a face, dotted."""
    return frozenset(
        Path(path).parent.as_posix().replace("/", ".")
        for path, _ in every_source()
        if path.endswith("/__init__.py")
    )


def home(path: str) -> str:
    """The folder of a file, dotted."""
    return Path(path).parent.as_posix().replace("/", ".")


def room(package: str) -> str:
    """The entry of ROOMS that a folder belongs to; a page's folder belongs to `dashboard.pages`."""
    fitting = [name for name in ROOMS if within(package, name)]
    return max(fitting, key=len, default=package)


@cache
def own_imports() -> tuple[tuple[str, int, str], ...]:
    """(path, line, what is imported from: a folder or a file, dotted) within the project."""
    found = []
    for path, tree in every_source():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module:
                for alias in node.names:
                    whole = f"{node.module}.{alias.name}"
                    is_file = (ROOT / (whole.replace(".", "/") + ".py")).exists()
                    source = whole if whole in packages() or is_file else node.module
                    if source.split(".")[0] in FOLDERS:
                        found.append((path, node.lineno, source))
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
                found += [(path, node.lineno, n) for n in names if n.split(".")[0] in FOLDERS]
    return tuple(found)


def face(source: str, importer: str) -> str:
    """The folder whose face an importer in another folder has to use.

    That of the outermost room around the source that is not around the importer as well.
    """
    parts = source.split(".")
    for depth in range(2, len(parts) + 1):
        around = ".".join(parts[:depth])
        if around != "dashboard.pages" and not within(importer, around):
            return around
    return source


def page_of(source: str) -> str:
    """`dashboard.pages.fleet` of whatever lies in it."""
    return ".".join(source.split(".")[:3])


def test_every_folder_is_a_room_that_has_its_place() -> None:
    known = {*ROOMS, *FOLDERS}
    none(
        [
            f"{package.replace('.', '/')}/__init__.py:1: say in ROOMS where {package} stands"
            for package in sorted(packages())
            if package not in known and not within(package, "dashboard.pages")
            if (ROOT / package.replace(".", "/")).glob("*.py") and room(package) == package
        ]
    )


def test_imports_from_another_folder_use_its_face() -> None:
    none(
        [
            f"{path}:{line}: import from {face(source, home(path))}, not from {source}"
            for path, line, source in own_imports()
            if (source if source in packages() else source.rpartition(".")[0]) != home(path)
            and face(source, home(path)) != source
        ]
    )


def test_imports_point_to_where_the_data_come_from() -> None:
    """A room imports from itself and from rooms that stand before it in ROOMS."""
    breaches = []
    for path, line, source in own_imports():
        here, there = room(home(path)), room(source)
        if here in ROOMS and there in ROOMS and ROOMS.index(there) > ROOMS.index(here):
            breaches.append(f"{path}:{line}: {here} stands before {there} and must not import it")
        if here == there == "dashboard.pages" and page_of(source) != page_of(home(path)):
            breaches.append(f"{path}:{line}: a page imports another page, {source}")
    none(breaches)


def test_tests_are_imported_by_nobody() -> None:
    none(
        [
            f"{path}:{line}: {module} is for tests"
            for path, tree in every_source()
            for line, module in imported(tree)
            if within(module, "tests")
        ]
    )


def test_files_of_a_folder_import_each_other_in_one_direction() -> None:
    graph: dict[str, dict[str, int]] = {}
    for path, line, source in own_imports():
        if source.rpartition(".")[0] == home(path) and source not in packages():
            graph.setdefault(path, {}).setdefault(source.replace(".", "/") + ".py", line)
    none([f"{a}:{graph[a][b]}: a circle back to it through {b}" for a, b in circles(graph)])


def circles(graph: dict[str, dict[str, int]]) -> list[tuple[str, str]]:
    """The imports (from, to) that lie on a circle."""

    def reached(start: str) -> set[str]:
        seen: set[str] = set()
        ahead = list(graph.get(start, {}))
        while ahead:
            name = ahead.pop()
            if name not in seen:
                seen.add(name)
                ahead += graph.get(name, {})
        return seen

    return [(a, b) for a, others in graph.items() for b in others if a in reached(b)]


def test_circles_are_found() -> None:
    assert circles({"a": {"b": 1}, "b": {"c": 2}, "c": {}}) == []
    assert circles({"a": {"b": 1}, "b": {"a": 2}, "c": {"a": 3}}) == [("a", "b"), ("b", "a")]


def test_folders_can_be_taken_in_at_a_glance() -> None:
    """4 to 15 files, subfolders aside; OTHER_SIZES names the exceptions and why."""
    breaches = []
    for package in sorted(packages() - set(FOLDERS)):
        folder = package.replace(".", "/")
        files = [f for f in (ROOT / folder).iterdir() if f.is_file() and f.suffix != ".pyi"]
        if not FEWEST <= len(files) <= MOST and folder not in OTHER_SIZES:
            breaches.append(f"{folder}/__init__.py:1: {len(files)} files, not {FEWEST} to {MOST}")
    none(breaches)


def test_every_room_asks_its_question() -> None:
    none(
        [
            f"{path}:1: say which question this folder answers"
            for path, tree in every_source()
            if path.endswith("__init__.py") and home(path) in ROOMS
            if "?" not in (ast.get_docstring(tree) or "").split("\n")[0]
        ]
    )


def stubs() -> Iterator[tuple[str, str, int, str]]:
    """(folder, name, line, file or subfolder) of all that faces export."""
    for package in sorted(packages()):
        stub = ROOT / package.replace(".", "/") / "__init__.pyi"
        if stub.exists():
            for node in ast.parse(stub.read_text("utf-8")).body:
                assert isinstance(node, ast.ImportFrom), f"{stub}:{node.lineno}: only exports"
                assert node.level == 1, f"{stub}:{node.lineno}: only the folder's own files"
                for alias in node.names:
                    yield package, alias.name, node.lineno, node.module or ""


def test_no_face_exports_a_name_that_is_also_a_file() -> None:
    """It would be the file for whoever imports it after the file was imported."""
    none(
        [
            f"{folder}/__init__.pyi:{line}: {name} is also a file or folder in it"
            for package, name, line, _ in stubs()
            for folder in [package.replace(".", "/")]
            if (ROOT / folder / f"{name}.py").exists() or (ROOT / folder / name).is_dir()
        ]
    )


def test_faces_export_only_what_somebody_uses() -> None:
    used: dict[str, set[str]] = {}
    for file in (f for top in (*FOLDERS, "seeds", "tests") for f in (ROOT / top).rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom):
                used.setdefault(node.module or "", set()).update(a.name for a in node.names)
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                used.setdefault("", set()).add(node.attr)
    for package, name, _, source in stubs():  # handed on by the room around it
        if source and f"{package}.{source}" in packages():
            used.setdefault(f"{package}.{source}", set()).add(name)
    none(
        [
            f"{package.replace('.', '/')}/__init__.pyi:{line}: nobody outside uses {name}"
            for package, name, line, _ in stubs()
            if name not in used.get(package, set()) | used[""]
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
    return path.startswith("models/run/")


def test_one_way_to_the_store() -> None:
    """In models only `run` knows the store; in the dashboard only `service` knows both.

    The schema is open to all, and pages name what they ask by the functions of `models.run`.
    """
    breaches = []
    for path, line, source in own_imports():
        past = within(source, "ingest") and not within(source, "ingest.schema")
        if path.startswith("models/") and not runs(path) and past:
            breaches.append(f"{path}:{line}: only models/run/ may import {source}")
        inward = past or (within(source, "models") and source != "models.run")
        knows = path.startswith(("dashboard/service/", "dashboard/security/"))
        if path.startswith("dashboard/") and not knows and inward:
            breaches.append(f"{path}:{line}: only dashboard/service/ may import {source}")
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


MIXES = (ast.Add, ast.Sub)
MEET = ("maximum", "minimum", "max", "min", "hypot", "is_between", "p_within")


def unit_of(name: str) -> str:
    return next((unit for unit in ("pct", "ln") if name.lower().endswith(f"_{unit}")), "")


def units_in(node: ast.AST) -> set[str]:
    """Units that the names in an expression end in; a conversion has that of its name."""
    if isinstance(node, ast.Call):
        called = ast.unparse(node.func).rpartition(".")[2]
        if "_from_" in called:
            return {"ln" if called.startswith("ln") else "pct"}
        if unit := unit_of(f"_{called.removesuffix('_sd').replace('percent', 'pct')}"):
            return {unit}
    name = getattr(node, "id", getattr(node, "attr", getattr(node, "value", "")))
    own = {unit_of(name)} if isinstance(name, str) else set()
    return own.union(*map(units_in, ast.iter_child_nodes(node))) - {""}


def meeting(node: ast.AST) -> list[ast.expr]:
    """The sides of a comparison, a sum or a difference."""
    if isinstance(node, ast.Compare):
        return [node.left, *node.comparators]
    if isinstance(node, ast.BinOp) and isinstance(node.op, MIXES):
        return [node.left, node.right]
    if isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] in MEET:
        return list(node.args)
    return []


def mixed_units(tree: ast.AST) -> list[int]:
    """Lines on which percent meets 100·ln; 3 % apart they differ by 0.05 %."""
    lines = []
    for node in ast.walk(tree):
        found = [units_in(side) for side in meeting(node)]
        if any("pct" in one and "ln" in other for one in found for other in found):
            lines.append(node.lineno)  # type: ignore[attr-defined]
    return lines


def test_mixed_units_are_found() -> None:
    for wrong in (
        "abs(error_ln) > tolerance_pct",
        "row['change_ln'] - row['change_pct']",
        "pl.col('a_pct') <= limit_ln",
        "np.maximum(u_ln, self.floor_pct)",
    ):
        assert mixed_units(ast.parse(wrong)) == [1], wrong
    for right in (
        "percent_from_ln(error_ln) > tolerance_pct",
        "p_within(percent_from_ln(m_ln), percent_sd(m_ln, sd_ln), limit_pct)",
        "u_pct + ratio_pct",
    ):
        assert mixed_units(ast.parse(right)) == [], right


def test_percent_and_logarithms_never_meet() -> None:
    none([f"{path}:{at}" for path, tree in sources("models") for at in mixed_units(tree)])


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
    "statement",
    [
        "import dashboard.cli; dashboard.cli.main",
        "from ingest.load import load_paths",
        "from ingest.load import read_tables",
    ],
)
def test_heavy_libraries_wait_until_they_are_needed(statement: str) -> None:
    """A command that needs none of them does not pay for their import."""
    code = f"{statement}\nimport sys\nprint([name for name in {HEAVY!r} if name in sys.modules])"
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.strip() == "[]", f"{statement} imports {run.stdout.strip()}"
