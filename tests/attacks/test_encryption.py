"""Outside of this machine nothing is said in the clear, and the server encrypts by itself."""

import http.client
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.service import Service
from dashboard.web import server
from dashboard.web.app import create_app
from dashboard.web.tls import tls_context
from ingest.admin import make_certificate
from ingest.schema import UserError
from tests.dashboard.people import NAMES, WORDS

pytestmark = pytest.mark.usefixtures("cheap_hashes")


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for this machine and its key."""
    folder = tmp_path_factory.mktemp("tls")
    _, cert, key, _ = make_certificate(["localhost", "127.0.0.1"], folder, now=datetime.now(UTC))
    return cert, key


@pytest.fixture(scope="module")
def port(people_store: Path, pair: tuple[Path, Path]) -> Iterator[int]:
    app = create_app(Service(people_store))
    listener = server.listen(app, host="127.0.0.1", port=0, tls=tls_context(*pair))
    thread = threading.Thread(target=listener.run, daemon=True)
    thread.start()
    yield int(listener.effective_port)
    server.stop(listener)
    thread.join(timeout=30)
    listener.task_dispatcher.shutdown()


def line(port: int, pair: tuple[Path, Path]) -> http.client.HTTPSConnection:
    trusting = ssl.create_default_context(cafile=str(pair[0].with_name("team-root.crt")))
    return http.client.HTTPSConnection("localhost", port, timeout=20, context=trusting)


def test_pages_cookies_and_large_answers_come_encrypted(port: int, pair: tuple[Path, Path]) -> None:
    asking = line(port, pair)
    asking.request("GET", "/sign-in")
    answer = asking.getresponse()
    assert answer.status == 200
    assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"
    answer.read()
    form = f"name={NAMES['owner']}&password={WORDS} owner".replace(" ", "+")
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    asking.request("POST", "/sign-in", form, kind | {"Origin": f"https://localhost:{port}"})
    answer = asking.getresponse()
    assert answer.status == 303
    cookies = [value for name, value in answer.headers.items() if name == "Set-Cookie"]
    assert len(cookies) == 2
    assert all("Secure" in cookie for cookie in cookies)
    answer.read()
    signed_in = {"Cookie": "; ".join(cookie.split(";")[0] for cookie in cookies)}
    asking.request("GET", "/download/store", headers=signed_in)
    answer = asking.getresponse()
    assert answer.status == 200
    assert len(answer.read()) > 1_000_000
    body = b'{"rows": "' + b"x" * 2_000_000 + b'"}'
    asking.request("POST", "/bench/judge", body, signed_in | {"Content-Type": "application/json"})
    assert asking.getresponse().status == 422
    asking.close()


def test_many_at_once_are_answered(port: int, pair: tuple[Path, Path]) -> None:
    found: list[int] = []

    def ask() -> None:
        asking = line(port, pair)
        for _ in range(3):
            asking.request("GET", "/assets/base/base.css")
            answer = asking.getresponse()
            answer.read()
            found.append(answer.status)
        asking.close()

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [200] * 24


def test_whoever_speaks_in_the_clear_or_not_at_all_is_let_go(
    port: int, pair: tuple[Path, Path]
) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=10) as plain:
        plain.sendall(b"GET /sign-in HTTP/1.1\r\nHost: localhost\r\n\r\n")
        with suppress(ConnectionResetError):
            assert not plain.recv(1000).startswith(b"HTTP")
    with socket.create_connection(("127.0.0.1", port)):
        asking = line(port, pair)
        asking.request("GET", "/sign-in")
        assert asking.getresponse().status == 200
        asking.close()


def test_what_is_no_certificate_is_said(pair: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "no.pem").write_text("nothing")
    for cert, key in ((tmp_path / "gone.pem", pair[1]), (pair[0], tmp_path / "no.pem")):
        with pytest.raises(UserError, match="cannot be used as certificate and key"):
            tls_context(cert, key)


def test_what_ran_out_is_said(tmp_path: Path) -> None:
    before = datetime.now(UTC) - timedelta(days=900)
    _, cert, key, _ = make_certificate(["localhost"], tmp_path, now=before)
    with pytest.raises(UserError, match=r"ran out on .* make the next one"):
        tls_context(cert, key)


def test_in_the_clear_nothing_is_served_to_others(people_store: Path) -> None:
    for host in ("0.0.0.0", "192.0.2.7", "::"):
        with pytest.raises(UserError, match="in the clear: give a certificate"):
            server.serve(people_store, host=host, port=0, say=pytest.fail)
