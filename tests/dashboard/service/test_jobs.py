"""What takes long is answered in processes beside the pages: once, in words, and never in the way.

The questions are invented (`invented.py`); they run in real processes, in lanes of this file's own.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import pickle
import pkgutil
import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from importlib import import_module

import pytest

from dashboard.service import Service, jobs
from dashboard.service.jobs import CANCELLED, FAILED, LANES
from ingest.schema import UserError
from ingest.store import Store, record
from models import run
from models.run import HERE, Person
from models.wording import NoAnswerError
from tests.dashboard.service import invented
from tests.dashboard.service.invented import (
    INVENTED,
    asked_here,
    brought_in,
    dying,
    failing_once,
    handed_out,
    peculiar,
    quick,
    read_here,
    slow,
    unforeseen,
)
from tests.dashboard.service.lanes import PREPARE, all_jobs, own_lanes, until

MECHANIC = Person("Mo", "mechanic")


@pytest.fixture(scope="module", autouse=True)
def lanes():
    """Lanes like the dashboard's, whose processes know the invented questions too."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(jobs, "answer", invented.answer)
        for question in INVENTED:
            patch.setattr(run, question.__name__, question, raising=False)
        with own_lanes():
            yield


@pytest.fixture
def service(tmp_path):
    made = Service(tmp_path / "none.duckdb")
    yield made
    for lane in LANES.values():
        for job in all_jobs(lane):
            lane.cancel(job)


def settled(ask):
    """What there is once it is no longer being worked out."""

    def told():
        found = ask()
        return found if found["state"] != "working" else None

    return until(told)


def begun(folder, name):
    """How often a question was begun to be answered."""
    files = folder / name
    return len(list(files.iterdir())) if files.exists() else 0


def processes():
    return {child.pid for child in multiprocessing.active_children()}


# ---- who asks ------------------------------------------------------------------------------


def test_who_asks_is_not_kept_waiting_and_hears_what_is_being_done(service, tmp_path):
    first = service.later(slow, tmp_path)
    assert (first["state"], first["document"]) == ("working", None)
    until(lambda: service.later(slow, tmp_path)["said"] == "counting")
    (tmp_path / "go slow").touch()
    told = settled(lambda: service.later(slow, tmp_path))
    assert (told["state"], told["said"], told["document"]["name"]) == ("done", "", "slow")
    assert begun(tmp_path, "slow") == 1
    assert service.ask(slow, tmp_path) == told["document"]  # kept
    assert begun(tmp_path, "slow") == 1


def test_it_is_never_answered_in_the_process_that_serves_the_pages(service, tmp_path):
    (tmp_path / "go slow").touch()
    for question in (slow, quick):
        assert service.ask(question, tmp_path)["process"] in processes()
    assert service.ask(asked_here) == os.getpid()


def test_two_who_ask_at_once_get_one_answer(service, tmp_path):
    together = threading.Barrier(5)

    def ask(n):
        together.wait(10)
        if n % 2:
            return settled(lambda: service.later(slow, tmp_path))["document"]
        return service.ask(slow, tmp_path)

    with ThreadPoolExecutor(5) as pool:
        waiting = [pool.submit(ask, n) for n in range(4)]
        together.wait(10)
        until(lambda: begun(tmp_path, "slow"))
        (tmp_path / "go slow").touch()
        answers = [one.result(60) for one in waiting]
    assert begun(tmp_path, "slow") == 1
    assert all(answer == answers[0] for answer in answers)


def test_a_failure_is_said_in_its_words_once_and_asking_again_tries_again(service, tmp_path):
    told = settled(lambda: service.later(failing_once, tmp_path))
    assert (told["state"], told["document"]) == ("failed", None)
    assert told["said"] == "there is no calendar"
    assert settled(lambda: service.later(failing_once, tmp_path))["document"] == {"n": 2}


def test_a_failure_reaches_who_waits_for_it_as_the_error_it_is(service, tmp_path):
    with pytest.raises(NoAnswerError, match="there is no calendar"):
        service.ask(failing_once, tmp_path)
    assert service.ask(failing_once, tmp_path) == {"n": 2}


def kinds_of(error):
    return {error}.union(*(kinds_of(kind) for kind in error.__subclasses__()))


def test_every_error_in_words_comes_out_of_another_process_as_it_went_in():
    for room in ("ingest", "models", "dashboard"):
        for found in pkgutil.walk_packages(import_module(room).__path__, f"{room}."):
            if not found.name.endswith("__main__"):
                import_module(found.name)
    errors = {kind for kind in kinds_of(UserError) if not kind.__module__.startswith("tests")}
    assert len(errors) > 8
    for kind in errors:
        back = pickle.loads(pickle.dumps(kind("three meters lack a date")))
        assert (type(back), str(back)) == (kind, "three meters lack a date")


@pytest.mark.parametrize("question", [unforeseen, peculiar])
def test_what_nobody_foresaw_is_not_shown_but_in_the_log(service, caplog, question):
    with caplog.at_level(logging.ERROR):
        told = settled(lambda: service.later(question))
    assert (told["state"], told["said"]) == ("failed", FAILED)
    assert "secret" in caplog.text
    assert question.__name__ in caplog.text


def test_changed_data_ask_for_a_new_answer_and_a_day_for_its_own(tmp_path):
    service = Service(tmp_path / "s.duckdb")
    (tmp_path / "go slow").touch()
    service.ask(slow, tmp_path)
    with Store(tmp_path / "s.duckdb").writing() as db:
        db.set_setting("tolerance_pct", "2")
    service.ask(slow, tmp_path)
    assert begun(tmp_path, "slow") == 2
    assert service.on("2026-03-01").ask(slow, tmp_path)["day"] == "2026-03-01"
    service.on(date(2026, 3, 1)).ask(slow, tmp_path)
    service.on(None).ask(slow, tmp_path)
    assert begun(tmp_path, "slow") == 3


def test_a_slow_answer_holds_up_nobody_who_asks_for_another(service, tmp_path):
    service.later(slow, tmp_path)
    until(lambda: begun(tmp_path, "slow"))
    (tmp_path / "go other").touch()
    assert service.ask(slow, tmp_path, "other")["name"] == "other"
    assert service.ask(quick, tmp_path)["name"] == "quick"
    assert service.on("2026-03-01").ask(quick, tmp_path)["name"] == "quick"
    assert service.later(slow, tmp_path)["state"] == "working"


def test_who_asked_last_is_answered_first_where_answers_take_long(service, tmp_path):
    for name in ("one", "two", "three", "four"):
        service.later(slow, tmp_path, name)
    for name in ("four", "three", "two", "one"):
        (tmp_path / f"go {name}").touch()
    for name in ("four", "three", "two", "one"):
        settled(lambda name=name: service.later(slow, tmp_path, name))
    at = {
        name: int(next((tmp_path / name).iterdir()).name.split()[2]) for name in ("three", "four")
    }
    assert at["four"] < at["three"]


def test_only_what_is_answered_beside_the_pages_can_be_asked_for_later(service, tmp_path):
    for ask in (service.later, service.ahead, service.cancel):
        with pytest.raises(TypeError, match="no question that is answered beside"):
            ask(asked_here)
        with pytest.raises(TypeError, match="no question that is answered beside"):
            ask(brought_in, [], tmp_path)
    with pytest.raises(TypeError, match="no change that is answered beside"):
        service.begin(slow, tmp_path)
    with pytest.raises(TypeError, match="no question that can be asked"):
        service.ask(lambda fleet: fleet)
    assert not any(map(all_jobs, LANES.values()))


def test_the_same_asked_by_place_by_name_or_left_out_is_one_answer(service, tmp_path):
    (tmp_path / "go slow").touch()
    found = service.ask(slow, tmp_path)
    assert service.ask(slow, folder=tmp_path, name="slow") == found
    assert service.later(slow, tmp_path, name="slow")["document"] == found
    assert begun(tmp_path, "slow") == 1


# ---- read where it is asked ----------------------------------------------------------------


def test_what_is_read_holds_until_the_stores_file_changes_whatever_changed_in_it(tmp_path):
    service = Service(tmp_path / "s.duckdb")
    with service.store.writing() as db:
        db.set_setting("tolerance_pct", "2")
    assert [service.ask(read_here, tmp_path)["nth"] for _ in range(3)] == [0, 0, 0]
    with service.store.writing() as db:
        version = db.data_version()
        record(db, "account added", "Wren")  # a change that no answer of the models rests on
    assert service.ask(read_here, tmp_path)["nth"] == 1
    assert service.standing().data == version


def test_what_is_read_for_one_role_is_not_given_to_another(tmp_path):
    service = Service(tmp_path / "s.duckdb")
    with service.store.writing() as db:
        db.set_setting("tolerance_pct", "2")
    for role in ("mechanic", "manager", "mechanic"):
        found = service.asked_by(Person("x", role)).ask(read_here, tmp_path)
        assert found["role"] == role
    assert begun(tmp_path, "read") == 2
    assert service.on("2026-03-01").ask(read_here, tmp_path)["day"] == "2026-03-01"


def test_a_file_is_handed_out_as_it_is_and_not_kept(tmp_path):
    service = Service(tmp_path / "s.duckdb")
    with service.store.writing() as db:
        db.set_setting("tolerance_pct", "2")
    assert [service.ask(handed_out, tmp_path) for _ in range(2)] == [
        ["0.zip", b"PK"],
        ["1.zip", b"PK"],
    ]
    assert begun(tmp_path, "handed out") == 2


# ---- stopped -------------------------------------------------------------------------------


def test_what_is_cancelled_stops_and_asking_again_begins_anew(service, tmp_path):
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(service.ask, slow, tmp_path)
        until(lambda: begun(tmp_path, "slow"))
        process = int(next((tmp_path / "slow").iterdir()).name.split()[1])
        service.cancel(slow, tmp_path)
        with pytest.raises(UserError, match=CANCELLED):
            waiting.result(60)
    until(lambda: process not in processes())
    (tmp_path / "go slow").touch()
    assert service.ask(slow, tmp_path)["name"] == "slow"
    assert begun(tmp_path, "slow") == 2


def test_what_is_cancelled_in_the_line_is_never_begun(service, tmp_path):
    for name in ("one", "two"):
        service.later(slow, tmp_path, name)
        until(lambda name=name: begun(tmp_path, name))
    service.later(slow, tmp_path, "three")
    service.cancel(slow, tmp_path, "three")
    for name in ("one", "two"):
        (tmp_path / f"go {name}").touch()
        settled(lambda name=name: service.later(slow, tmp_path, name))
    (tmp_path / "go four").touch()
    service.ask(slow, tmp_path, "four")
    assert begun(tmp_path, "three") == 0


def test_a_process_that_died_at_work_or_idle_is_told_and_replaced(service, tmp_path, caplog):
    with caplog.at_level(logging.ERROR):
        assert settled(lambda: service.later(dying))["said"] == FAILED
    assert "dying" in caplog.text
    idle = service.ask(quick, tmp_path)["process"]
    os.kill(idle, signal.SIGKILL)
    until(lambda: not LANES["model"]._pool.active)
    assert service.ask(quick, tmp_path, "again")["process"] != idle


# ---- ahead of being asked ------------------------------------------------------------------


def test_what_is_made_ahead_is_there_when_somebody_asks(service, tmp_path):
    (tmp_path / "go slow").touch()
    service.ahead(slow, tmp_path)
    until(lambda: begun(tmp_path, "slow"))
    until(lambda: not all_jobs(LANES["long"]))
    assert service.later(slow, tmp_path)["state"] == "done"
    assert begun(tmp_path, "slow") == 1


def test_one_process_at_most_works_ahead(service, tmp_path):
    for name in ("one", "two"):
        service.ahead(slow, tmp_path, name)
    until(lambda: begun(tmp_path, "one"))
    (tmp_path / "go asked").touch()
    assert service.ask(slow, tmp_path, "asked")["name"] == "asked"
    assert begun(tmp_path, "two") == 0
    (tmp_path / "go one").touch()
    until(lambda: begun(tmp_path, "two"))


def test_work_ahead_gives_way_to_somebody_who_waits_and_is_done_afterwards(service, tmp_path):
    service.ahead(slow, tmp_path, "ahead")
    until(lambda: begun(tmp_path, "ahead"))
    service.later(slow, tmp_path, "one")
    until(lambda: begun(tmp_path, "one"))
    assert begun(tmp_path, "ahead") == 1  # a process was free
    (tmp_path / "go two").touch()
    assert service.ask(slow, tmp_path, "two")["name"] == "two"
    (tmp_path / "go one").touch()
    (tmp_path / "go ahead").touch()
    assert service.ask(slow, tmp_path, "ahead")["name"] == "ahead"
    assert begun(tmp_path, "ahead") == 2


def test_what_somebody_waits_for_meanwhile_does_not_give_way(service, tmp_path):
    service.ahead(slow, tmp_path, "ahead")
    until(lambda: begun(tmp_path, "ahead"))
    time.sleep(0.3)
    told = service.later(slow, tmp_path, "ahead")
    assert (told["state"], told["seconds"] < 0.3) == ("working", True)  # since it was asked for
    for name in ("one", "two"):
        service.later(slow, tmp_path, name)
    until(lambda: begun(tmp_path, "one") + begun(tmp_path, "two"))
    for name in ("ahead", "one", "two"):
        (tmp_path / f"go {name}").touch()
    for name in ("ahead", "one", "two"):
        settled(lambda name=name: service.later(slow, tmp_path, name))
    assert begun(tmp_path, "ahead") == 1


def test_the_process_that_keeps_the_fleet_is_not_given_up_for_it(service, tmp_path):
    """Its next answer takes less than another process would take to start and read the fleet."""
    kept = service.ask(quick, tmp_path)["process"]
    with ThreadPoolExecutor(1) as pool:
        for n in range(20):
            service.ahead(quick, tmp_path, f"ahead {n}")
        asked = pool.submit(service.ask, quick, tmp_path, "asked")
        assert asked.result(60)["process"] == kept
    until(lambda: not all_jobs(LANES["model"]))
    assert {begun(tmp_path, f"ahead {n}") for n in range(20)} == {1}


def test_what_is_made_ahead_for_data_that_have_changed_is_let_go(tmp_path):
    service = Service(tmp_path / "s.duckdb")
    with service.store.writing() as db:
        db.set_setting("tolerance_pct", "2")
    for name in ("one", "two"):
        service.ahead(slow, tmp_path, name)
    service.later(slow, tmp_path, "asked")
    until(lambda: begun(tmp_path, "one") and begun(tmp_path, "asked"))
    with service.store.writing() as db:
        db.set_setting("tolerance_pct", "1")
    PREPARE(service)
    assert [job.call.args[1] for job in all_jobs(LANES["long"])] == ["asked"]
    (tmp_path / "go asked").touch()
    until(lambda: not all_jobs(LANES["long"]))
    assert begun(tmp_path, "two") == 0


# ---- changes -------------------------------------------------------------------------------


def test_a_change_that_was_begun_tells_how_far_it_is_to_who_began_it_alone(service, tmp_path):
    mine = service.asked_by(MECHANIC)
    ticket = mine.begin(brought_in, [("a.csv", b"1"), ("b.csv", b"2")], tmp_path)
    until(lambda: mine.progress(brought_in, ticket)["said"] == "read 2")
    assert service.work()["now"] == "brought_in"
    assert service.work()["text"] == "read 2"
    assert service.is_working()
    for other in (service.asked_by(HERE), service.asked_by(Person("Ed", "mechanic"))):
        with pytest.raises(UserError, match="begin it again"):
            other.progress(brought_in, ticket)
    with pytest.raises(UserError, match="begin it again"):
        mine.progress(slow, ticket)
    (tmp_path / "go").touch()
    told = settled(lambda: mine.progress(brought_in, ticket))
    assert told["document"] == {"files": ["a.csv", "b.csv"]}
    assert service.settled()
    ended = service.work()["ended"]["brought_in"]
    assert (ended["count"], ended["answer"], ended["failure"]) == (1, told["document"], None)
    assert service.work() | {"ended": {}} == {"now": None, "text": "", "waiting": 0, "ended": {}}


def test_changes_are_made_one_after_the_other_and_a_failure_does_not_stop_the_line(
    service, tmp_path, caplog
):
    first = service.begin(brought_in, [("a.csv", b"")], tmp_path)
    until(lambda: begun(tmp_path, "brought in"))
    bad = service.begin(brought_in, None, tmp_path)
    last = service.begin(brought_in, [("c.csv", b"")], tmp_path)
    assert service.work()["waiting"] == 2
    (tmp_path / "go").touch()
    assert settled(lambda: service.progress(brought_in, last))["document"] == {"files": ["c.csv"]}
    assert settled(lambda: service.progress(brought_in, bad))["said"] == FAILED
    assert "TypeError" in caplog.text
    assert settled(lambda: service.progress(brought_in, first))["state"] == "done"
    assert service.settled()
    assert service.work()["ended"]["brought_in"]["count"] == 3


def test_what_was_brought_in_is_not_held_once_it_is_in(service, tmp_path):
    (tmp_path / "go").touch()
    ticket = service.begin(brought_in, [("a.csv", b"x" * 1000)], tmp_path)
    settled(lambda: service.progress(brought_in, ticket))
    assert service.settled()
    assert [job.call.args for job in service._shared.jobs.values()] == [()]


def test_fits_that_wait_are_one(service, tmp_path):
    service.begin(brought_in, [], tmp_path)
    until(lambda: begun(tmp_path, "brought in"))
    tickets = [service.begin(run.refit), service.begin(run.refit_when_quiet)]
    service.begin(brought_in, [], tmp_path)
    tickets.append(service.begin(run.refit))
    _, waiting = LANES["records"].jobs()
    assert [job.call.question for job in waiting] == ["brought_in", "refit"]
    (tmp_path / "go").touch()
    questions = (run.refit, run.refit_when_quiet, run.refit)
    told = [
        settled(lambda q=question, t=ticket: service.progress(q, t))
        for question, ticket in zip(questions, tickets, strict=True)
    ]
    assert service.settled()
    assert [one["state"] for one in told] == ["failed"] * 3  # there is no store
    assert {one["said"] for one in told} == {service.work()["ended"]["refit"]["failure"]}
    assert service.work()["ended"]["refit"]["count"] == 1
    assert "refit_when_quiet" not in service.work()["ended"]


def test_work_of_another_store_is_not_told(service, tmp_path):
    service.begin(brought_in, [], tmp_path)
    other = Service(tmp_path / "other.duckdb")
    until(lambda: begun(tmp_path, "brought in"))
    assert service.is_working()
    assert not other.is_working()
    assert other.work()["now"] is None
    (tmp_path / "go").touch()
    assert service.settled()


def test_whoever_waits_when_the_server_stops_is_told(service, tmp_path):
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(service.ask, slow, tmp_path)
        until(lambda: begun(tmp_path, "slow"))
        before = processes()
        LANES["long"].stop()
        with pytest.raises(UserError, match=CANCELLED):
            waiting.result(60)
    assert len(before - processes()) == 2
