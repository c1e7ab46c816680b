"""A clock that was ahead and was set right costs nobody a sign-in, a backup or a recording."""

import json
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.security.throttle import LONGEST_WAIT_S, Throttle
from ingest.admin import ask_for_code, back_up_today, forget_old, signing_keys, take_code
from ingest.admin.secrets import secret_file
from ingest.recordings import recordings_folder, stored_summaries
from ingest.store import Store
from tests.attacks.test_second_step import OWNER, SECRET, code_of
from tests.ingest.admin.test_privacy import DAY, make
from tests.once import built_once

YEAR = timedelta(days=365)


@pytest.fixture
def store(people_store: Path, tmp_path: Path) -> Store:
    return Store(shutil.copy(people_store, tmp_path / "team.duckdb"))


def test_waits_are_not_longer_than_any(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [YEAR.total_seconds()]
    throttle = Throttle(lambda: now[0])
    for _ in range(12):
        throttle.begin("Ada", "192.0.2.1")
    now[0] = 60.0
    assert throttle.begin("Ada", "192.0.2.1") <= LONGEST_WAIT_S


def test_codes_are_taken_though_later_ones_were(store: Store) -> None:
    now = datetime.now(UTC)
    ask_for_code(store, OWNER, SECRET, step=int((now + YEAR).timestamp()) // 30)
    assert take_code(store, OWNER, code_of(SECRET), now=now)
    assert not take_code(store, OWNER, code_of(SECRET), now=now)


def test_keys_of_a_later_day_are_renewed(store: Store) -> None:
    ahead = signing_keys(store, now=datetime.now(UTC) + YEAR)
    assert len(signing_keys(store)) == len(ahead) + 1
    made = json.loads(secret_file(store).read_text("utf-8"))["keys"][-1]["made_at"]
    assert datetime.fromisoformat(made) <= datetime.now(UTC)


def test_backups_of_a_later_day_push_out_no_other(store: Store, tmp_path: Path) -> None:
    safe, today = tmp_path / "safe", date(2026, 3, 14)
    for day in (today + YEAR, today - timedelta(days=1), today):
        assert back_up_today(store, safe, keep=1, today=day) is not None
    days = {file.stem[-10:] for file in safe.glob("*.duckdb")}
    assert days == {"2026-03-14", "2027-03-14"}


def test_no_recording_is_forgotten_before_its_time(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    shutil.copytree(built_once(tmp_path_factory, "privacy", make), tmp_path / "team")
    store = Store(tmp_path / "team" / "team.duckdb")
    with store.writing() as db:
        db.set_setting("recordings_kept_days", (date.today() - DAY).days + 100)
    assert forget_old(store, today=date.today() + 3 * YEAR)["recordings"] == 0
    assert stored_summaries(recordings_folder(store)).height == 3
