"""What can be downloaded, as one file: tables, templates, a rider's data, a copy of the store."""

import io
import zipfile
from collections.abc import Callable, Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

from ingest.admin.riders import export_rider
from ingest.load import export_set_aside
from ingest.schema import TABLES, write_template
from ingest.store import Format, Store, export_tables

Download = tuple[str, bytes]  # the file's name, and its bytes
NOT_OF_DEVICES = ("riders", "assignments", "comparisons", "pairs", "efforts", "calendar")


def tables_download(
    store: Store, form: Format, *, tables: Iterable[str] = tuple(TABLES)
) -> Download:
    """Return the input tables: a workbook, or an archive with a file a table."""
    return _packed(f"tables-{form}", lambda at: export_tables(store, at, form, tables=tables))


def device_tables() -> list[str]:
    """Return the names of the input tables about devices and money, not about riders."""
    return [name for name in TABLES if name not in NOT_OF_DEVICES]


def template_download() -> Download:
    """Return empty tables, a workbook and the data dictionary, as an archive."""
    return _packed("templates", write_template)


def set_aside_download(store: Store) -> Download:
    """Return the open set-aside rows, to correct in a spreadsheet and load again."""
    return _packed("set-aside", lambda at: export_set_aside(store, at))


def rider_download(store: Store, rider_id: str) -> Download:
    """Return every row that names a rider; UnknownRiderError if there is none."""
    return _packed("rider", lambda at: export_rider(store, rider_id, at))


def store_download(store: Store) -> Download:
    """Return a copy of the store as it is now."""
    with TemporaryDirectory() as folder:
        copy = store.backup(Path(folder) / store.path.name)
        return store.path.name, copy.read_bytes()


def _packed(name: str, write: Callable[[Path], Iterable[Path]]) -> Download:
    with TemporaryDirectory() as folder:
        files = list(write(Path(folder)))
        if len(files) == 1 and files[0].suffix == ".xlsx":
            return files[0].name, files[0].read_bytes()
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for file in files:
                archive.write(file, file.relative_to(folder).as_posix())
        return f"slopewatch-{name}.zip", packed.getvalue()
