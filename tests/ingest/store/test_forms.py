"""Stores of every form that there was open, are copied first, and are brought up to date once.

`forms/` holds a store of each: a team with an unreadable cell, a setting, a fit or a compared pair,
and (but for the first) an account, written by the program of its time and packed. A change of the
schema that moves data or has to be refused by older programs adds one, made before the change.
"""

import lzma
import shutil
from pathlib import Path

import pytest

from ingest.admin import accounts
from ingest.schema import INTERNAL_TABLES
from ingest.store import Store, StoreError, before_update
from ingest.store.migrations import SCHEMA_VERSION, fingerprint
from models import run
from models.run import Fleet

FORMS = sorted((Path(__file__).parent / "forms").iterdir())


def unpacked(form: Path, folder: Path) -> Store:
    target = folder / "team.duckdb"
    target.write_bytes(lzma.decompress(form.read_bytes()))
    return Store(target)


def test_there_is_one_of_each_version() -> None:
    assert {int(form.name[0]) for form in FORMS} == set(range(1, SCHEMA_VERSION + 1))


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name.split(".")[0])
def test_each_form_opens_is_copied_and_brought_up_to_date_once(form: Path, tmp_path: Path) -> None:
    store = unpacked(form, tmp_path)
    before = store.path.read_bytes()
    with store.reading() as db:
        meters = db.frame("meters")["meter_id"].to_list()
        assert meters == ["K1", "K2", "HB-01", "FS-03"][: 4 if "pairs" in form.name else 2]
        assert db.frame("bench").height == 3
        assert db.setting("tolerance_pct") == 1.2
        [row] = db.frame("set_aside").to_dicts()
        assert {cell["column"]: cell["text"] for cell in row["cells"]}["crank_length_mm"] == "17.0"
        assert [problem["column"] for problem in row["problems"]] == ["crank_length_mm"]
        assert db._meta("schema_fingerprint") == fingerprint()
    copy = before_update(store)
    if copy.exists():
        assert copy.stat().st_mode & 0o077 == 0
        shutil.copy(copy, tmp_path / "again.duckdb")
        assert copy.stat().st_size == len(before)
        copy.unlink()
    with store.writing() as db:
        db.set_setting("tolerance_pct", 1.3)
    assert not copy.exists()  # nothing was left to bring up to date
    assert list(accounts(store)) == ([] if "without" in form.name else ["Ada"])
    fleet = Fleet(store)
    run.refit(fleet)
    assert {row["meter_id"] for row in run.status(fleet)["meters"]} == set(meters)
    if "HB-01" in meters:
        with store.reading() as db:
            [pair] = db.derived("pair_results").to_dicts()
        assert pair["document"]["gain_ratio_pct"] == pair["gain_ratio_pct"]


def test_what_was_copied_before_an_update_can_be_put_back(tmp_path: Path) -> None:
    store = unpacked(FORMS[0], tmp_path)
    with store.reading():
        pass
    shutil.copy(before_update(store), store.path)
    with store.reading() as db:
        assert db.frame("bench").height == 3


def test_a_store_of_a_later_form_is_refused_and_stays_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An older program would not ask for the codes that it does not know of."""
    store = unpacked(FORMS[-1], tmp_path)
    with store.reading():
        pass
    held = store.path.read_bytes()
    table = INTERNAL_TABLES["accounts"]
    columns = tuple(c for c in table.columns if not c.name.startswith("code_"))
    monkeypatch.setattr("ingest.store.migrations.fingerprint", lambda: "of an older program")
    monkeypatch.setattr("ingest.store.migrations.physical_tables", lambda: {"accounts": columns})
    for opened in (store.reading, store.writing):
        with pytest.raises(StoreError, match=r"newer Slopewatch .*accounts\.code_secret"), opened():
            pass
    assert store.path.read_bytes() == held
