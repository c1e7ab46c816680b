"""Signing in: who gets in, for how long, and what the server hands to whom."""

import re
import shutil
from datetime import UTC, datetime, timedelta

import pytest

from dashboard.navigation import find_pages
from dashboard.security import People
from dashboard.security.people import IDLE, LAST, LONGEST, SignInError
from dashboard.service import Service
from dashboard.web import server
from dashboard.web.app import create_app
from ingest.admin import passwords, signing_keys
from ingest.admin.people import AccountError
from ingest.admin.secrets import secret_file
from ingest.schema import UserError
from ingest.store import Store, StoreError, changes
from models import run
from models.run import Fleet
from tests.dashboard.browsing import serving
from tests.dashboard.people import NAMES, ROLES, WORDS, Caller, add_accounts, make_store

pytestmark = pytest.mark.usefixtures("cheap_hashes")


@pytest.fixture(scope="module")
def team(fitted_people_store, tmp_path_factory):
    """A fitted store with one account a role; tests that change it copy it."""
    return shutil.copy(fitted_people_store, tmp_path_factory.mktemp("team") / "team.duckdb")


@pytest.fixture
def store(team, tmp_path):
    return shutil.copy(team, tmp_path / "team.duckdb")


@pytest.fixture(scope="module")
def address(team):
    with serving(Service(team)) as found:
        yield found


class Clock:
    def __init__(self):
        self.now = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)

    def __call__(self):
        return self.now

    def passes(self, **time):
        self.now += timedelta(**time)


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def people(store, clock):
    return People(Service(store), clock=clock)


def sign_in(people, role="mechanic", address="192.0.2.1"):
    return people.sign_in(NAMES[role], f"{WORDS} {role}", address=address)


# ---- the sign-in page ----------------------------------------------------------------------


def test_every_way_in_but_the_sign_in_page_is_closed(address):
    caller = Caller(address)
    status, _, headers = caller.ask("/meter/K1?as_of=2026-03-02")
    assert (status, headers["Location"]) == (303, "/sign-in?next=/meter/K1%3Fas_of%3D2026-03-02")
    for path in ("/_dash-layout", "/_dash-dependencies"):
        assert caller.ask(path)[0] == 401
    status, text = caller.page("/")
    assert (status, text) == (401, "Sign in first.\n")
    assert caller.ask("/anything", b"{}")[0] == 401
    assert caller.ask("/sign-in")[0] == 200
    assert caller.ask("/assets/base/base.css")[0] == 200


def test_signing_in_goes_on_to_where_one_wanted_to_go(address):
    caller = Caller(address)
    status, _, headers = caller.sign_in("Ada", f"{WORDS} owner", "/meter/K1?as_of=2026-03-02")
    assert (status, headers["Location"]) == (303, "/meter/K1?as_of=2026-03-02")
    assert caller.ask("/")[0] == 200
    assert caller.ask("/sign-in")[0] == 303


@pytest.mark.parametrize(
    "onward",
    [
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "/a\r\nX: y",
        "sign",
        "/sign-in",
    ],
)
def test_nobody_is_sent_elsewhere_after_signing_in(address, onward):
    _, _, headers = Caller(address).sign_in("Ada", f"{WORDS} owner", onward)
    assert headers["Location"] == "/"


def test_cookie_is_kept_from_scripts_and_other_sites(address):
    _, _, headers = Caller(address).sign_in("Ada", f"{WORDS} owner")
    cookie = headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Path=/" in cookie
    assert "Secure" not in cookie  # plain http: it would not be sent back


def test_cookie_is_secure_where_https_brought_the_request(store):
    app = create_app(Service(store))
    form = {"name": "Ada", "password": f"{WORDS} owner", "next": "/"}
    answer = app.server.test_client().post("/sign-in", base_url="https://localhost", data=form)
    assert answer.status_code == 303
    assert "Secure" in answer.headers["Set-Cookie"]


def test_word_of_https_counts_only_from_the_proxy_that_was_named(store):
    for behind, secure in (("127.0.0.1", True), (None, False)):
        with serving(Service(store), behind=behind) as address:
            caller = Caller(address)
            form = f"name=Ada&password={WORDS.replace(' ', '+')}+owner".encode()
            _, _, headers = caller.ask(
                "/sign-in",
                form,
                kind="application/x-www-form-urlencoded",
                X_Forwarded_Proto="https",
            )
            assert ("Secure" in headers["Set-Cookie"]) is secure


@pytest.mark.parametrize(
    ("name", "password"),
    [("Ada", "wrong"), ("ada", f"{WORDS} owner"), ("Nobody", WORDS), ("", ""), ("Ada", "x" * 9999)],
)
def test_wrong_name_and_wrong_password_are_told_alike(address, name, password):
    status, text, headers = Caller(address).sign_in(name, password)
    assert status == 401
    assert "Name and password do not fit together." in text
    assert "Set-Cookie" not in headers


def test_what_was_typed_is_shown_again_as_text_only(address):
    _, text, _ = Caller(address).sign_in('"><script>alert(1)</script>', "x")
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text


def test_sign_in_from_another_sites_page_is_refused(address):
    form = b"name=Ada&password=x"
    kind = "application/x-www-form-urlencoded"
    for header in ({"Origin": "http://evil.example"}, {"Sec_Fetch_Site": "cross-site"}):
        assert Caller(address).ask("/sign-in", form, kind=kind, **header)[0] == 403
        assert Caller(address).ask("/sign-out", b"", kind=kind, **header)[0] == 403


def test_policy_names_the_sign_in_pages_script(address):
    import base64
    import hashlib

    _, text, headers = Caller(address).ask("/sign-in")
    (script,) = re.findall(r"<script>(.*?)</script>", text, re.S)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"'sha256-{digest}'" in headers["Content-Security-Policy"]
    assert headers["Cache-Control"] == "no-store"


# ---- how long a sign-in lasts --------------------------------------------------------------


def test_signing_out_ends_the_sign_in_and_every_copy_of_it(store):
    with serving(Service(store)) as address:
        caller = Caller(address).as_role("mechanic")
        copied = caller.cookie
        assert caller.page("/")[0] == 200
        assert caller.ask("/sign-out", b"")[0] == 303
        caller.cookie = copied
        assert caller.page("/")[0] == 401


def test_idle_sign_in_ends_and_a_used_one_goes_on(people, clock):
    token = sign_in(people)
    clock.passes(seconds=IDLE.total_seconds() - 1)
    person, renewed = people.signed_in(token)
    assert (person.name, person.role) == ("Mo", "mechanic")
    clock.passes(seconds=2)
    assert people.signed_in(token) is None
    assert people.signed_in(renewed)[0].name == "Mo"


def test_token_is_renewed_once_a_minute_not_at_every_request(people, clock):
    token = sign_in(people)
    assert people.signed_in(token)[1] is None
    clock.passes(seconds=61)
    assert people.signed_in(token)[1] not in (None, token)


def used_for(people, clock, token, span, *, every):
    """Use a sign-in again and again; how long it held."""
    begun = clock.now
    while clock.now - begun < span:
        found = people.signed_in(token)
        if found is None:
            return clock.now - begun
        token = found[1] or token
        clock.passes(seconds=every.total_seconds())
    return span


def test_nobody_at_work_is_cut_off_at_the_longest_time(people, clock):
    token = sign_in(people)
    held = used_for(people, clock, token, LONGEST + timedelta(hours=3), every=timedelta(minutes=20))
    assert held == LONGEST + timedelta(hours=3)


def test_sign_in_past_the_longest_time_ends_with_the_next_pause_and_at_last_for_good(people, clock):
    token = sign_in(people)
    held = used_for(people, clock, token, timedelta(days=9), every=timedelta(hours=1))
    assert LONGEST <= held <= LONGEST + timedelta(hours=2)
    token = sign_in(people)
    held = used_for(people, clock, token, timedelta(days=9), every=timedelta(minutes=20))
    assert LAST <= held <= LAST + timedelta(minutes=40)


@pytest.mark.parametrize(
    "change",
    [
        lambda store: run.set_account_enabled(Fleet.at(store), "Mo", enabled=False),
        lambda store: run.set_account_role(Fleet.at(store), "Mo", "coach"),
        lambda store: run.set_account_password(
            Fleet.at(store), "Mo", "another horse, another battery"
        ),
    ],
)
def test_disabled_or_changed_account_is_signed_out_at_once(store, change):
    with serving(Service(store)) as address:
        caller = Caller(address).as_role("mechanic")
        assert caller.page("/")[0] == 200
        change(store)
        assert caller.page("/")[0] == 401


def test_disabled_account_cannot_sign_in_until_it_is_enabled(store, people):
    run.set_account_enabled(Fleet.at(store), "Mo", enabled=False)
    with pytest.raises(SignInError, match="do not fit"):
        sign_in(people)
    run.set_account_enabled(Fleet.at(store), "Mo", enabled=True)
    assert sign_in(people)


def test_forged_and_damaged_tokens_are_worth_nothing(people, tmp_path, team):
    token = sign_in(people)
    other = People(Service(shutil.copy(team, tmp_path / "other.duckdb")), clock=people._clock)
    for forged in (None, "", "x", token[:-2] + "xx", "." + token, sign_in(other), "é" * 50):
        assert people.signed_in(forged) is None


def test_keys_lie_beside_the_store_are_the_owners_alone_and_are_renewed(people, clock, store):
    token = sign_in(people)
    file = secret_file(Store(store))
    assert file.stat().st_mode & 0o077 == 0
    before = signing_keys(Store(store), now=clock.now)
    clock.passes(days=31)
    after = signing_keys(Store(store), now=clock.now)
    assert (len(before), after[0], len(after)) == (1, before[0], 2)
    clock.passes(days=-31)
    assert people.signed_in(token)  # a sign-in made with the key before runs on until it ends
    file.chmod(0o644)
    with pytest.raises(StoreError, match="others can read"):
        signing_keys(Store(store))


def test_copy_of_the_store_carries_no_key(people, store):
    sign_in(people)
    for key in signing_keys(Store(store)):
        assert key.encode() not in store.read_bytes()


# ---- tries that fail ------------------------------------------------------------------------


def fail(people, times, name="Mo", address="192.0.2.1"):
    for _ in range(times):
        with pytest.raises(SignInError):
            people.sign_in(name, "wrong", address=address)


def test_failures_make_one_wait_ever_longer_and_the_right_password_too(people, clock):
    fail(people, 5)
    with pytest.raises(SignInError, match="Wait 15 s") as refused:
        sign_in(people)
    assert refused.value.wait_s == 15
    clock.passes(seconds=15)
    fail(people, 1)
    with pytest.raises(SignInError, match="Wait 30 s"):
        sign_in(people)
    clock.passes(seconds=30)
    assert sign_in(people)
    fail(people, 4)
    assert sign_in(people)  # signing in wipes the slate


def test_nobody_can_shut_a_colleague_out_from_elsewhere(people):
    fail(people, 5, address="198.51.100.9")
    assert sign_in(people, address="192.0.2.1")


def test_one_machine_cannot_try_many_names(people):
    for n in range(20):
        fail(people, 1, name=f"name {n}", address="198.51.100.9")
    with pytest.raises(SignInError, match="Wait"):
        sign_in(people, address="198.51.100.9")
    assert sign_in(people, address="192.0.2.1")


def test_many_machines_cannot_try_one_name_for_ever(people):
    for n in range(50):
        fail(people, 1, address=f"198.51.100.{n}")
    with pytest.raises(SignInError, match="Wait"):
        sign_in(people, address="203.0.113.5")


def test_throttled_sign_in_says_how_long(store):
    client = create_app(Service(store)).server.test_client()
    for _ in range(5):
        assert client.post("/sign-in", data={"name": "Mo", "password": "no"}).status_code == 401
    answer = client.post("/sign-in", data={"name": "Mo", "password": f"{WORDS} mechanic"})
    assert answer.status_code == 429
    assert answer.headers["Retry-After"] == "15"
    assert "Wait 15 s" in answer.text


# ---- passwords and accounts -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("password", "said"),
    [
        ("short", "5 characters, expected 12 to 256"),
        ("x" * 300, "expected 12 to 256"),
        ("aaaaaaaaaaaaaaaa", "repeats itself"),
        ("123456789012345", "repeats itself"),
        ("ilse-marie-vda", "little more than"),
        ("slopewatch2026", "little more than"),
    ],
)
def test_weak_passwords_are_refused_with_what_is_expected(password, said):
    with pytest.raises(passwords.PasswordError, match=said):
        passwords.hashed(password, name="ilse-marie-vda")


def test_hash_is_argon2id_and_salted():
    first, second = (passwords.hashed(WORDS, name="Ada") for _ in range(2))
    assert first.startswith("$argon2id$")
    assert first != second
    assert passwords.fits(first, WORDS)
    assert not passwords.fits(first, WORDS + " ")


def test_accounts_are_refused_in_words(store):
    with pytest.raises(AccountError, match="there is an account"):
        run.add_account(Fleet.at(store), "Mo", WORDS, role="owner")
    with pytest.raises(AccountError, match="expected one of: mechanic"):
        run.add_account(Fleet.at(store), "New", WORDS, role="boss")
    with pytest.raises(AccountError, match="as a name"):
        run.add_account(Fleet.at(store), " ", WORDS, role="owner")
    with pytest.raises(AccountError, match=r'no account "Nobody"\. There are: Ada, Cleo'):
        run.set_account_enabled(Fleet.at(store), "Nobody", enabled=False)


def test_accounts_are_recorded_without_any_secret(store):
    run.set_account_role(Fleet.at(store), "Mo", "manager")
    row = changes(Store(store)).row(0, named=True)
    assert (row["what"], row["subject"]) == ("account role", "Mo")
    assert '"mechanic"' in row["before"]
    assert '"manager"' in row["after"]
    assert "argon2" not in str(changes(Store(store)).to_dicts())


def test_exports_carry_no_account(store, tmp_path):
    from ingest.store import export_tables

    for form in ("csv", "parquet", "xlsx"):
        files = export_tables(Store(store), tmp_path / form, form)
        assert not [file for file in files if "account" in file.name]
        assert not any(b"argon2" in file.read_bytes() for file in files)


# ---- beyond this machine --------------------------------------------------------------------


def test_other_address_is_served_only_once_someone_can_sign_in(team, tmp_path, monkeypatch):
    served = []

    class Listener:
        effective_port = 8550

        def run(self):
            served.append(True)

        def close(self):
            pass

    monkeypatch.setattr(server, "listen", lambda *_args, **_named: Listener())
    said = []
    server.serve(team, host="192.0.2.7", port=0, say=said.append, behind="127.0.0.1")
    assert served
    with pytest.raises(UserError, match="in the clear: give a certificate"):
        server.serve(team, host="192.0.2.7", port=0, say=said.append)
    everyone_out = shutil.copy(team, tmp_path / "out.duckdb")
    for name in NAMES.values():
        run.set_account_enabled(Fleet.at(everyone_out), name, enabled=False)
    with pytest.raises(UserError, match="account add"):
        server.serve(everyone_out, host="192.0.2.7", port=0, say=said.append, behind="127.0.0.1")
    empty = tmp_path / "none.duckdb"
    with pytest.raises(UserError, match="account add"):
        server.serve(empty, host="127.0.0.1", port=0, say=said.append, behind="127.0.0.1")


def test_served_to_others_it_answers_to_numbers_and_its_names_only(store):
    hosts = [server.ANY_ADDRESS, "bench.team.example"]
    client = create_app(Service(store), hosts=hosts).server.test_client()
    for host in ("192.0.2.7:8550", "[2001:db8::7]:80", "bench.team.example", "localhost"):
        assert client.get("/sign-in", headers={"Host": host}).status_code == 200
    assert client.get("/sign-in", headers={"Host": "evil.example"}).status_code == 421


# ---- who is given what ----------------------------------------------------------------------


@pytest.mark.parametrize("role", ROLES)
def test_fleet_is_answered_to_each_role_with_what_is_theirs(address, role):
    status, text = Caller(address).as_role(role).page("/")
    assert status == 200
    assert "K1" in text
    assert ("K2" in text) is (role != "coach")
    assert ("R2" in text) is (role != "coach")


def test_coach_cannot_open_another_coachs_meter(address):
    caller = Caller(address).as_role("coach")
    assert "S1" in caller.page("/meter/K1")[1]
    status, text = caller.page("/meter/K2")
    assert status == 200
    assert "is not among your riders" in text
    assert "S2" not in text
    assert "S2" in Caller(address).as_role("mechanic").page("/meter/K2")[1]


def test_role_is_checked_in_callbacks_too_not_only_where_pages_are_drawn(address):
    ask = {
        "inputs": {"meter-sessions.selectedRows": [{"session_id": "S2"}]},
        "state": {"place.pathname": "/meter/K2"},
        "changed": "meter-sessions.selectedRows",
    }
    status, text = Caller(address).as_role("owner").call(["meter-session.children"], **ask)
    assert status == 200
    assert "S2" in text
    status, text = Caller(address).as_role("coach").call(["meter-session.children"], **ask)
    assert "S2" not in text
    assert "is not among your riders" in text


def test_unknown_address_is_closed_even_to_those_signed_in(store):
    app = create_app(Service(store))
    app.server.add_url_rule("/forgotten", "forgotten", lambda: "secret")
    client = app.server.test_client()
    assert client.get("/forgotten").status_code == 303
    client.post("/sign-in", data={"name": "Ada", "password": f"{WORDS} owner"})
    answer = client.get("/forgotten")
    assert (answer.status_code, "secret" in answer.text) == (403, False)


def test_shell_says_who_is_signed_in(address):
    text = Caller(address).as_role("coach").ask("/_dash-layout")[1]
    assert "Cleo" in text
    assert "Sign out" in text


def test_without_accounts_this_machine_needs_no_sign_in(tmp_path):
    store = make_store(tmp_path, fit=False)
    with serving(Service(store)) as address:
        caller = Caller(address)
        assert caller.ask("/")[0] == 200
        assert "Sign out" not in caller.ask("/_dash-layout")[1]
        add_accounts(store)  # from now on, without a restart
        assert caller.ask("/")[0] == 303


@pytest.mark.parametrize("role", ROLES)
def test_every_page_is_drawn_for_those_who_may_open_it_and_for_nobody_else(address, role):
    caller = Caller(address).as_role(role)
    stands_for = {"<meter_id>": "K1", "<rider_id>": "R1", "<week>": "2026-03-02"}
    for page in find_pages():
        path = page.path
        for name, value in stands_for.items():
            path = path.replace(name, value)
        status, text = caller.page(path)
        assert status == 200
        closed = f"not open to a {role}" in text or f"not open to an {role}" in text
        assert closed is (role not in page.roles), path
        for sign in ("cannot be drawn just now", "cannot be checked for"):
            assert sign not in text, f"{path} for a {role}"
        if role == "coach":
            assert "K2" not in text, path
            assert "R2" not in text, path


@pytest.mark.parametrize("role", ["mechanic", "manager"])
def test_effort_of_a_rider_is_nowhere_on_the_pages_of_those_whom_it_does_not_concern(address, role):
    caller = Caller(address).as_role(role)
    for page in find_pages():
        path = page.path.replace("<meter_id>", "K1").replace("<rider_id>", "R1")
        _, text = caller.page(path.replace("<week>", "2026-03-02"))
        said = re.findall(r'"([^"]*)"', text)
        assert not [words for words in said if re.search(r"(?<![\d.#])312(?![\d.])", words)], path
