"""One's own password, open sign-ins and reset links: each does what it says, for nobody else."""

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest
from werkzeug.security import generate_password_hash

from dashboard.cli import main
from dashboard.service import Service
from ingest.admin import fits, hashed, passwords, set_password
from ingest.store import Store, changes
from tests.dashboard.browsing import serving
from tests.dashboard.people import NAMES, WORDS, Caller

pytestmark = pytest.mark.usefixtures("cheap_hashes")
FORM = "application/x-www-form-urlencoded"
NEW = "seven quiet otters sleep"


@pytest.fixture
def store(people_store: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(people_store, tmp_path / "team.duckdb"))


@pytest.fixture
def address(store: Path) -> Iterator[str]:
    with serving(Service(store)) as found:
        yield found


def sent(caller: Caller, path: str, **fields: str) -> tuple[int, str]:
    return caller.ask(path, urlencode(fields).encode(), kind=FORM)[:2]


def marks(caller: Caller) -> list[str]:
    return re.findall(r'name="mark" value="([0-9a-f]{16})"', caller.ask("/account")[1])


def test_everyone_changes_the_own_password_knowing_the_present_one(
    address: str, store: Path
) -> None:
    caller, other = (Caller(address).as_role("mechanic") for _ in range(2))
    status, text = sent(caller, "/account/password", before="wrong", after=NEW)
    assert (status, "present password is another" in text) == (422, True)
    before = f"{WORDS} mechanic"
    status, text = sent(caller, "/account/password", before=before, after="short")
    assert (status, "expected 12 to 256" in text) == (422, True)
    assert sent(caller, "/account/password", before=before, after=NEW)[0] == 303
    assert other.page("/")[0] == 401
    assert Caller(address).sign_in(NAMES["mechanic"], before)[0] == 401
    assert Caller(address).sign_in(NAMES["mechanic"], NEW)[0] == 303
    last = changes(Store(store)).row(0, named=True)
    assert (last["who"], last["what"]) == (NAMES["mechanic"], "account password")
    assert NEW not in str(changes(Store(store)).rows())


def test_the_present_password_cannot_be_guessed_here(address: str) -> None:
    caller = Caller(address).as_role("mechanic")
    codes = [sent(caller, "/account/password", before=f"no {n}", after=NEW)[1] for n in range(7)]
    assert ["Wait" in text for text in codes] == [False] * 5 + [True] * 2


def test_open_sign_ins_are_listed_and_ended(address: str) -> None:
    here, there = (Caller(address).as_role("mechanic") for _ in range(2))
    owner = Caller(address).as_role("owner")
    for caller in (there, here):
        assert caller.page("/")[0] == 200
    assert (len(marks(here)), len(marks(owner))) == (2, 3)
    assert NAMES["owner"] not in here.ask("/account")[1]
    [foreign] = set(marks(owner)) - set(marks(here))
    sent(here, "/account/end", mark=foreign)
    assert owner.page("/")[0] == 200
    assert sent(here, "/account/end", mark=marks(here)[1])[0] == 303
    assert (here.page("/")[0], there.page("/")[0]) == (200, 401)
    sent(owner, "/account/end", mark=marks(here)[0])
    assert here.page("/")[0] == 401


def test_a_reset_link_works_once_and_owners_alone_make_one(address: str, store: Path) -> None:
    mechanic = Caller(address).as_role("mechanic")
    assert sent(mechanic, "/account/link", of=NAMES["owner"])[0] == 403
    owner = Caller(address).as_role("owner")
    text = sent(owner, "/account/link", of=NAMES["coach"])[1]
    found = re.search(r"(/reset/[^<]+)</code>", text)
    assert found is not None
    nobody, link = Caller(address), found[1]
    assert NAMES["coach"] in nobody.ask(link)[1]
    assert sent(nobody, link, after="short")[0] == 422
    assert sent(nobody, link, after=NEW)[0] == 303
    assert nobody.sign_in(NAMES["coach"], NEW)[0] == 303
    for again in (link, link[:-3] + "abc", "/reset/x"):
        assert nobody.ask(again)[0] == 410
        assert sent(nobody, again, after=NEW)[0] == 410
    last = changes(Store(store)).row(0, named=True)
    assert last["who"] == f"{NAMES['coach']} (by a reset link)"


def test_nobody_opens_the_page_without_signing_in(address: str) -> None:
    nobody = Caller(address)
    assert nobody.ask("/account")[0] == 303
    for path in ("/account/password", "/account/end", "/account/link"):
        assert sent(nobody, path)[0] == 401


def test_hashes_from_before_are_read_still(store: Path) -> None:
    old = generate_password_hash(NEW, method="scrypt:1024:8:1")
    assert fits(old, NEW)
    assert not fits(old, NEW + "x")
    set_password(Store(store), NAMES["owner"], old)
    with serving(Service(store)) as address:
        assert Caller(address).sign_in(NAMES["owner"], NEW)[0] == 303


def test_hashes_take_the_memory_that_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    assert hashed(NEW, name="Mo").startswith("$argon2id$v=19$m=")
    assert passwords.PasswordHasher().type.name == "ID"


def test_a_coach_without_riders_is_told_so(
    store: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("dashboard.cli.accounts.asked_password", lambda: NEW)
    add = ["account", "add", "--role", "coach", "--store", str(store)]
    assert main([*add, "Nora"]) == 0
    assert "names nobody whose coach is Nora today" in capsys.readouterr().err
    assert main([*add, "Cleo-2", "--coach", "Cleo"]) == 0
    assert "names nobody" not in capsys.readouterr().err
