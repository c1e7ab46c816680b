"""Who is answered, who is refused, and what the browser is told to keep to itself."""

import re
import urllib.request

import pytest

from dashboard.security.people import IDLE
from dashboard.web import server
from dashboard.web.app import create_app
from ingest.schema import UserError
from tests.dashboard.browsing import serving
from tests.dashboard.fake import BrokenData, FakeData

PAGE_REQUEST = {
    "output": "..page.children...page-title.data...shell-nav.children...shell-notice.children..",
    "outputs": [
        {"id": "page", "property": "children"},
        {"id": "page-title", "property": "data"},
        {"id": "shell-nav", "property": "children"},
        {"id": "shell-notice", "property": "children"},
    ],
    "inputs": [
        {"id": "place", "property": "pathname", "value": "/"},
        {"id": "place", "property": "search", "value": ""},
    ],
    "changedPropIds": ["place.pathname"],
}
CALLBACK = "/_dash-update-component"


@pytest.fixture(scope="module")
def client():
    return create_app(FakeData(5)).server.test_client()


def test_page_request_of_the_own_page_is_answered(client):
    answer = client.post(CALLBACK, json=PAGE_REQUEST, headers={"Origin": "http://localhost"})
    assert answer.status_code == 200
    assert "the bench now." in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:9999"},
        {"Origin": "https://localhost"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "http://evil.example", "Sec-Fetch-Site": "same-origin"},
    ],
)
def test_forged_post_is_refused(client, headers):
    answer = client.post(CALLBACK, json=PAGE_REQUEST, headers=headers)
    assert answer.status_code == 403
    assert "another site" in answer.text


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "192.0.2.7:80", "[::"])
def test_foreign_name_that_resolves_to_this_machine_is_refused(client, host):
    assert client.get("/", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost:8550", "127.0.0.1:8550", "[::1]:8550", "LOCALHOST"])
def test_loopback_names_are_answered_on_any_port(client, host):
    assert client.get("/", headers={"Host": host}).status_code == 200


def test_further_names_are_answered_only_when_given():
    app = create_app(FakeData(1), hosts=["bench.team.example"])
    named = app.server.test_client().get("/", headers={"Host": "bench.team.example"})
    assert named.status_code == 200


def test_oversized_upload_is_refused_with_a_sentence(client):
    body = b"x" * (server.UPLOAD_LIMIT_MB * server.MEGABYTE + 1)
    answer = client.post(CALLBACK, data=body, content_type="application/json")
    assert answer.status_code == 413
    assert f"More than {server.UPLOAD_LIMIT_MB} MB" in answer.text


@pytest.mark.parametrize(
    "path", ["/", "/meter/X", "/_dash-layout", "/assets/base/base.css", "/%00"]
)
def test_every_answer_carries_the_security_headers(client, path):
    with client.get(path) as answer:
        headers = answer.headers
    for name in (
        "Content-Security-Policy",
        "X-Content-Type-Options",
        "X-Frame-Options",
        "Referrer-Policy",
        "Cross-Origin-Opener-Policy",
        "Permissions-Policy",
    ):
        assert headers.get(name), name


def test_content_policy_allows_no_foreign_and_no_evaluated_code(client):
    policy = dict(
        part.split(" ", 1)
        for part in client.get("/").headers["Content-Security-Policy"].split("; ")
    )
    assert policy["default-src"] == policy["connect-src"] == "'self'"
    assert "unsafe" not in policy["script-src"]
    assert policy["frame-ancestors"] == policy["object-src"] == "'none'"
    assert "http" not in " ".join(policy.values())


def test_every_inline_script_is_named_in_the_policy(client):
    import base64
    import hashlib

    page = client.get("/")
    scripts = re.findall(r"<script(?![^>]*(?:src|json))[^>]*>(.*?)</script>", page.text, re.S)
    assert scripts
    for script in scripts:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in page.headers["Content-Security-Policy"]


def test_page_names_no_other_machine_to_load_from(client):
    page = client.get("/").text
    assert not re.findall(r"""(?:src|href)=["'](?:https?:)?//""", page)


def test_personal_data_is_not_kept_by_the_browser(client):
    assert client.get("/_dash-layout").headers["Cache-Control"] == "no-store"
    with client.get("/assets/base/base.css") as answer:
        assert answer.headers["Cache-Control"] != "no-store"


def test_cookies_are_kept_from_other_sites():
    config = create_app(FakeData(1)).server.config
    assert config["SESSION_COOKIE_SAMESITE"] == "Strict"
    assert config["SESSION_COOKIE_HTTPONLY"] is True


def test_no_traceback_reaches_the_user(caplog):
    client = create_app(BrokenData(1)).server.test_client()
    answer = client.post(CALLBACK, json=PAGE_REQUEST)
    assert "cannot be drawn" in answer.text
    assert "Traceback" not in answer.text
    assert "secret" not in answer.text
    nonsense = client.post(CALLBACK, data=b"{", content_type="application/json")
    assert nonsense.status_code in (400, 500)
    assert "Traceback" not in nonsense.text


def test_unforeseen_failure_is_one_sentence(caplog):
    app = create_app(FakeData(1))

    @app.server.route("/failing")
    def failing():
        raise ZeroDivisionError("secret")

    answer = app.server.test_client().get("/failing")
    assert answer.status_code == 500
    assert answer.text.startswith("Something went wrong")
    assert "secret" not in answer.text
    assert "ZeroDivisionError" in caplog.text


def test_no_door_for_other_programs_is_opened():
    paths = {str(rule) for rule in create_app(FakeData(1)).server.url_map.iter_rules()}
    assert not [path for path in paths if "mcp" in path]


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "::", "bench.team.example"])
def test_address_that_others_can_reach_is_refused(tmp_path, host):
    with pytest.raises(UserError, match="personal data"):
        server.serve(tmp_path / "s.duckdb", host=host, port=0, say=lambda _text: None)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.8.8", "::1", "localhost"])
def test_loopback_addresses(host):
    assert server.is_loopback(host)


def test_served_page_answers_and_a_taken_port_is_an_error():
    with serving(FakeData(3)) as address:
        with urllib.request.urlopen(address, timeout=30) as answer:
            assert answer.status == 200
            assert "Slopewatch" in answer.read().decode()
            assert not answer.headers.get("Server")
        taken = int(address.rpartition(":")[2])
        with pytest.raises(OSError, match="in use"):
            server.listen(create_app(FakeData(1)), host="127.0.0.1", port=taken)
    with pytest.raises(OSError, match="refused"):
        urllib.request.urlopen(address, timeout=30)


def test_what_the_bench_keeps_without_a_network_may_serve_every_page_as_long_as_a_sign_in(client):
    with client.get("/assets/base/worker.js") as answer:
        assert answer.headers["Service-Worker-Allowed"] == "/"
        assert f"LONGEST_MS = {int(1000 * IDLE.total_seconds())};" in answer.text
    shell = client.get("/").text
    assert "worker.js" not in shell  # it runs beside the pages
    frame = client.get("/bench/alone")
    assert frame.headers["Cache-Control"] == "no-store"
    assert all(f"/assets/bench/{name}.js?alone=" in frame.text for name in ("page", "alone"))
