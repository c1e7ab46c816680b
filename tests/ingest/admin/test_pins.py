"""Pins of the plan: kept in the store, written down among the changes, no reason for a new fit."""

from datetime import date

from ingest.admin import move_pins, pins
from ingest.store import Store, changes

MONDAY, THURSDAY, NEXT = date(2026, 3, 2), date(2026, 3, 5), date(2026, 3, 9)


def test_any_day_stands_for_its_week_and_a_pin_can_move_and_go(tmp_path):
    store = Store(tmp_path / "s.duckdb")
    assert pins(store) == {}
    move_pins(store, "A1", to=[THURSDAY])
    move_pins(store, "B1", to=[NEXT])
    assert pins(store) == {"A1": (MONDAY,), "B1": (NEXT,)}
    move_pins(store, "A1", away=[MONDAY], to=[NEXT])
    assert pins(store)["A1"] == (NEXT,)
    move_pins(store, "A1", away=[NEXT])
    assert pins(store) == {"B1": (NEXT,)}


def test_pinning_twice_keeps_one_pin_and_records_one_change(tmp_path):
    store = Store(tmp_path / "s.duckdb")
    move_pins(store, "A1", to=[MONDAY])
    version = None
    with store.reading() as db:
        version = db.data_version()
    move_pins(store, "A1", to=[THURSDAY])
    move_pins(store, "A1", to=[NEXT])
    assert pins(store) == {"A1": (MONDAY, NEXT)}
    said = changes(store).filter(what="visits pinned")
    assert said["after"].to_list() == ['["2026-03-02", "2026-03-09"]', '["2026-03-02"]']
    with store.reading() as db:
        assert db.data_version() == version  # a fit stays as fresh as it was
