"""The people page: accounts changed by an owner alone, the last owner kept, changes on record."""

import csv
import io
import json
import shutil
from importlib.resources import files

import pytest

from dashboard.pages.people import changes as people_changes
from dashboard.security import Guarded, People, RefusedError
from dashboard.service import Service
from ingest.admin import accounts
from ingest.admin.people import AccountError
from ingest.schema import UserError
from ingest.store import Store, changes
from models import run
from models.run import HERE, Fleet, Person
from tests.dashboard.browsing import serving
from tests.dashboard.people import WORDS, Caller, add_accounts, make_store

SECRET = "nine quiet otters knitting"
CHANGED = [
    "people-accounts.rowData",
    "people-chosen.children",
    "people-said.children",
    "people-told.data",
]
FIELDS = (
    *("people-role-chosen.data", "people-coach.value"),
    *("people-password.value", "people-again.value"),
)
BUTTONS = ("people-give-role", "people-switch", "people-set-password")


pytestmark = pytest.mark.usefixtures("cheap_hashes")


@pytest.fixture
def store(people_store, tmp_path):
    return shutil.copy(people_store, tmp_path / "team.duckdb")


@pytest.fixture
def address(store):
    with serving(Service(store)) as found:
        yield found


def asking(store, person):
    service = Service(store)
    return Guarded(service, lambda: person, scope=People(service).scope)


def owner_of(store, name="Ada"):
    return asking(store, Person(name, "owner"))


def press(caller, button, name, **typed):
    """One button of the form that changes an account, as the page would send it."""
    inputs = {f"{one}.n_clicks": int(one == button) for one in BUTTONS}
    state = {"people-name.data": name, "people-told.data": 0}
    order = ["people-name.data", *FIELDS, "people-told.data"]
    state |= {f: typed.get(f.split("-")[1].split(".")[0]) for f in FIELDS}
    outputs = [o for o in callback_outputs(caller) if o[0].startswith("people-accounts.rowData@")]
    return caller.call(
        outputs[0],
        inputs,
        changed=f"{button}.n_clicks",
        state={key: state[key] for key in order},
    )


def callback_outputs(caller):
    """The outputs of every callback, as the server names them to the page."""
    _, text, _ = caller.ask("/_dash-dependencies")
    return [one["output"].strip(".").split("...") for one in json.loads(text) if "output" in one]


def add(caller, name, role, password, again=None):
    state = {
        "people-new-name.value": name,
        "people-new-role-chosen.data": role,
        "people-new-coach.value": "",
        "people-new-password.value": password,
        "people-new-again.value": password if again is None else again,
        "people-told.data": 0,
    }
    outputs = ["people-accounts.rowData", "people-new.children", *CHANGED[2:]]
    return caller.call(
        outputs, {"people-add.n_clicks": 1}, changed="people-add.n_clicks", state=state
    )


def kept(store):
    return {name: (a.role, a.enabled) for name, a in accounts(Store(store)).items()}


# ---- who may --------------------------------------------------------------------------------


def test_owner_adds_an_account_and_it_is_recorded_without_the_password(store, address):
    caller = Caller(address).as_role("owner")
    status, text = add(caller, "Wren", "mechanic", SECRET)
    assert status == 200
    assert "Wren can sign in now, as mechanic" in text
    assert SECRET not in text
    assert Caller(address).sign_in("Wren", SECRET)[0] == 303
    row = changes(Store(store)).row(0, named=True)
    assert (row["who"], row["what"], row["subject"]) == ("Ada", "account added", "Wren")
    assert "whose coach is Nora today" in add(caller, "Nora", "coach", SECRET)[1]
    everything = str(changes(Store(store)).rows())
    assert SECRET not in everything
    assert "argon2" not in everything


@pytest.mark.parametrize("role", ["mechanic", "coach", "manager"])
def test_nobody_but_an_owner_changes_an_account_not_even_past_the_page(store, address, role):
    caller, before = Caller(address).as_role(role), kept(store)
    recorded = changes(Store(store)).height
    for button, typed in (
        ("people-give-role", {"role": "owner"}),
        ("people-switch", {}),
        ("people-set-password", {"password": SECRET, "again": SECRET}),
    ):
        assert f"not open to a {role}" in press(caller, button, "Mo", **typed)[1]
    assert f"not open to a {role}" in add(caller, "Eve", "owner", SECRET)[1]
    chosen = "people-accounts.selectedRows"
    _, text = caller.call(["people-chosen.children"], {chosen: [{"name": "Ada"}]}, changed=chosen)
    assert f"not open to a {role}" in text
    _, text = look(caller)
    assert f"not open to a {role}" in text
    assert "account added" not in text
    assert f"not open to a {role}" in caller.page("/people")[1]
    assert '"People"' not in caller.page("/")[1]
    assert (kept(store), changes(Store(store)).height) == (before, recorded)
    assert '"People"' in Caller(address).as_role("owner").page("/")[1]


def look(caller, **asked):
    inputs = {"people-words.value": ""}
    inputs |= {f"people-{name}-chosen.data": None for name in ("who", "what", "first", "last")}
    inputs |= asked
    return caller.call(
        ["people-changes.rowData", "people-found.children"], inputs, changed="people-words.value"
    )


def test_page_makes_no_account_for_whoever_has_not_signed_in(tmp_path):
    store = make_store(tmp_path, fit=False)
    with serving(Service(store)) as address:
        caller = Caller(address)
        _, text = caller.page("/people")
        assert "whoever uses this machine may see and change everything" in text
        assert "slopewatch account add NAME --role owner" in text
        assert "people-add" not in text
        assert "Nobody is signed in here" in add(caller, "Eve", "owner", SECRET)[1]
        assert kept(store) == {}
        add_accounts(store)
        assert add(caller, "Eve", "owner", SECRET) == (401, "Sign in first.\n")
    assert "Eve" not in kept(store)


def test_whoever_is_here_is_refused_by_the_guard_and_by_nothing_else(store):
    here = asking(store, HERE)
    for ask in (
        lambda: here.ask(run.add_account, "Eve", SECRET, role="owner"),
        lambda: here.ask(run.set_account_role, "Mo", "owner"),
        lambda: here.ask(run.set_account_enabled, "Mo", enabled=False),
        lambda: here.ask(run.set_account_password, "Mo", SECRET),
    ):
        with pytest.raises(RefusedError, match="Nobody is signed in"):
            ask()
    assert here.ask(run.find_changes)["all"] == 4


# ---- changes of an account ------------------------------------------------------------------


def test_role_state_and_password_are_changed_and_end_the_sign_ins(store, address):
    owner, mechanic = Caller(address).as_role("owner"), Caller(address).as_role("mechanic")
    assert "Mo is a manager now" in press(owner, "people-give-role", "Mo", role="manager")[1]
    assert mechanic.page("/")[0] == 401
    both = {"password": SECRET, "again": SECRET}
    assert "a new password now" in press(owner, "people-set-password", "Mo", **both)[1]
    assert Caller(address).sign_in("Mo", f"{WORDS} mechanic")[0] == 401
    assert Caller(address).sign_in("Mo", SECRET)[0] == 303
    assert "cannot sign in" in press(owner, "people-switch", "Mo")[1]
    assert Caller(address).sign_in("Mo", SECRET)[0] == 401
    assert "can sign in again" in press(owner, "people-switch", "Mo")[1]
    assert kept(store)["Mo"] == ("manager", True)
    recorded = changes(Store(store)).head(4).to_dicts()
    assert {row["who"] for row in recorded} == {"Ada"}
    assert {row["what"] for row in recorded} == {
        *("account role", "account password", "account disabled", "account enabled")
    }


def test_only_owner_can_neither_be_disabled_nor_demoted_from_the_page(store, address):
    owner, before = Caller(address).as_role("owner"), kept(store)
    for button, typed in (("people-switch", {}), ("people-give-role", {"role": "coach"})):
        assert "is the only owner who can sign in" in press(owner, button, "Ada", **typed)[1]
    assert kept(store) == before
    run.set_account_role(Fleet.at(store), "Max", "owner")
    assert "cannot sign in" in press(owner, "people-switch", "Max")[1]  # one owner is left: Ada
    assert "is the only owner" in press(owner, "people-switch", "Ada")[1]
    assert "can sign in again" in press(owner, "people-switch", "Max")[1]
    assert "Ada is a coach now" in press(owner, "people-give-role", "Ada", role="coach")[1]
    assert owner.page("/people")[0] == 401


def test_two_owners_cannot_shut_each_other_out(store):
    run.set_account_role(Fleet.at(store), "Max", "owner")
    owner_of(store).ask(run.set_account_enabled, "Max", enabled=False)
    with pytest.raises(AccountError, match="only owner"):
        owner_of(store, "Max").ask(run.set_account_enabled, "Ada", enabled=False)


def test_command_line_may_shut_the_only_owner_out_and_let_them_in_again(store):
    """Whoever runs the machine must be able to stop an account whose password was taken."""
    run.set_account_enabled(Fleet.at(store), "Ada", enabled=False)
    assert kept(store)["Ada"] == ("owner", False)
    run.set_account_enabled(Fleet.at(store), "Ada", enabled=True)


@pytest.mark.parametrize(
    ("name", "role", "password", "again", "said"),
    [
        ("Wren", "mechanic", SECRET, SECRET + "x", "wo passwords are not the same"),
        ("Wren", "mechanic", "short", "short", "expected 12 to 256"),
        ("Wren", "mechanic", "slopewatch2026", "slopewatch2026", "little more than"),
        ("Mo", "mechanic", SECRET, SECRET, "is an account"),
        ("", "mechanic", SECRET, SECRET, "as a name"),
        ("Wren", None, SECRET, SECRET, "expected one of: mechanic"),
        ("Wren", "boss", SECRET, SECRET, "expected one of: mechanic"),
    ],
)
def test_what_will_not_do_is_said_and_changes_nothing(
    store, address, name, role, password, again, said
):
    before = kept(store)
    text = add(Caller(address).as_role("owner"), name, role, password, again)[1]
    assert said in text
    assert (kept(store), changes(Store(store)).height) == (before, 4)


def test_no_change_without_a_press(store, address):
    owner, before = Caller(address).as_role("owner"), kept(store)
    inputs = {f"{one}.n_clicks": 0 for one in BUTTONS}
    outputs = [o for o in callback_outputs(owner) if o[0].startswith("people-accounts.rowData@")]
    state = {"people-name.data": "Mo", **dict.fromkeys(FIELDS, ""), "people-told.data": 0}
    owner.call(outputs[0], inputs, changed="people-switch.n_clicks", state=state)
    assert kept(store) == before


# ---- the record -----------------------------------------------------------------------------


def test_changes_are_found_by_word_person_kind_and_day(store):
    owner = owner_of(store)
    owner.ask(run.set_account_role, "Mo", "manager")
    found = owner.ask(run.find_changes, "MO manager")
    assert [row["what"] for row in found["rows"]] == ["account role"]
    assert (found["found"], found["all"]) == (1, 5)
    assert "Ada" in found["who"]
    assert found["what"] == ["account added", "account role"]
    assert owner.ask(run.find_changes, who="Ada")["found"] == 1
    assert owner.ask(run.find_changes, what="account added")["found"] == 4
    by_hand = owner.ask(run.find_changes, "(", what="account added")  # "command line (…)"
    assert by_hand["found"] == 4
    today = found["rows"][0]["changed_at"][:10]
    assert owner.ask(run.find_changes, first=today, last=today)["found"] == 5
    assert owner.ask(run.find_changes, first="2999-01-01")["found"] == 0
    assert owner.ask(run.find_changes, last="2000-01-01")["found"] == 0
    few = owner.ask(run.find_changes, most=2)
    assert (len(few["rows"]), few["found"]) == (2, 5)
    assert few["rows"][0]["what"] == "account role"  # the newest first
    with pytest.raises(UserError, match="expected a day"):
        owner.ask(run.find_changes, first="soon")


def test_last_change_of_each_account_is_told(store):
    owner = owner_of(store)
    before = {row["name"]: row["changed_at"] for row in owner.ask(run.accounts)}
    owner.ask(run.set_account_role, "Mo", "manager")
    after = {row["name"]: row["changed_at"] for row in owner.ask(run.accounts)}
    assert after["Mo"] > before["Mo"]
    assert after["Ada"] == before["Ada"]


def test_file_of_changes_holds_what_matches_and_runs_no_formula(store, address):
    run.add_account(Fleet.at(store), "=1+1", SECRET, role="mechanic")
    caller = Caller(address).as_role("owner")
    state = {"people-words.value": "=1+1"}
    state |= {f"people-{name}-chosen.data": None for name in ("who", "what", "first", "last")}
    _, text = caller.call(
        ["people-file.data"], {"people-csv.n_clicks": 1}, changed="people-csv.n_clicks", state=state
    )
    file = json.loads(text)["response"]["people-file"]["data"]
    assert file["filename"] == "changes.csv"
    (row,) = csv.DictReader(io.StringIO(file["content"]))
    assert row["subject"] == "'=1+1"
    assert json.loads(row["after"])["role"] == "mechanic"


def test_what_is_on_record_reads_as_words():
    assert people_changes.in_words('{"role": "coach", "coach": null}') == "role coach"
    assert people_changes.in_words("proposed") == "proposed"
    assert people_changes.in_words(None) == ""
    assert people_changes.in_words("1.5") == "1.5"
    assert len(people_changes.in_words("x" * 5000)) < 500


# ---- in a browser ---------------------------------------------------------------------------


@pytest.mark.browser
def test_owners_whole_way(store, visit):
    from tests.dashboard.web.test_accessibility import findings, none

    rules = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
    with serving(Service(store)) as address:
        page = visit(width=820, height=1180).page
        page.goto(f"{address}/people")
        page.fill("#name", "Ada")
        page.fill("#password", f"{WORDS} owner")
        page.press("#password", "Enter")
        page.wait_for_selector("#people-accounts .ag-row")
        page.click("summary:has-text('Add an account')")
        page.fill("#people-new-name", "Wren")
        page.select_option("#people-new-role", "mechanic")
        page.fill("#people-new-password", SECRET)
        page.fill("#people-new-again", SECRET)
        page.click("#people-add")
        page.wait_for_selector("#people-said:has-text('Wren can sign in now')")
        assert page.input_value("#people-new-password") == ""
        page.wait_for_selector("#people-changes .ag-row:has-text('Wren')")
        page.click("#people-accounts .ag-row:has-text('Wren')")
        page.wait_for_selector("#people-switch")
        none(findings(page, rules))
        page.click("#people-switch")
        page.wait_for_selector("#people-accounts .ag-row:has-text('disabled')")
        page.select_option("#people-what", "account disabled")
        page.wait_for_selector("#people-found:has-text('1 of 6 changes')")
        page.click("#people-changes .ag-row")
        page.wait_for_selector("#people-change:has-text('state disabled')")
        page.fill("#people-first", "2999-01-01")
        page.wait_for_selector("#people-found:has-text('0 of 6 changes')")
        for width in (390, 820, 1440):
            page.set_viewport_size({"width": width, "height": 900})
            assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert kept(store)["Wren"] == ("mechanic", False)
