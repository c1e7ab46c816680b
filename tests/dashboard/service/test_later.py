"""Answers that take long are worked out beside the pages, once, and kept until the data change."""

import threading
import time

import pytest

from dashboard.service import NothingDoneError
from dashboard.service.kept import Kept
from dashboard.service.later import Later
from ingest.store import Store


@pytest.fixture
def door(tmp_path):
    return Later(tmp_path / "none.duckdb")


def settled(ask):
    for _ in range(1000):
        told = ask()
        if told["state"] != "working":
            return told
        time.sleep(0.01)
    raise AssertionError("never done")


def test_who_asks_is_not_kept_waiting_and_hears_what_is_being_done(door):
    go = threading.Event()
    told_once = threading.Event()
    calls = []

    def make(say):
        calls.append(1)
        say("counting")
        told_once.set()
        assert go.wait(10)
        return {"n": 7}

    first = door._later(make, "count", 1)
    assert first["state"] == "working"
    assert first["document"] is None
    assert told_once.wait(10)
    assert door._later(make, "count", 1)["said"] == "counting"
    go.set()
    assert settled(lambda: door._later(make, "count", 1))["document"] == {"n": 7}
    assert calls == [1]


def test_a_failure_is_said_in_its_words_and_asking_again_tries_again(door):
    calls = []

    def make(say):
        calls.append(1)
        if len(calls) == 1:
            raise NothingDoneError("there is no calendar")
        return {}

    told = settled(lambda: door._later(make, "plan"))
    assert (told["state"], told["said"]) == ("failed", "there is no calendar")
    assert settled(lambda: door._later(make, "plan"))["state"] == "done"


def test_what_nobody_foresaw_is_not_shown(door, caplog):
    def make(say):
        raise RuntimeError("secret")

    assert "secret" not in settled(lambda: door._later(make, "x"))["said"]
    assert "secret" in caplog.text


def test_changed_data_ask_for_a_new_answer(tmp_path):
    door = Later(tmp_path / "s.duckdb")
    make = iter([{"n": 1}, {"n": 2}])
    assert settled(lambda: door._later(lambda say: next(make), "x"))["document"] == {"n": 1}
    with Store(tmp_path / "s.duckdb").writing() as db:
        db.set_setting("tolerance_pct", "2")
    assert settled(lambda: door._later(lambda say: next(make), "x"))["document"] == {"n": 2}


def test_a_slow_document_holds_up_nobody_who_asks_for_another(tmp_path):
    door = Kept(tmp_path / "none.duckdb")
    go = threading.Event()
    slow = threading.Thread(target=lambda: door._kept(lambda: go.wait(10), "slow"))
    slow.start()
    assert door._kept(lambda: 5, "quick") == 5
    go.set()
    slow.join()


def test_two_who_ask_at_once_get_one_document(tmp_path):
    door = Kept(tmp_path / "none.duckdb")
    made = []

    def make():
        made.append(1)
        time.sleep(0.05)
        return object()

    got = []
    threads = [threading.Thread(target=lambda: got.append(door._kept(make, "x"))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 1
    assert len(set(map(id, got))) == 1
