"""The store: transactions, derived tables, settings, versions, and who may come in when."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from ingest.load import by_column, correct_set_aside, set_aside_rows
from ingest.recordings import live_results, pairs_on_disk
from ingest.schema import INTERNAL_TABLES, TABLES, SettingError, document_column, documents_in
from ingest.store import Database, Store, StoreError, migrations
from ingest.store.database import SQL_FOLDER
from models.rides import ComparisonDocument
from tests.ingest import team


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "team.duckdb")


def one_meter(meter_id: str = "M1") -> pl.DataFrame:
    return pl.DataFrame({"row_id": [1], "meter_id": [meter_id]})


def test_reading_needs_a_store(store: Store) -> None:
    with (
        pytest.raises(StoreError, match=r"team\.duckdb: there is no store here yet"),
        store.reading(),
    ):
        pass
    assert not store.path.exists()


def test_a_missing_folder_is_said(tmp_path: Path) -> None:
    lost = Store(tmp_path / "nowhere" / "team.duckdb")
    with pytest.raises(StoreError, match=r"the folder .*nowhere does not exist"), lost.writing():
        pass


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs a folder that nobody can write to")
def test_a_folder_that_cannot_be_written_to_is_said() -> None:
    with (
        pytest.raises(StoreError, match="the folder cannot be written to"),
        Store("/proc/team.duckdb").writing(),
    ):
        pass


def test_every_table_is_there_and_typed(store: Store) -> None:
    with store.writing() as db:
        for name, table in TABLES.items():
            frame = db.frame(name)
            assert dict(frame.schema) == table.polars_schema, name
        for name in INTERNAL_TABLES:
            assert db.frame(name).columns == INTERNAL_TABLES[name].names


def test_a_failed_transaction_leaves_nothing(store: Store) -> None:
    with store.writing() as db:
        db.add_rows("meters", one_meter())

    def fail_halfway() -> None:
        with store.writing() as db:
            db.add_rows("meters", one_meter("M2"))
            db.put_derived("status", pl.DataFrame({"a": [1]}))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_halfway()
    with store.reading() as db:
        assert db.frame("meters")["meter_id"].to_list() == ["M1"]
        assert db.derived("status") is None
    assert [f.name for f in store.path.parent.glob("*.tmp")] == []


def test_derived_tables_come_back_as_they_were(store: Store) -> None:
    frame = pl.DataFrame(
        {
            "meter_id": ["M1", None],
            "n": pl.Series([1, None], dtype=pl.Int32),
            "share": [0.5, None],
            "out": [True, None],
            "day": [date(2024, 3, 14), None],
            "at": pl.Series(
                [datetime(2024, 3, 14, 9, tzinfo=UTC), None], dtype=pl.Datetime("us", "UTC")
            ),
            "nothing": [None, None],
            "interval90": [[1.0, 2.0], None],
        }
    )
    with store.writing() as db:
        db.put_derived("status", frame.clear())
        db.put_derived("status", frame)
    with store.reading() as db:
        got = db.derived("status")
        assert got is not None
        assert_frame_equal(got, frame)
        assert db.derived_names() == ["status"]


def test_derived_names_are_checked(store: Store) -> None:
    with store.writing() as db, pytest.raises(ValueError, match="not a table name"):
        db.put_derived('x"; drop table meta', pl.DataFrame({"a": [1]}))


def test_data_version_counts_changes_of_data(store: Store) -> None:
    with store.writing() as db:
        before = db.data_version()
    with store.writing() as db:
        db.put_derived("status", pl.DataFrame({"a": [1]}))
    with store.writing() as db:
        assert db.data_version() == before
        db.add_rows("meters", one_meter())
    with store.writing() as db:
        assert db.data_version() == before + 1
        db.set_setting("tolerance_pct", 2)
    with store.reading() as db:
        assert db.data_version() == before + 2


def test_settings_have_defaults_and_are_checked(store: Store) -> None:
    with store.writing() as db:
        assert db.settings() == {
            "tolerance_pct": 1.5,
            "time_zone": "UTC",
            "reliability_target": 0.9,
            "false_alarms_per_season": 1.0,
            "recordings_kept_days": None,
            "changes_kept_days": None,
            "today": None,
        }
        assert db.set_setting("tolerance_pct", "1,2") == 1.2
        assert db.set_setting("today", "2024-03-14") == "2024-03-14"
        assert db.set_setting("time_zone", "Europe/Madrid") == "Europe/Madrid"
    with store.reading() as db:
        assert db.setting("tolerance_pct") == 1.2
        assert db.setting("today") == "2024-03-14"


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("tolerance", "1", 'setting "tolerance" is not known. Did you mean tolerance_pct?'),
        ("colour", "1", "There are: tolerance_pct, time_zone"),
        ("tolerance_pct", "much", 'found "much", expected percent, 0.05 to 20'),
        ("tolerance_pct", "0.015", "expected percent, 0.05 to 20"),
        ("tolerance_pct", "nan", "expected percent"),
        ("reliability_target", "90", "a probability, 0.5 to 0.999"),
        ("time_zone", "Madrid", "the name of a time zone, for instance Europe/Madrid"),
        ("time_zone", "", "the name of a time zone"),
        ("today", "14.03.2024", "a date, for instance 2026-03-14"),
    ],
)
def test_bad_settings_are_refused(store: Store, key: str, value: str, said: str) -> None:
    with store.writing() as db, pytest.raises(SettingError) as refused:
        db.set_setting(key, value)
    assert said in str(refused.value)


def test_nested_use_gets_the_open_store(store: Store) -> None:
    with store.writing() as outer, store.reading() as inner:
        assert inner is outer
    with store.reading(), pytest.raises(RuntimeError, match="open for reading"), store.writing():
        pass


def test_files_that_are_no_store(tmp_path: Path) -> None:
    (tmp_path / "text.duckdb").write_text("hello, this is no database at all")
    with (
        pytest.raises(StoreError, match="not a Slopewatch store"),
        Store(tmp_path / "text.duckdb").reading(),
    ):
        pass
    duckdb.connect(str(tmp_path / "other.duckdb")).execute("CREATE TABLE t (a INT)").close()
    other = Store(tmp_path / "other.duckdb")
    with pytest.raises(StoreError, match="a DuckDB file, but not a Slopewatch"), other.reading():
        pass


# --- versions -------------------------------------------------------------------------------


def older_store(path: Path) -> None:
    """A store as an older version left it: fewer columns, a narrower type, no fingerprint."""
    with duckdb.connect(str(path)) as connection:
        for statement in (
            "CREATE TABLE meta (key VARCHAR, value VARCHAR)",
            "INSERT INTO meta VALUES ('schema_version', '1'), ('data_version', '7')",
            "CREATE TABLE setting_values (key VARCHAR, value VARCHAR)",
            "INSERT INTO setting_values VALUES ('tolerance_pct', '2.5'), ('gone', 'x')",
            "CREATE TABLE rows_meters (row_id BIGINT, live BOOLEAN, meter_id VARCHAR, "
            "factory_slope INTEGER)",
            "INSERT INTO rows_meters VALUES (1, true, 'M1', 5), (2, false, 'M1', 4)",
            "CREATE VIEW meters AS SELECT meter_id FROM rows_meters WHERE live",
        ):
            connection.execute(statement)


def test_an_older_store_is_brought_forward(store: Store) -> None:
    older_store(store.path)
    with store.reading() as db:
        frame = db.frame("meters")
        assert dict(frame.schema) == TABLES["meters"].polars_schema
        assert frame.select("meter_id", "factory_slope", "owner").rows() == [("M1", 5.0, None)]
        assert db.setting("tolerance_pct") == 2.5
        assert db.data_version() == 7
    folder = team.write_team(store.path.parent / "tables")
    _, report = team.load(store.path.parent, folder)
    assert report.clean


def add_step(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    """Let the schema's next version be reached by these statements."""
    number = migrations.SCHEMA_VERSION + 1
    steps = tuple(migrations.Step("rows_meters", "factory_slope", line) for line in lines)
    monkeypatch.setattr(migrations, "SCHEMA_VERSION", number)
    monkeypatch.setitem(migrations.STEPS, number, steps)
    migrations.fingerprint.cache_clear()


def test_a_step_moves_data(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    older_store(store.path)
    tenfold = "UPDATE rows_meters SET factory_slope = factory_slope * 10"
    add_step(monkeypatch, tenfold)
    try:
        with store.reading() as db:
            assert db.frame("meters")["factory_slope"].to_list() == [50.0]
        with store.reading() as db:  # once only
            assert db.frame("meters")["factory_slope"].to_list() == [50.0]
    finally:
        migrations.fingerprint.cache_clear()


def test_a_step_is_left_out_where_the_store_has_no_such_column(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    older_store(store.path)
    with duckdb.connect(str(store.path)) as connection:
        connection.execute("DROP VIEW meters")
        connection.execute("ALTER TABLE rows_meters DROP COLUMN factory_slope")
    add_step(monkeypatch, "SELECT nonsense")
    try:
        with store.reading() as db:
            assert db.frame("meters")["factory_slope"].to_list() == [None]
    finally:
        migrations.fingerprint.cache_clear()


def test_a_store_as_it_is_made_needs_no_change(store: Store) -> None:
    with store.writing() as db:
        lines = migrations.statements(db._columns(), migrations.SCHEMA_VERSION)
    assert all(line.startswith("CREATE OR REPLACE VIEW") for line in lines)


def test_set_aside_rows_kept_as_json_become_columns(tmp_path: Path) -> None:
    """Version 1 kept cells and problems as JSON text: nothing is lost or doubled."""
    bad = [
        team.reading(number=2, torque_nm='33,9 "Nm"', technician="Åse"),
        team.reading(number=3, arm="x"),
    ]
    (tmp_path / "costs.csv").write_text("item\nbattery\n")
    file = team.write_csv(tmp_path / "bench.csv", bad)
    store, _ = team.load(tmp_path, file, tmp_path / "costs.csv")
    half_corrected = set_aside_rows(store).filter(pl.col("row") == 2)["set_aside_id"][0]
    correct_set_aside(store, half_corrected, {"torque_nm": "33,8 N", "arm": "left"})
    before = set_aside_rows(store)
    kept = [
        {"set_aside_id": row["set_aside_id"], "problems": json.dumps(row["problems"])}
        | {
            n: json.dumps(by_column(row[n])) if row[n] is not None else None
            for n in ("cells", "corrected")
        }
        for row in before.to_dicts()
    ]
    with duckdb.connect(str(store.path)) as connection:
        for column in ("cells", "corrected", "problems"):
            connection.execute(f"ALTER TABLE set_aside DROP COLUMN {column}")
            connection.execute(f"ALTER TABLE set_aside ADD COLUMN {column} VARCHAR")
            connection.executemany(
                f"UPDATE set_aside SET {column} = ? WHERE set_aside_id = ?",
                [[row[column], row["set_aside_id"]] for row in kept],
            )
        connection.execute("UPDATE meta SET value = '1' WHERE key = 'schema_version'")
        connection.execute("DELETE FROM meta WHERE key = 'schema_fingerprint'")
    assert_frame_equal(set_aside_rows(store).select(before.columns), before)
    _, report = team.load(tmp_path, file, tmp_path / "costs.csv")
    assert set_aside_rows(store).height == before.height == len(report.set_aside)
    assert correct_set_aside(store, half_corrected, {"torque_nm": "33.8"}).clean


def test_compared_pairs_kept_with_a_json_key_stay_compared(tmp_path: Path) -> None:
    """Version 1 kept the row of `pairs` that a comparison was made for as JSON text."""
    rows = [
        {"meter_file": "a.fit", "reference_file": "b.fit", "meter_id": "M1", "reference_id": "T1"},
        {"meter_file": "c.fit", "reference_file": "d.fit", "meter_id": "M1", "reference_id": "T1"},
    ]
    rows[1] |= {"comparison_id": "second", "rider_id": "R1"}
    store, _ = team.load(tmp_path, team.write_csv(tmp_path / "pairs.csv", rows))
    with store.writing() as db:
        pairs = db.query("imports/pairs_on_disk").to_dicts()
        keys = [json.dumps(pair, sort_keys=True) for pair in pairs]
        keys.append(json.dumps(pairs[0] | {"meter_id": "M2"}, sort_keys=True))  # changed since
        names = pl.Series(["a / b", "second", "a / b"])
        old = pl.DataFrame(
            {"comparison_id": names, "meter_id": ["M1", "M1", "M2"], "reference_id": ["T1"] * 3}
            | {"rider_id": [None, "R1", None], "gain_ratio_pct": [1.0, 2.0, 3.0], "pair": keys}
        )
        db.put_derived("pair_results", old)
        db._set_meta("schema_version", 1)
        db._set_meta("schema_fingerprint", "before")
    with store.reading() as db:
        found = live_results(db)
    assert found is not None
    assert found.columns == old.drop("pair").columns
    assert found["gain_ratio_pct"].to_list() == [1.0, 2.0]


def test_documents_kept_as_json_text_become_columns(tmp_path: Path) -> None:
    """Version 2 kept a comparison's document as text; what a fit makes again goes."""
    row = {"meter_file": "a.fit", "reference_file": "b.fit", "meter_id": "M1", "reference_id": "T1"}
    store, _ = team.load(tmp_path, team.write_csv(tmp_path / "pairs.csv", [row]))
    document = {
        **{"lag_s": 1.5, "lag_certain": True, "excluded_s": {"no power": 3}, "used_s": 900},
        **{"gain_ratio_interval90_pct": [-1, 2.5], "warnings": ["short"], "void": None},
        "by_time": [{"from_s": 0, "to_s": 600, "ratio_pct": 1.25}],
    }
    with store.writing() as db:
        kept = pairs_on_disk(db).with_columns(document=pl.lit(json.dumps(document)))
        db.put_derived("pair_results", kept)
        db.put_derived("session_results", pl.DataFrame({"document": ["{}"]}))
        db._set_meta("schema_version", 2)
        db._set_meta("schema_fingerprint", "before")
    with store.reading() as db:
        found, gone = live_results(db), db.derived("session_results")
    assert gone is None
    assert found is not None
    assert found.select("steps", "warnings").row(0) == (None, ["short"])
    [moved] = documents_in(found["document"], ComparisonDocument)
    assert {name: moved[name] for name in document if name != "by_time"} == {
        name: value for name, value in document.items() if name != "by_time"
    }
    assert moved["by_time"][0]["ratio_pct"] == 1.25
    made = document_column([moved], ComparisonDocument)
    assert made.dtype == found["document"].dtype  # later comparisons stand in the same column


def test_a_failed_step_leaves_the_older_store(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    older_store(store.path)
    add_step(monkeypatch, "UPDATE rows_meters SET factory_slope = 0", "SELECT nonsense")
    with pytest.raises(duckdb.Error), store.reading():
        pass
    migrations.fingerprint.cache_clear()
    with duckdb.connect(str(store.path)) as connection:
        kept = connection.execute("SELECT max(factory_slope) FROM rows_meters").fetchall()
    assert kept == [(5,)]


def test_a_newer_store_is_refused(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    with store.writing():
        pass
    monkeypatch.setattr(migrations, "SCHEMA_VERSION", 0)
    migrations.fingerprint.cache_clear()
    try:
        with pytest.raises(StoreError, match="written by a newer Slopewatch"), store.reading():
            pass
    finally:
        migrations.fingerprint.cache_clear()


# --- questions ------------------------------------------------------------------------------

PARAMETERS: dict[str, object] = {
    "own": ["M1"],
    "meter": "M1",
    "path": "x",
    "import_id": 1,
    "table_name": "bench",
    "only_open": True,
    "coach": "C1",
    "today": "2026-03-14",
    "riders": ["R1"],
    "rider_id": "R1",
    "row_ids": [1],
    "most": 200,
    "what": "session corrected",
    "subject": "S1",
}


def test_every_question_runs(tmp_path: Path) -> None:
    """Each file in ingest/sql runs on a store with data; its parameters are named there."""
    store, _ = team.load(tmp_path, team.write_team(tmp_path / "tables"))
    files = sorted(SQL_FOLDER.rglob("*.sql"))
    assert files
    with store.writing() as db:
        for file in files:
            text = file.read_text("utf-8")
            assert text.startswith("-- "), file.name
            if _answers(text):
                named = {k: v for k, v in PARAMETERS.items() if f"${k}" in text}
                name = file.relative_to(SQL_FOLDER).with_suffix("").as_posix()
                assert isinstance(db.query(name, **named), pl.DataFrame)


def _answers(text: str) -> bool:
    body = "\n".join(line for line in text.splitlines() if not line.startswith("--"))
    return body.lstrip().upper().startswith(("SELECT", "WITH"))


# --- beside others --------------------------------------------------------------------------


def test_threads_read_and_write_side_by_side(store: Store) -> None:
    with store.writing() as db:
        db.put_derived("count", pl.DataFrame({"n": [0]}))
    failures: list[BaseException] = []

    def count(db: Database) -> int:
        frame = db.derived("count")
        assert frame is not None
        return int(frame["n"][0])

    def read() -> None:
        for _ in range(6):
            with store.reading() as db:
                count(db)

    def write() -> None:
        for _ in range(4):
            with store.writing() as db:
                db.put_derived("count", pl.DataFrame({"n": [count(db) + 1]}))

    def guarded(work: object) -> None:
        try:
            work()  # type: ignore[operator]
        except BaseException as error:
            failures.append(error)

    threads = [
        threading.Thread(target=guarded, args=(work,)) for work in (read, read, write, write)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with store.reading() as db:
        assert count(db) == 8


READER = """
import sys, time
from ingest.store import Store
store = Store(sys.argv[1])
print("ready", flush=True)
until = time.monotonic() + float(sys.argv[2])
reads = 0
while time.monotonic() < until:
    with store.reading() as db:
        rows = db.frame("bench").height
        assert rows % 16 == 0, rows
    reads += 1
print(reads)
"""


def test_load_beside_readers_in_other_processes(tmp_path: Path) -> None:
    """Whole files only are seen, and nobody gets an error."""
    sessions = [
        team.write_csv(
            tmp_path / f"bench-{s}.csv",
            [team.reading(f"S{s}", n, torque_nm=30 + n) for n in range(16)],
        )
        for s in range(4)
    ]
    store, _ = team.load(tmp_path, sessions[0])
    readers = [
        subprocess.Popen(
            [sys.executable, "-c", READER, str(store.path), "2"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    for reader in readers:
        assert reader.stdout is not None
        assert reader.stdout.readline() == "ready\n"
    for file in sessions[1:]:
        _, report = team.load(tmp_path, file)
        assert report.clean
    for reader in readers:
        out, errors = reader.communicate(timeout=120)
        assert reader.returncode == 0, errors
        assert int(out) > 0
    assert team.live(store, "bench").height == 64


def test_a_busy_store_is_said(store: Store) -> None:
    with store.writing():
        pass
    hasty = Store(store.path, timeout_s=0.1)
    said: list[str] = []

    def try_it() -> None:
        try:
            with hasty.reading():
                pass
        except StoreError as error:
            said.append(str(error))

    with store.writing():
        thread = threading.Thread(target=try_it)
        thread.start()
        thread.join()
    assert len(said) == 1
    assert "kept the store busy for too long" in said[0]


def test_backup_and_compact(tmp_path: Path) -> None:
    store, _ = team.load(tmp_path, team.write_team(tmp_path / "tables"))
    before = team.contents(store)
    copy = Store(store.backup(tmp_path / "copy.duckdb"))
    (tmp_path / "elsewhere").mkdir()
    assert store.backup(tmp_path / "elsewhere").name == "team.duckdb"
    store.compact()
    assert team.contents(store) == before
    assert team.contents(copy) == before
    with pytest.raises(StoreError, match="another place than the store itself"):
        store.backup(store.path)


def test_a_copy_that_is_read_aside_keeps_no_writer_waiting_and_is_removed(tmp_path: Path) -> None:
    store = Store(tmp_path / "s.duckdb")
    with store.writing() as db:
        db.set_setting("tolerance_pct", "2")

    def write() -> None:
        with Store(store.path, timeout_s=5.0).writing() as db:
            db.set_setting("tolerance_pct", "1")

    with ThreadPoolExecutor(1) as other, Store(store.path, aside=True).reading() as before:
        other.submit(write).result()
        assert before.setting("tolerance_pct") == 2.0
    with Store(store.path, aside=True).reading() as after:
        assert after.setting("tolerance_pct") == 1.0
    assert list(tmp_path.glob("*.tmp*")) == []


def test_a_table_has_another_mark_once_it_is_written_to(store: Store) -> None:
    def marks() -> dict[str, str]:
        with store.reading() as db:
            return db.marks()

    with store.writing() as db:
        db.add_rows("meters", one_meter())
    first = marks()
    with store.writing() as db:
        db.set_live("meters", [1], live=False)
    second = marks()
    assert {name for name in second if second[name] != first.get(name)} == {"meters"}
    with store.writing() as db:
        db.put_derived("status", pl.DataFrame({"a": [1]}))
        db.set_setting("tolerance_pct", 1.0)
    third = marks()
    changed = {name for name in third if third[name] != second.get(name)}
    assert changed == {"derived_status", "setting_values"}
    with store.trying() as db:
        db.remove_rows("meters", [1])
    assert marks() == third


def test_a_program_that_leaves_no_marks_changes_every_table(store: Store) -> None:
    with store.writing() as db:
        db.add_rows("meters", one_meter())
    with store.reading() as db:
        before = db.marks()
    with duckdb.connect(str(store.path)) as other:
        other.execute("UPDATE meta SET value = '7' WHERE key = 'data_version'")
    with store.reading() as db:
        between = db.marks()
    with store.writing() as db:
        db.add_rows("events", pl.DataFrame({"row_id": [1], "event": ["other"]}))
    with store.reading() as db:
        after = db.marks()
    assert len({before["*"], between["*"], after["*"]}) == 3
