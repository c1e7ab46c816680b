"""What many ask for at once is made once; what failed is tried again; the oldest answer goes."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from dashboard.service import Slots


def test_it_is_made_once_for_all_who_ask_meanwhile():
    slots, made, together = Slots(4), [], threading.Barrier(6)

    def make():
        made.append(1)
        time.sleep(0.05)
        return object()

    def ask(_):
        together.wait(10)
        return slots.get("page", make)

    with ThreadPoolExecutor(6) as pool:
        answers = set(pool.map(ask, range(6)))
    assert len(answers) == len(made) == 1


def test_a_failure_is_not_kept_and_the_oldest_goes():
    slots = Slots(2)
    with pytest.raises(ZeroDivisionError):
        slots.get("a", lambda: 1 // 0)
    assert [slots.get(key, lambda key=key: key.upper()) for key in "abc"] == ["A", "B", "C"]
    assert slots.get("a", lambda: "made anew") == "made anew"
    slots.clear()
    assert slots.get("a", lambda: "and again") == "and again"
