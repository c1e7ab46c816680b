"""Every question has been decided about, and the guard keeps to what was decided."""

import inspect
import pkgutil
from datetime import date
from importlib import import_module

import polars as pl
import pytest

from dashboard.navigation import find_pages
from dashboard.security import Guarded, RefusedError, Scope, rights
from dashboard.security.trimming import trimmed
from ingest.schema import UserError
from ingest.store import Store, acting, changes, record
from models import run
from models.run import EVERYONE, HERE, OWNER, Person, declared
from tests.dashboard.fake_service import LIVE, FakeService
from tests.dashboard.security.writers import writers

OWN = Scope(frozenset({"A1", "A2"}), frozenset({"R1"}))
LEG = "one_sided"  # the kind of the reason that tells what a rider's legs show
COMMAND_LINE_ONLY = {
    "back_up": "writes into a folder of this machine",
    "back_up_today": "writes into a folder of this machine",
    "diagnose": "writes into a folder of this machine",
    "build_demo": "makes the demo's store before anything is served",
    "correct_recordings": "reads and writes folders of this machine",
    "load_folders": "reads folders of this machine",
    "match_files": "reads files of this machine",
    "set_setting": "what everybody's answers rest on is set by whoever runs the machine",
    "settings": "what everybody's answers rest on is set by whoever runs the machine",
    "write_rider": "writes into a folder of this machine",
    "write_set_aside": "writes into a folder of this machine",
    "write_tables": "writes into a folder of this machine",
}
KEEP_AN_ANSWER = {
    "hindcast": "takes minutes, so the store keeps it until its data change",
    "preview_files": "takes back what it tried",
}


def functions():
    """Every function that models.run shows to others, by its name."""
    shown = {name: getattr(run, name) for name in run.__all__}
    return {name: found for name, found in shown.items() if inspect.isfunction(found)}


def of_a_fleet():
    """Those of them that are asked of a fleet."""
    return {
        name: function
        for name, function in functions().items()
        if (first := next(iter(inspect.signature(function).parameters.values()), None)) is not None
        and first.annotation in ("Fleet", run.Fleet)
    }


def questions():
    """What is declared of each question, by its name."""
    return {name: about for name, f in functions().items() if (about := declared(f)) is not None}


# ---- what was decided ----------------------------------------------------------------------


def test_whatever_can_be_asked_of_a_fleet_is_declared_or_for_the_command_line_alone():
    undeclared = {name for name, f in of_a_fleet().items() if declared(f) is None}
    assert undeclared == set(COMMAND_LINE_ONLY), (
        "declare with @question or @change who may ask it, or say in COMMAND_LINE_ONLY why no "
        "page may: " + ", ".join(sorted(undeclared ^ set(COMMAND_LINE_ONLY)))
    )


def test_every_declared_question_is_shown_under_its_own_name_and_asked_of_a_fleet():
    for found in pkgutil.walk_packages(import_module("models.run").__path__, "models.run."):
        for function in vars(import_module(found.name)).values():
            if inspect.isfunction(function) and (about := declared(function)) is not None:
                assert getattr(run, about.name) is function, about.name
                assert about.name in of_a_fleet()
                assert about.name == function.__name__


def test_every_question_and_page_names_known_roles_and_the_owner():
    named = [about.roles for about in questions().values()]
    named += [page.roles for page in find_pages()] + list(rights.ROUTES.values())
    for roles in named:
        assert roles <= EVERYONE
        assert OWNER in roles


def test_whatever_writes_to_a_store_is_declared_as_a_change():
    known = writers()
    assert ("models.run.intake_questions", "remove_rider") in known
    for name, function in of_a_fleet().items():
        about = declared(function)
        if (function.__module__, name) in known and about is not None:
            assert about.recorded or name in KEEP_AN_ANSWER, f"{name} writes: use @change"


def test_whatever_is_called_like_a_change_is_declared_as_one():
    verbs = (
        *("load", "save", "correct", "dismiss", "undo", "remove", "confirm", "reject", "decide"),
        "accept",
        *("add", "discard", "keep", "pin", "enter", "record", "delete", "move", "set", "refit"),
    )
    for name, about in questions().items():
        if name.split("_")[0] in verbs and name != "set_aside" and name != "set_aside_file":
            assert about.recorded, f"{name} changes something: declare it with @change"


def test_no_change_is_kept_as_an_answer_or_made_where_answers_are():
    for name, about in questions().items():
        if about.recorded:
            assert about.place in ("here", "records"), name
            assert not about.by_fit, name
            assert about.roles != EVERYONE, name
        else:
            assert about.place != "records", name
            assert about.then is None, name


def test_while_there_are_no_accounts_this_machine_may_do_everything_but_make_some():
    closed = {name for name, about in questions().items() if not about.allows(HERE)}
    assert closed == {name for name, about in questions().items() if about.by_name}
    assert closed == {name for name in questions() if "account" in name and name != "accounts"}
    assert all(rights.may_open(HERE, page) for page in find_pages())


def test_only_an_owner_has_to_do_with_accounts_changes_and_whole_stores():
    owners = {name for name, about in questions().items() if about.roles == {OWNER}}
    assert owners >= {
        *("accounts", "add_account", "set_account_role", "set_account_enabled"),
        *("set_account_password", "changes", "find_changes", "remove_rider"),
        *("store_file", "tables_file", "set_aside_file"),
    }


def test_who_may_load_what_is_not_wider_than_who_may_load():
    everything = set(Person("x", OWNER).tables)
    for role in EVERYONE:
        person = Person("x", role)
        assert set(person.tables) <= everything
        assert bool(person.tables) is questions()["load_files"].allows(person)


# ---- the guard ------------------------------------------------------------------------------


class Door(FakeService):
    """A service whose answers are known, and who asks it."""

    def __init__(self, folder=None):
        self.asked = []
        self.folder = folder

    @property
    def store(self):
        assert self.folder is not None, "nothing is to be written down"
        return Store(self.folder / "s.duckdb")

    def status(self):
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

    def load_files(self, files):
        self.asked.append(files)
        return {"files": []}

    def look_at_rides(self, given):
        self.asked.append(given)
        return {"recordings": [{"name": "a.fit", "mean_power_w": 212.0}]}

    def remove_rider(self, rider_id):
        self.asked.append(rider_id)
        if rider_id == "nobody":
            raise UserError("there is no such rider")
        if rider_id == "told":
            with self.store.writing() as db:
                record(db, "rider removed", "(the name is gone)")
        return {"rows_removed": 1}

    def history(self, meter_id):
        return pl.DataFrame({"meter_id": ["B1"]})

    def settings(self):
        raise AssertionError("nobody has decided about it")


def guarded(role, door=None, *, scope=OWN):
    person = Person("Ada", role, "Ada")
    return Guarded(door or Door(), lambda: person, scope=lambda _person: scope)


WAYS = {
    "ask": lambda data, question, *args: data.ask(question, *args),
    "later": lambda data, question, *args: data.later(question, *args),
    "cancel": lambda data, question, *args: data.cancel(question, *args),
    "begin": lambda data, question, *args: data.begin(question, *args),
    "progress": lambda data, question, *_args: data.progress(question, "ticket"),
    "on": lambda data, question, *args: data.on("2026-03-01").ask(question, *args),
}


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("role", sorted(EVERYONE))
def test_what_nobody_decided_about_is_refused_to_everyone(role, way):
    data = guarded(role)
    for undeclared in (run.settings, run.set_setting, run.build_demo, len, Store.backup):
        with pytest.raises(RefusedError):
            WAYS[way](data, undeclared)
        assert not data.may(undeclared)


@pytest.mark.parametrize("way", WAYS)
def test_each_question_is_refused_to_the_roles_that_may_not_ask_it(way):
    for name, about in questions().items():
        for role in EVERYONE - about.roles:
            data = guarded(role)
            with pytest.raises(RefusedError, match=f"not open to an? {role}"):
                WAYS[way](data, getattr(run, name))
            assert not data.may(getattr(run, name))


def test_whoever_is_here_changes_no_account_and_is_told_how_one_is_made():
    here = Guarded(Door(), lambda: HERE, scope=lambda _person: OWN)
    for change in (run.add_account, run.set_account_role, run.set_account_password):
        with pytest.raises(RefusedError, match="slopewatch account add NAME --role owner"):
            here.ask(change)
        assert not here.may(change)
    assert here.may(run.accounts)


def test_the_guard_has_no_way_around_it():
    """Nothing of the service is handed out but through a question or what was decided below."""
    ways = {name for name in dir(guarded("owner")) if not name.startswith("_")}
    decided = {"may", "work", "live", "answered", "answered_of_meter", "held", "converged"}
    assert ways == {*WAYS, *decided, "together", "asker"}
    with guarded("owner").together() as nothing:
        assert nothing is None
    with pytest.raises(RefusedError):
        guarded("coach").answered_of_meter("B1")  # nobody's whom this coach looks after


def test_who_may_not_write_is_refused_before_anything_happens(tmp_path):
    door = Door(tmp_path)
    for way in ("ask", "begin"):
        with pytest.raises(RefusedError, match="not open to a coach"):
            WAYS[way](guarded("coach", door), run.load_files, [("a.csv", b"")])
    assert door.asked == []
    assert not door.store.exists()
    guarded("mechanic", door).begin(run.load_files, [("a.csv", b"")])
    assert len(door.asked) == 1


def test_a_question_is_put_in_the_name_of_whoever_asks_and_from_the_day_looked_from():
    class Named(Door):
        def asked_by(self, person):
            self.asked.append(person)
            return self

    door = Named()
    guarded("mechanic", door).ask(run.status)
    assert door.asked == [Person("Ada", "mechanic", "Ada")]
    assert guarded("owner").on("2026-03-01")._as_of == "2026-03-01"


def test_coach_sees_the_own_riders_and_their_meters_only():
    for status in (
        guarded("coach").ask(run.status),
        guarded("coach").later(run.status)["document"],
    ):
        assert [row["meter_id"] for row in status["meters"]] == ["A1"]
        assert status["fleet"]["counts"] == {"ok": 1, "due": 0, "out": 0}
        assert status["references"] == [{"reference_id": "T1"}]
    assert len(guarded("mechanic").ask(run.status)["meters"]) == 3


@pytest.mark.parametrize(
    "ask",
    [
        lambda data: data.ask(run.meter, "B1"),
        lambda data: data.ask(run.meter, meter_id="B1"),
        lambda data: data.later(run.meter, "B1")["document"],
        lambda data: data.on("2026-03-01").ask(run.meter, "B1"),
    ],
)
def test_coach_cannot_name_a_meter_that_is_not_theirs(ask):
    with pytest.raises(RefusedError, match="B1 is not among your riders"):
        ask(guarded("coach"))
    assert ask(guarded("mechanic"))["meter_id"] == "B1"


def test_coach_cannot_name_one_within_what_is_asked_either():
    asked = [{"meter_id": "A1", "watts": 300.0}, {"meter_id": "B1", "watts": 310.0}]
    with pytest.raises(RefusedError, match="B1 is not among your riders"):
        guarded("coach").ask(run.effort, asked)
    with pytest.raises(RefusedError, match="R9 is not among your riders"):
        guarded("coach").ask(run.rider_file, "R9")
    with pytest.raises(RefusedError, match="R9 is not among your riders"):
        guarded("coach").ask(run.acknowledge_notice, "n1", rider_id="R9")


def test_a_coachs_plan_has_the_money_and_days_of_the_own_meters():
    """By hand: of two visits of 60 one is A1's; its share of days and risk is all that is left."""
    share = {"days_out": 3.0, "days_without_visits": 40.0}
    share |= {"risk": 27.0, "risk_without_visits": 360.0}
    plan = {
        "visits": [{"meter_id": "A1", "cost": 60.0}, {"meter_id": "B1", "cost": 60.0}],
        "shares": [share | {"meter_id": "A1"}, share | {"meter_id": "B1"}],
        "choices": [{"name": "this plan", "cash": 120.0}],
        "cost": {"currency": "EUR", "visits": 120.0, "plan": 174.0, "without_visits": 720.0},
        "days_out_of_tolerance": {"plan": 6.0, "without_visits": 80.0},
        "with_mishaps": {"days": 9.0},
    }
    coach = Person("Ada", "coach", "Ada")
    told = trimmed(plan, person=coach, about=declared(run.plan), scope=OWN)
    assert told["cost"] == {
        "currency": "EUR", "visits": 60.0, "plan": 87.0, "without_visits": 360.0
    }  # fmt: skip
    assert told["days_out_of_tolerance"]["plan"] == 3.0
    assert (told["choices"], told["with_mishaps"]) == ([], None)
    assert trimmed(plan, person=HERE, about=declared(run.plan), scope=None) == plan


@pytest.mark.parametrize(
    ("role", "sees"),
    [
        ("mechanic", {"plan", "group_warranty", "warranty", "workshops"}),
        ("coach", {"plan"}),
        ("manager", {"plan", "group_warranty", "warranty", "workshops", "budget", "policies"}),
    ],
)
def test_what_each_role_is_told_of_money(role, sees):
    """A plan tells of visits and their price to all; what a season costs is the manager's."""
    asked = ("plan", "budget", "policies", "group_warranty", "warranty", "workshops")
    person = Person(role, role, "Ada" if role == "coach" else None)
    assert {name for name in asked if declared(getattr(run, name)).allows(person)} == sees
    enters = declared(run.note_calendar).allows(person)
    assert enters == (role == "manager")


def test_coach_without_riders_sees_nothing():
    data = guarded("coach", scope=Scope(frozenset(), frozenset()))
    assert data.ask(run.status)["meters"] == []
    with pytest.raises(RefusedError):
        data.ask(run.comparisons, "A1")


def test_coach_is_not_given_what_other_riders_rode_on_a_shared_meter():
    assert [row["rider_id"] for row in guarded("coach").ask(run.comparisons, "A1")] == ["R1"]


def test_coach_is_told_of_the_own_meters_alone_what_is_being_taken_in():
    door = Door()
    door.live_now = {**LIVE, "taking_in": {"A1": "measured", "B1": "measured"}}
    assert guarded("coach", door).live()["taking_in"] == {"A1": "measured"}
    assert set(guarded("mechanic", door).live()["taking_in"]) == {"A1", "B1"}


@pytest.mark.parametrize("role", ["mechanic", "manager"])
def test_watts_are_taken_out_of_the_answers_of_those_whom_they_do_not_concern(role):
    first, second = guarded(role).ask(run.comparisons, "A1")
    assert first["mean_difference_w"] is None
    assert second["by_power_band"] == []
    assert guarded(role).later(run.comparisons, "A1")["document"][0]["mean_difference_w"] is None
    assert guarded("owner").ask(run.comparisons, "A1")[0]["mean_difference_w"] == 3.2
    assert guarded("coach").ask(run.comparisons, "A1")[0]["mean_difference_w"] == 3.2


@pytest.mark.parametrize(
    ("role", "legs", "watts"),
    [
        ("mechanic", False, False),
        ("manager", False, False),
        ("coach", True, True),
        ("owner", True, True),
    ],
)
def test_what_each_role_is_told_of_a_riders_legs_and_watts(role, legs, watts):
    """Leg balance is a rider's health: it is told to the coach and the owner, as watts are."""

    class Telling(Door):
        def status(self):
            said = {"reasons": ["out", "its rides show the legs"], "reason_kinds": ["reads", LEG]}
            return {"meters": [{"meter_id": "A1", "rider_id": "R1", **said}]}

        def handover(self, rider_id):
            row = {"meter_id": "A1", "rider_id": rider_id, "factor": 0.98, "watts": 300.0}
            return {"ledger": [row | {"rider_factor": 0.95, "rider_interval90": [0.93, 0.97]}]}

    told = guarded(role, Telling())
    [row] = told.ask(run.status)["meters"]
    assert ("legs" in " ".join(row["reasons"]), LEG in row["reason_kinds"]) == (legs, legs)
    assert row["reasons"][0] == "out"
    [factors] = told.ask(run.handover, "R1")["ledger"]
    assert factors["factor"] == 0.98
    assert (factors["rider_factor"] is not None) == legs
    assert (factors["rider_interval90"] is not None) == legs
    assert (factors["watts"] is not None) == watts


def test_watts_are_taken_out_of_what_was_begun_and_what_has_ended():
    class Doing(Door):
        def look_at_rides(self, given):
            document = super().look_at_rides(given)
            return {"state": "done", "document": document, "said": "", "seconds": 1.0}

        def work(self):
            ended = {"count": 1, "at": 0.0, "failure": None}
            aside = {"column": "watts", "found": "312", "expected": "a number"}
            return {
                "now": None,
                "text": "",
                "waiting": 0,
                "ended": {
                    "load_files": ended | {"answer": {"set_aside": [aside]}},
                    "look_at_rides": ended | {"answer": super().look_at_rides([])},
                },
            }

    for role, found in (("mechanic", None), ("owner", 212.0)):
        told = guarded(role, Doing()).progress(run.look_at_rides, "t")
        assert told["document"]["recordings"][0]["mean_power_w"] == found
    for role, found in (("mechanic", None), ("manager", None), ("owner", "312")):
        ended = guarded(role, Doing()).work()["ended"]
        assert ended["load_files"]["answer"]["set_aside"][0]["found"] == found
        assert set(ended) == {"load_files"}  # what somebody looked at is theirs alone
    with pytest.raises(RefusedError):
        guarded("coach", Doing()).work()


def test_an_answer_that_cannot_be_looked_through_is_not_handed_out():
    with pytest.raises(RefusedError, match="cannot be checked"):
        guarded("coach").ask(run.history, "A1")
    assert isinstance(guarded("owner").ask(run.history, "A1"), pl.DataFrame)


def test_dates_and_bytes_pass():
    class Dated(Door):
        def meter(self, meter_id):
            return {"meter_id": meter_id, "on": date(2026, 3, 14), "file": b"x"}

    assert guarded("coach", Dated()).ask(run.meter, "A1")["on"] == date(2026, 3, 14)


# ---- what is written down -------------------------------------------------------------------


def recorded(door):
    kept = (
        changes(door.store).select("who", "what", "subject").rows() if door.store.exists() else []
    )
    return kept


def test_a_change_is_written_down_once_in_the_name_of_whoever_made_it(tmp_path):
    door = Door(tmp_path)
    guarded("owner", door).ask(run.remove_rider, "R1")
    assert recorded(door) == [("Ada", "rider removed", "rider_id R1")]
    guarded("owner", door).ask(run.remove_rider, "told")  # which writes it down itself
    assert recorded(door)[0] == ("Ada", "rider removed", "(the name is gone)")
    assert len(recorded(door)) == 2
    guarded("mechanic", door).begin(run.load_files, [("a.csv", b"secret")])
    assert recorded(door)[0] == ("Ada", "files loaded", "a.csv")
    assert "secret" not in str(recorded(door))


def test_neither_a_question_nor_a_change_that_failed_or_was_refused_is_written_down(tmp_path):
    door = Door(tmp_path)
    guarded("owner", door).ask(run.status)
    with pytest.raises(UserError, match="no such rider"):
        guarded("owner", door).ask(run.remove_rider, "nobody")
    with pytest.raises(RefusedError):
        guarded("coach", door).ask(run.remove_rider, "R1")
    assert recorded(door) == []


def test_no_password_is_written_down(tmp_path):
    class Accounts(Door):
        def add_account(self, name, password, *, role, coach=None):
            return None

    door = Accounts(tmp_path)
    guarded("owner", door).ask(run.add_account, "Wren", "nine quiet otters", role="mechanic")
    assert recorded(door) == [("Ada", "account added", "name Wren, role mechanic")]
    with acting("Ada"):
        assert "otters" not in str(changes(door.store).rows())


# ---- addresses ------------------------------------------------------------------------------


def test_unknown_addresses_and_pages_are_closed(monkeypatch):
    owner = Person("Ada", "owner")
    assert not rights.may_fetch(owner, "/nobody-decided")
    monkeypatch.setitem(rights.ROUTES, "/record/", frozenset({"owner"}))
    monkeypatch.setitem(rights.ROUTES, "/record/label/", frozenset({"owner", "mechanic"}))
    mechanic = Person("Ilse", "mechanic")
    assert rights.may_fetch(owner, "/record/7.pdf")
    assert not rights.may_fetch(mechanic, "/record/7.pdf")
    assert rights.may_fetch(mechanic, "/record/label/7.pdf")


@pytest.mark.parametrize(
    ("role", "opens"), [("mechanic", True), ("manager", True), ("owner", True), ("coach", False)]
)
def test_who_may_read_evidence_may_take_its_paper_along(role, opens):
    """The page about a batch and its PDF are open to the same roles."""
    person = Person("x", role)
    [page] = [page for page in find_pages() if page.path.startswith("/evidence/")]
    assert rights.may_open(person, page) is rights.may_fetch(person, "/evidence.pdf") is opens


def test_a_page_that_does_not_say_who_may_open_it_is_none(monkeypatch):
    from dashboard.pages.fleet import page

    monkeypatch.delattr(page, "ROLES")
    with pytest.raises(AttributeError, match="ROLES"):
        find_pages()


def test_a_page_is_opened_by_its_roles_alone():
    for page in find_pages():
        for role in EVERYONE:
            assert rights.may_open(Person("x", role), page) is (role in page.roles)
