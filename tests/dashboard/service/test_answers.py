"""What many ask for at once is made once; what failed is tried again; the oldest answer goes."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from dashboard.service import Answers


def test_it_is_made_once_for_all_who_ask_meanwhile():
    answers, made, together = Answers(4), [], threading.Barrier(6)

    def make():
        made.append(1)
        time.sleep(0.05)
        return object()

    def ask(_):
        together.wait(10)
        return answers.get("page", make)

    with ThreadPoolExecutor(6) as pool:
        found = set(pool.map(ask, range(6)))
    assert len(found) == len(made) == 1


def test_a_failure_is_not_kept_and_the_oldest_goes():
    answers = Answers(2)
    with pytest.raises(ZeroDivisionError):
        answers.get("a", lambda: 1 // 0)
    assert [answers.get(key, lambda key=key: key.upper()) for key in "abc"] == ["A", "B", "C"]
    assert answers.get("a", lambda: "made anew") == "made anew"
    answers.clear()
    assert answers.get("a", lambda: "and again") == "and again"


def test_what_changed_while_it_was_made_is_not_kept():
    answers = Answers(2)
    assert answers.get("a", lambda: "before", still=lambda: False) == "before"
    assert answers.get("a", lambda: "after", still=lambda: True) == "after"
    assert answers.get("a", lambda: "again", still=lambda: False) == "after"


def test_the_one_that_was_asked_for_longest_ago_goes():
    answers = Answers(2)
    for key in "abac":
        answers.get(key, lambda key=key: key.upper())
    assert [answers.known(key) for key in "abc"] == ["A", None, "C"]


def test_an_answer_made_elsewhere_is_kept_too():
    answers = Answers(2)
    assert answers.known("plan") is None
    answers.put("plan", {"visits": []})
    assert answers.known("plan") == {"visits": []}
    assert answers.get("plan", lambda: pytest.fail("it is known")) == {"visits": []}


def test_a_slow_answer_holds_up_nobody_who_asks_for_another():
    answers, go = Answers(4), threading.Event()
    slow = threading.Thread(target=lambda: answers.get("slow", lambda: go.wait(10)))
    slow.start()
    assert answers.get("quick", lambda: 5) == 5
    assert slow.is_alive()
    go.set()
    slow.join()
    assert answers.known("slow") is True


def test_while_one_fails_another_who_waited_for_it_tries_again():
    answers, begun, go, tries = Answers(4), threading.Event(), threading.Event(), []

    def make():
        tries.append(1)
        if len(tries) > 1:
            return "made"
        begun.set()
        assert go.wait(10)
        raise ZeroDivisionError

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(answers.get, "page", make)
        assert begun.wait(10)
        second = pool.submit(answers.get, "page", make)
        go.set()
        assert isinstance(first.exception(10), ZeroDivisionError)
        assert second.result(10) == "made"
    assert len(tries) == 2
