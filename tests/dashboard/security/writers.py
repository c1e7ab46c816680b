"""Which functions change a store, by what they call; read from the source without running it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[3]
ROOMS = ("ingest", "models/run")
Named = tuple[str, str]  # a module, and a function in it


def writers() -> set[Named]:
    """Return every function below ROOMS that opens a store to write, itself or by what it calls."""
    calls, opens = {}, set()
    files = [file for room in ROOMS for file in (ROOT / room).rglob("*.py")]
    for file in files:
        tree = ast.parse(file.read_text("utf-8"))
        module = ".".join(file.relative_to(ROOT).with_suffix("").parts)
        for made in ast.walk(tree):
            if isinstance(made, ast.FunctionDef):
                named = set(_called(made, module, _imports(tree)))
                calls[module, made.name] = named
                if ("", "writing") in named and made.name != "reading":  # which may mend a store
                    opens.add((module, made.name))
    while True:
        more = {one for one, named in calls.items() if any(_meets(n, opens) for n in named)} - opens
        if not more:
            return opens
        opens |= more


def _imports(tree: ast.Module) -> dict[str, Named]:
    """Return what each imported name stands for: a module or package, and the name in it."""
    found = {}
    for line in ast.walk(tree):
        if isinstance(line, ast.ImportFrom) and line.module:
            for name in line.names:
                found[name.asname or name.name] = (line.module, name.name)
    return found


def _called(made: ast.FunctionDef, module: str, imports: dict[str, Named]) -> Iterator[Named]:
    for call in ast.walk(made):
        if not isinstance(call, ast.Call):
            continue
        if isinstance(call.func, ast.Name):
            yield imports.get(call.func.id, (module, call.func.id))
        elif isinstance(call.func, ast.Attribute):
            of = call.func.value
            known = imports.get(of.id) if isinstance(of, ast.Name) else None
            yield (".".join(known) if known else "", call.func.attr)


def _meets(called: Named, opens: set[Named]) -> bool:
    """Return whether a call means one of the functions: by its name, in the package or below it."""
    package, name = called
    return bool(package) and any(
        name == known and (module == package or module.startswith(f"{package}."))
        for module, known in opens
    )
