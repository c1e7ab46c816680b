"""Every question of the door has been decided about, and the guard keeps to what was decided."""

import inspect
from datetime import date

import polars as pl
import pytest

from dashboard.navigation import find_pages
from dashboard.security import EVERYONE, HERE, RIGHTS, Guarded, Person, RefusedError, Scope, rights
from dashboard.security.rights import PAGES
from dashboard.service import Data

OWN = Scope(frozenset({"A1", "A2"}), frozenset({"R1"}))


def public_methods():
    return {
        name for name, _ in inspect.getmembers(Data, inspect.isfunction) if not name.startswith("_")
    }


def test_every_method_of_the_door_has_its_line():
    missing = public_methods() - set(RIGHTS)
    assert not missing, (
        f"say in dashboard/security/rights.py who may call: {', '.join(sorted(missing))}"
    )


def test_no_line_is_left_of_a_method_that_is_gone():
    assert set(RIGHTS) <= public_methods()


def test_every_page_has_its_line():
    assert {page.path for page in find_pages()} == set(PAGES)


def test_every_line_names_known_roles_and_the_owner():
    for roles in [*(right.roles for right in RIGHTS.values()), *PAGES.values()]:
        assert roles <= EVERYONE
        assert rights.OWNER in roles


def test_whatever_is_called_like_a_change_is_declared_as_one():
    verbs = (
        *(
            "load",
            "save",
            "correct",
            "dismiss",
            "undo",
            "remove",
            "confirm",
            "reject",
            "set_setting",
        ),
        *("add", "discard", "keep", "pin", "enter", "record", "delete"),
    )
    for name, right in RIGHTS.items():
        if name.split("_")[0] in verbs or name in verbs:
            assert right.change, f"{name} changes something: declare it with write()"


# ---- the guard ------------------------------------------------------------------------------


class Door:
    """A door whose answers are known."""

    secret = "not for pages"

    def __init__(self):
        self.asked = []

    def status(self, as_of=None):
        return {
            "meters": [
                {"meter_id": "A1", "rider_id": "R1", "status": "ok"},
                {"meter_id": "A2", "rider_id": "R9", "status": "due"},
                {"meter_id": "B1", "rider_id": "R9", "status": "out"},
            ],
            "references": [{"reference_id": "T1"}],
            "fleet": {"counts": {"ok": 1, "due": 1, "out": 1}},
        }

    def meter(self, meter_id):
        return {"meter_id": meter_id, "rider_id": None}

    def comparisons(self, meter_id):
        mine = {"meter_id": meter_id, "rider_id": "R1", "mean_difference_w": 3.2}
        return [mine, {"meter_id": meter_id, "rider_id": "R9", "by_power_band": [{"watts": 280}]}]

    def begin_load(self, files):
        self.asked.append(files)
        return {"files": []}

    def history(self, meter_id, as_of=None):
        return pl.DataFrame({"meter_id": ["B1"]})

    def undecided(self):
        return "secret"


def guarded(role, door=None):
    person = Person("Ada", role, "Ada")
    return Guarded(door or Door(), lambda: person, scope=lambda _person: OWN)


@pytest.mark.parametrize("role", sorted(EVERYONE))
def test_what_nobody_decided_about_is_refused_to_everyone(role):
    with pytest.raises(RefusedError):
        guarded(role).undecided()


def test_what_is_no_question_is_not_handed_out():
    for name in ("secret", "asked", "_data"):
        if name != "_data":
            with pytest.raises(AttributeError):
                getattr(guarded("owner"), name)
    with pytest.raises(AttributeError):
        guarded("owner")._store  # noqa: B018


def test_who_may_not_write_is_refused_before_anything_happens(monkeypatch):
    monkeypatch.setitem(RIGHTS, "begin_load", rights.write("files loaded", "mechanic"))
    door = Door()
    with pytest.raises(RefusedError, match="not open to a manager"):
        guarded("manager", door).begin_load([])
    assert door.asked == []
    guarded("mechanic", door).begin_load([("a.csv", b"")])
    assert len(door.asked) == 1


def test_coach_sees_the_own_riders_and_their_meters_only():
    status = guarded("coach").status()
    assert [row["meter_id"] for row in status["meters"]] == ["A1"]
    assert status["fleet"]["counts"] == {"ok": 1, "due": 0, "out": 0}
    assert status["references"] == [{"reference_id": "T1"}]
    assert len(guarded("mechanic").status()["meters"]) == 3


@pytest.mark.parametrize("ask", [lambda d: d.meter("B1"), lambda d: d.meter(meter_id="B1")])
def test_coach_cannot_name_a_meter_that_is_not_theirs(ask):
    with pytest.raises(RefusedError, match="B1"):
        ask(guarded("coach"))
    assert ask(guarded("mechanic"))["meter_id"] == "B1"


def test_coach_without_riders_sees_nothing():
    nobody = Scope(frozenset(), frozenset())
    door = Guarded(Door(), lambda: Person("New", "coach", "New"), scope=lambda _person: nobody)
    assert door.status()["meters"] == []
    with pytest.raises(RefusedError):
        door.comparisons("A1")


def test_coach_is_not_given_what_other_riders_rode_on_a_shared_meter():
    assert [row["rider_id"] for row in guarded("coach").comparisons("A1")] == ["R1"]


@pytest.mark.parametrize("role", ["mechanic", "manager"])
def test_watts_are_taken_out_of_the_answers_of_those_whom_they_do_not_concern(role):
    first, second = guarded(role).comparisons("A1")
    assert first["mean_difference_w"] is None
    assert second["by_power_band"] == []
    assert guarded("owner").comparisons("A1")[0]["mean_difference_w"] == 3.2
    assert guarded("coach").comparisons("A1")[0]["mean_difference_w"] == 3.2


def test_an_answer_that_cannot_be_looked_through_is_not_handed_out():
    with pytest.raises(RefusedError, match="cannot be checked"):
        guarded("coach").history("A1")
    assert isinstance(guarded("owner").history("A1"), pl.DataFrame)


def test_dates_and_bytes_pass(monkeypatch):
    class Dated(Door):
        def meter(self, meter_id):
            return {"meter_id": meter_id, "on": date(2026, 3, 14), "file": b"x"}

    assert guarded("coach", Dated()).meter("A1")["on"] == date(2026, 3, 14)


def test_while_there_are_no_accounts_this_machine_may_do_everything_but_make_some():
    closed = {name for name, right in RIGHTS.items() if not right.allows(HERE)}
    assert closed == {name for name, right in RIGHTS.items() if right.by_name}
    assert all("account" in name for name in closed)
    assert all(rights.may_open(HERE, page) for page in PAGES)


def test_unknown_addresses_and_pages_are_closed(monkeypatch):
    owner = Person("Ada", "owner")
    assert not rights.may_open(owner, "/nobody-decided")
    assert not rights.may_fetch(owner, "/nobody-decided")
    monkeypatch.setitem(rights.ROUTES, "/record/", frozenset({"owner"}))
    monkeypatch.setitem(rights.ROUTES, "/record/label/", frozenset({"owner", "mechanic"}))
    mechanic = Person("Ilse", "mechanic")
    assert rights.may_fetch(owner, "/record/7.pdf")
    assert not rights.may_fetch(mechanic, "/record/7.pdf")
    assert rights.may_fetch(mechanic, "/record/label/7.pdf")
