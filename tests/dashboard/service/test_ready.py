from concurrent.futures import Future
from dataclasses import replace

from dashboard.service import Service
from dashboard.service.jobs import LANES, Job
from dashboard.service.ready import Ready, State
from dashboard.service.standing import NO_STORE
from dashboard.service.worker import Call


class Line:
    """A lane that only notes what it is given."""

    def __init__(self):
        self.jobs = []

    def put(self, job):
        self.jobs.append(job)
        return job


def lanes(monkeypatch):
    for name in ("model", "model next"):
        monkeypatch.setitem(LANES, name, Line())
    return LANES["model"], LANES["model next"]


def gather(state):
    return Job(Call("a job", None, "looked_from", None, (state, None), None), answer=Future())


def test_the_fit_before_answers_until_the_new_ones_fleet_is_there(monkeypatch):
    first, other = lanes(monkeypatch)
    ready, told = Ready(), []
    old, new = State("fit 1", "as loaded"), State("fit 2", "as loaded")

    def ask(state):
        return ready.state(state, gather, lambda: told.append(state))

    assert ask(old) == old  # nothing older could answer
    assert ask(new) == old
    assert ask(new) == old
    assert (ready.lane, ready.is_waiting) == (first, True)
    assert len(other.jobs) == 1  # put together once, however many ask
    other.jobs[0].answer.set_result(None)
    assert (ready.lane, ready.is_waiting, told) == (other, False, [new])
    assert ask(new) == new
    assert first.jobs == []


def test_what_changes_beside_the_fit_counts_at_once(monkeypatch):
    lanes(monkeypatch)
    ready = Ready()
    for beside in ("tolerance 1.5", "tolerance 2.0"):
        state = State("fit 1", beside)
        assert ready.state(state, gather, lambda: None) == state
        assert not ready.is_waiting


def test_a_fleet_that_cannot_be_put_together_is_not_waited_for_again(monkeypatch):
    _, other = lanes(monkeypatch)
    ready = Ready()
    old, new = State("fit 1", ""), State("fit 2", "")
    ready.state(old, gather, lambda: None)
    ready.state(new, gather, lambda: None)
    other.jobs[0].answer.set_exception(ValueError("no memory left"))
    assert ready.state(new, gather, lambda: None) == new  # whoever asks is told what failed
    assert not ready.is_waiting


def test_the_fit_of_an_empty_store_answers_nothing(monkeypatch, tmp_path):
    lanes(monkeypatch)
    service = Service(tmp_path / "none.duckdb")
    fitted = replace(NO_STORE, fit="of nothing")
    assert service._answering(fitted) is None
    filled = replace(fitted, empty=False, fit="of meters")
    state = service._answering(filled)
    assert state is not None
    assert state.fit == "of meters"  # at once: there is no fit before to answer meanwhile
