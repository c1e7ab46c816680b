"""Nobody who has not signed in fills the memory, holds the connections or locks others out."""

import select
import socket
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from dashboard.security import People
from dashboard.security.people import SignInError
from dashboard.service import Service
from dashboard.web import limits
from tests.dashboard.browsing import serving
from tests.dashboard.people import NAMES, WORDS, Caller

pytestmark = pytest.mark.usefixtures("cheap_hashes")


@pytest.fixture(scope="module")
def address(people_store: Path) -> Iterator[str]:
    with serving(Service(people_store)) as found:
        assert Caller(found).ask("/")[0] == 303
        yield found


def connected(address: str) -> socket.socket:
    place = urlsplit(address)
    return socket.create_connection((str(place.hostname), place.port), timeout=10)


def large(more: str = "") -> bytes:
    head = (
        "POST /_dash-update-component HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50000000\r\n"
    )
    return f"{head}Cookie: \r\n{more}\r\n".encode()


def test_large_bodies_are_refused_when_their_headers_have_come(address: str) -> None:
    for more in (b"", b"x" * 20_000):
        with connected(address) as line:
            line.sendall(large() + more)
            assert line.recv(1000).startswith(b"HTTP/1.1 413")
    with connected(address) as line:  # not even after a word of the server's
        line.sendall(large("Expect: 100-continue\r\n"))
        assert line.recv(1000).startswith(b"HTTP/1.1 413")
    with connected(address) as line:
        line.sendall(
            b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n"
            + b"4000\r\n"
            + b"x" * 0x4000
            + b"\r\n4000\r\n"
            + b"x" * 0x4000
            + b"\r\n"
        )
        assert line.recv(1000).startswith(b"HTTP/1.1 413")


def test_whoever_is_signed_in_may_send_them(address: str) -> None:
    caller = Caller(address).as_role("mechanic")
    assert caller.ask("/bench/judge", b'{"rows": "' + b"x" * 100_000 + b'"}')[0] == 422


def test_unfinished_requests_end(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "UNFINISHED_S", 0.2)
    with connected(address) as line:
        line.sendall(b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 9000\r\n\r\nx")
        ended, until = False, time.monotonic() + 8
        while not ended and time.monotonic() < until:
            try:
                line.sendall(b"x")
                line.settimeout(0.1)
                ended = line.recv(10) == b""
            except TimeoutError:
                continue
            except OSError:
                ended = True
        assert ended


def test_many_idle_connections_keep_nobody_out(address: str) -> None:
    lines = [connected(address) for _ in range(150)]
    try:
        assert Caller(address).ask("/sign-in")[0] == 200
        ended, _, _ = select.select(lines, [], [], 1)  # all at once, not one after the other
        assert sum(closed(line) for line in ended) >= 80
    finally:
        for line in lines:
            line.close()


def closed(line: socket.socket) -> bool:
    try:
        return line.recv(1) == b""
    except OSError:
        return True


class Clock:
    def __init__(self) -> None:
        self.now = datetime(2026, 3, 14, 9, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def people(people_store: Path) -> People:
    return People(Service(people_store), clock=Clock())


def tried(people: People, name: str, password: str, address: str, known: str | None = None) -> str:
    try:
        people.sign_in(name, password, address=address, known=known)
    except SignInError as refused:
        return "wait" if refused.wait_s else "wrong"
    return "in"


def test_of_sixteen_tries_at_once_no_more_get_through_than_one_after_the_other(
    people: People,
) -> None:
    outcomes: list[str] = []

    def guess() -> None:
        outcomes.append(tried(people, NAMES["owner"], "wrong", "192.0.2.1"))

    threads = [threading.Thread(target=guess) for _ in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["wait"] * 11 + ["wrong"] * 5


def test_failures_from_many_addresses_do_not_lock_out_a_known_device(people: People) -> None:
    name, words = NAMES["owner"], f"{WORDS} owner"
    assert tried(people, name, words, "198.51.100.1") == "in"
    mark = people.known_device(name)
    for n in range(60):
        tried(people, name, "wrong", f"203.0.113.{n}")
    assert tried(people, name, words, "192.0.2.9") == "wait"
    assert tried(people, name, words, "192.0.2.9", mark) == "in"
    for wrong in (people.known_device("Mo"), mark[:-2] + "xx", "", "x"):
        assert tried(people, name, words, "192.0.2.9", wrong) == "wait"
    for _ in range(5):
        tried(people, name, "wrong", "192.0.2.9", mark)
    assert tried(people, name, words, "192.0.2.9", mark) == "wait"
    people._clock.now += timedelta(days=61)  # type: ignore[attr-defined]
    for n in range(60):
        tried(people, name, "wrong", f"203.0.113.{n}")
    assert tried(people, name, words, "192.0.2.9", mark) == "wait"


def test_the_cookie_of_a_known_device_is_set(address: str) -> None:
    _, _, headers = Caller(address).sign_in(NAMES["owner"], f"{WORDS} owner")
    cookies = [value for name, value in headers.items() if name.lower() == "set-cookie"]
    [known] = [value for value in cookies if "_known=" in value]
    assert "HttpOnly" in known
    assert "SameSite=Strict" in known
