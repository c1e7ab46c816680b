"""What Windows and macOS do otherwise: their rules, faked where this is another system."""

import ast
import os
from pathlib import Path

import pytest

from ingest.admin import back_up
from ingest.recordings import keep_uploads
from ingest.recordings.staging import plain_name, uploads_folder
from ingest.schema import UserError
from ingest.store import Store, durable, put_folder_in_place, put_in_place
from tests.ingest import team

ROOT = Path(__file__).parents[2]
SOURCES = [file for top in ("ingest", "models", "dashboard") for file in (ROOT / top).rglob("*.py")]
NOT_EVERYWHERE = {"fcntl", "grp", "pwd", "resource", "termios", "syslog", "msvcrt", "winreg"}
OF_POSIX = {"fork", "getuid", "geteuid", "getgid", "chown", "mkfifo", "killpg", "setsid"}
TEXT = {"read_text": 0, "write_text": 1}


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> dict[Path, int]:
    """Windows' rule: what somebody looks at cannot be replaced. The files, and for how many tries.

    Nor can a folder be put in the place of another one.
    """
    busy: dict[Path, int] = {}
    real = os.replace

    def replace(old: Path, new: Path) -> None:
        for path in (Path(old), Path(new)):
            if busy.get(path, 0):
                busy[path] -= 1
                raise PermissionError(13, "The process cannot access the file", str(path))
        if Path(new).is_dir():
            raise PermissionError(5, "Access is denied", str(new))
        real(old, new)

    monkeypatch.setattr(durable, "WINDOWS", True)
    monkeypatch.setattr(durable, "PAUSE_S", 0.0)
    monkeypatch.setattr(os, "replace", replace)
    return busy


def test_a_file_that_is_looked_at_for_a_moment_is_replaced_after_it(
    tmp_path: Path, windows: dict[Path, int]
) -> None:
    target = tmp_path / "target"
    for content, tries in ((b"one", 0), (b"two", 5)):
        windows[target] = tries
        (tmp_path / "part").write_bytes(content)
        assert put_in_place(tmp_path / "part", target).read_bytes() == content
    windows[target] = 1000
    (tmp_path / "part").write_bytes(b"three")
    with pytest.raises(PermissionError):
        put_in_place(tmp_path / "part", target)
    assert target.read_bytes() == b"two"


def test_elsewhere_a_refusal_is_one_at_once(
    tmp_path: Path, windows: dict[Path, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(durable, "WINDOWS", False)
    windows[tmp_path / "target"] = 1
    (tmp_path / "part").write_bytes(b"one")
    with pytest.raises(PermissionError):
        put_in_place(tmp_path / "part", tmp_path / "target")


def test_a_folder_is_put_in_the_place_of_another(tmp_path: Path, windows: dict[Path, int]) -> None:
    for content in ("one", "two"):
        (tmp_path / "part").mkdir()
        (tmp_path / "part" / "file").write_text(content, "utf-8")
        put_folder_in_place(tmp_path / "part", tmp_path / "kept")
    assert [file.read_text("utf-8") for file in tmp_path.rglob("file")] == ["two"]


def test_a_store_is_compacted_and_backed_up_there(tmp_path: Path, windows: dict[Path, int]) -> None:
    store, _ = team.load(tmp_path, team.write_team(tmp_path / "tables"))
    before = team.contents(store)
    windows[store.path] = 3
    store.compact()
    copy = back_up(store, tmp_path / "copy.duckdb")[0]
    assert team.contents(store) == team.contents(Store(copy)) == before
    windows[tmp_path / "copy.duckdb"] = 1000
    with pytest.raises(UserError, match="no backup could be made"):
        back_up(store, tmp_path / "copy.duckdb")
    assert team.contents(Store(copy)) == before


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("ride.fit", "ride.fit"),
        ("CON.fit", "_CON.fit"),
        ("aux", "_aux"),
        ("com1.2026.fit", "_com1.2026.fit"),
        ("console.fit", "console.fit"),
        ("ride.fit. . ", "ride.fit"),
        ("a:b?.fit", "a_b_.fit"),
        ("C:\\rides\\one.fit", "one.fit"),
        ("Mu\u0308hle.fit", "M\u00fchle.fit"),  # as macOS hands it on, and as others type it
        (". .", "recording"),
    ],
)
def test_names_are_such_as_every_system_has(given: str, kept: str) -> None:
    """Source: Microsoft, "Naming Files, Paths, and Namespaces"; Unicode TR 15 for composition."""
    assert plain_name(given) == kept


def test_a_name_of_macos_is_found_as_it_is_typed(tmp_path: Path) -> None:
    store = Store(tmp_path / "team.duckdb")
    keep_uploads(store, [("Mu\u0308hle.fit", b"one"), ("M\u00fchle.fit", b"two")])
    assert [file.read_bytes() for file in uploads_folder(store).iterdir()] == [b"two"]


def test_nothing_is_imported_that_a_system_does_not_have() -> None:
    """Inside a function, where it is missed on purpose, it may be."""
    found = [
        f"{file.relative_to(ROOT)}:{node.lineno}"
        for file in SOURCES
        for node in ast.parse(file.read_text("utf-8")).body
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in ([node.module] if isinstance(node, ast.ImportFrom) else node.names)
        if (name if isinstance(name, str) else getattr(name, "name", "")) in NOT_EVERYWHERE
    ]
    assert found == []


def test_no_text_is_read_or_written_in_a_systems_own_encoding() -> None:
    found = []
    for file in SOURCES:
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                name, told = node.func.attr, {word.arg for word in node.keywords}
                short = name in TEXT and len(node.args) <= TEXT[name] and "encoding" not in told
                posix = name in OF_POSIX and ast.unparse(node.func.value) == "os"
                found += [f"{file.relative_to(ROOT)}:{node.lineno}"] if short or posix else []
    assert found == []
