"""A second step: no password alone gets in where a code is asked for, no code counts twice."""

import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

import pyotp
import pytest

from dashboard.cli import main
from dashboard.security import People
from dashboard.security.people import CodeAskedError, SignInError
from dashboard.service import Service
from ingest.admin import ask_for_code, step_of, take_code
from ingest.admin.second_step import STEP_S
from ingest.store import Store, changes
from tests.dashboard.browsing import serving
from tests.dashboard.people import NAMES, WORDS, Caller

pytestmark = pytest.mark.usefixtures("cheap_hashes")
FORM = "application/x-www-form-urlencoded"
OWNER, PASSWORD = NAMES["owner"], f"{WORDS} owner"
SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"  # RFC 6238, appendix B: "12345678901234567890"


@pytest.fixture
def store(people_store: Path, tmp_path: Path) -> Store:
    return Store(shutil.copy(people_store, tmp_path / "team.duckdb"))


@pytest.fixture
def address(store: Store) -> Iterator[str]:
    with serving(Service(store.path)) as found:
        yield found


def sent(caller: Caller, path: str, **fields: str) -> tuple[int, str]:
    return caller.ask(path, urlencode(fields).encode(), kind=FORM)[:2]


def hidden(text: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]+)"', text)
    assert found is not None, text
    return found[1]


def code_of(secret: str, *, later: int = 0) -> str:
    return str(pyotp.TOTP(secret).at(int(datetime.now(UTC).timestamp()) + later * STEP_S))


@pytest.mark.parametrize(
    ("at", "code"), [(59, "287082"), (1111111109, "081804"), (20000000000, "353130")]
)
def test_codes_are_those_of_the_standard(at: int, code: str) -> None:
    """Source: RFC 6238, appendix B, SHA-1, the last six of its eight digits."""
    assert step_of(SECRET, code, now=datetime.fromtimestamp(at, UTC)) == at // STEP_S
    assert step_of(SECRET, code, now=datetime.fromtimestamp(at + 3 * STEP_S, UTC)) is None


def test_an_owner_switches_it_on_signs_in_with_it_and_off(address: str, store: Store) -> None:
    owner = Caller(address).as_role("owner")
    offered = sent(owner, "/account/code/new")[1]
    assert "<svg" in offered
    secret = re.search(r"<code>([A-Z2-7 ]{39})</code>", offered)
    assert secret is not None
    secret_text, mark = secret[1].replace(" ", ""), hidden(offered, "mark")
    on = {"mark": mark, "now": PASSWORD, "code": code_of(secret_text, later=-1)}
    assert sent(owner, "/account/code/on", **(on | {"code": "000000"}))[0] == 422
    assert sent(owner, "/account/code/on", **(on | {"now": "wrong"}))[0] == 422
    status, text = sent(owner, "/account/code/on", **on)
    recovery = re.findall(r"<li><code>([^<]+)</code>", text)
    assert (status, len(set(recovery))) == (200, 10)
    assert owner.page("/")[0] == 401  # earlier sign-ins have ended

    nobody = Caller(address)
    status, text, _ = nobody.sign_in(OWNER, PASSWORD)
    assert (status, nobody.cookie) == (200, None)
    first = hidden(text, "first")
    assert sent(nobody, "/sign-in", first=first, code=on["code"])[0] == 401  # counts once
    assert sent(nobody, "/sign-in", first=first[:-2] + "xx", code=code_of(secret_text))[0] == 401
    assert sent(nobody, "/sign-in", first=first, code=code_of(secret_text))[0] == 303
    assert nobody.page("/")[0] == 200
    off = {"now": PASSWORD, "code": recovery[3]}
    assert sent(nobody, "/account/code/off", **(off | {"code": "ABCD-EFGH-IJKL-MNOP"}))[0] == 422
    assert sent(nobody, "/account/code/off", **off)[0] == 303
    assert Caller(address).sign_in(OWNER, PASSWORD)[0] == 303
    told = changes(store).filter(changes(store)["what"] == "account code")
    assert told["who"].unique().to_list() == [OWNER]
    assert secret_text not in str(told.rows())


def test_recovery_codes_count_once_and_codes_are_not_tried_at_will(store: Store) -> None:
    people = People(Service(store.path))
    codes = ask_for_code(store, OWNER, SECRET, step=1)
    first = ""

    def tried(code: str) -> str:
        try:
            people.sign_in_with_code(first, code, address="192.0.2.1")
        except SignInError as refused:
            return "wait" if refused.wait_s else "wrong"
        return "in"

    with pytest.raises(CodeAskedError) as asked:
        people.sign_in(OWNER, PASSWORD, address="192.0.2.1")
    first = asked.value.first
    assert [tried(codes[0].lower().replace("-", " ")), tried(codes[0])] == ["in", "wrong"]
    with pytest.raises(CodeAskedError):  # the right password again brings no new tries
        people.sign_in(OWNER, PASSWORD, address="192.0.2.1")
    assert [tried("000000") for _ in range(4)] == ["wrong"] * 3 + ["wait"]
    assert not take_code(store, "Mo", "", now=datetime.now(UTC))


def test_who_runs_the_machine_helps_without_phone_and_codes(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    ask_for_code(store, OWNER, SECRET, step=1)
    people = People(Service(store.path))
    token = people.reset_token(OWNER)
    people.reset(token, "seven quiet otters sleep")
    with pytest.raises(CodeAskedError):  # a reset link does not do without the second step
        people.sign_in(OWNER, "seven quiet otters sleep", address="192.0.2.1")
    assert main(["account", "no-code", OWNER, "--store", str(store.path)]) == 0
    assert people.sign_in(OWNER, "seven quiet otters sleep", address="192.0.2.1")
