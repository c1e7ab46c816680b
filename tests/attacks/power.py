"""A disk that loses what was not brought to it when the power goes.

Watches a folder: what is in a file counts once the file was synced, a name once its folder was. The
store itself counts as it is: DuckDB syncs unseen from here, and `power_by_hand` looks at that.
"""

import os
import stat
from pathlib import Path

import pytest


class PowerCutError(BaseException):
    """The end of the program; what no code can catch by accident."""


class Disk:
    """A folder's disk. Stops the program at the `cut_at`-th sync or rename; None: never."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch, cut_at: int | None = None) -> None:
        self._folder, self._cut_at, self.events = folder, cut_at, 0
        self._by_duckdb = [folder / f"team.duckdb{suffix}" for suffix in ("", ".wal")]
        self._content: dict[int, bytes] = {}
        self._names: dict[Path, dict[str, int]] = {}
        for path in (folder, *folder.rglob("*")):
            self._sync(path)
        self._real_sync, self._real_replace = os.fsync, os.replace
        patch.setattr(os, "fsync", self._synced)
        patch.setattr(os, "replace", self._replaced)

    def _sync(self, path: Path) -> None:
        if path.is_dir():
            self._names[path] = {one.name: one.stat().st_ino for one in path.iterdir()}
        else:
            self._content[path.stat().st_ino] = path.read_bytes()

    def _counted(self) -> None:
        self.events += 1
        if self.events == self._cut_at:
            raise PowerCutError

    def _synced(self, handle: int) -> None:
        self._counted()
        path = Path(f"/proc/self/fd/{handle}").resolve()
        if path == self._folder or path.is_relative_to(self._folder):
            self._sync(path)

    def _replaced(self, old: Path, new: Path) -> None:
        self._counted()
        self._real_replace(old, new)

    def lose(self, *, names: bool) -> None:
        """Let the power go: unsynced content is lost, and unsynced names too, unless `names`."""
        found = self._found() if names else self._kept(self._folder)
        trusted = {file: file.read_bytes() for file in self._by_duckdb if file.exists()}
        for path in sorted(self._folder.rglob("*"), reverse=True):
            path.rmdir() if path.is_dir() else path.unlink()
        for path, inode in found.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch(mode=0o600)
            path.write_bytes(self._content.get(inode, b""))
        for file, content in trusted.items():
            file.write_bytes(content)

    def _found(self) -> dict[Path, int]:
        files = {path: path.stat() for path in self._folder.rglob("*")}
        return {path: one.st_ino for path, one in files.items() if stat.S_ISREG(one.st_mode)}

    def _kept(self, folder: Path) -> dict[Path, int]:
        kept: dict[Path, int] = {}
        for name, inode in self._names.get(folder, {}).items():
            if folder / name in self._names:
                kept |= self._kept(folder / name)
            else:
                kept[folder / name] = inode
        return kept
