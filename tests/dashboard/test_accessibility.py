"""Every page, light and dark, against the rules of axe-core: no serious finding.

The rules come with the development dependency axe-playwright-python and run inside the page;
nothing is fetched. They see contrast, names, roles, labels and structure; what they cannot see
(whether a sentence makes sense, whether the order is the useful one) stays for people to judge.
"""

from importlib.resources import files

import pytest

from dashboard import passwords
from dashboard.data_pages import Data
from dashboard.pages import find_pages
from tests.dashboard.conftest import serving
from tests.dashboard.fake import FakeData
from tests.dashboard.people import add_accounts, make_store

pytestmark = pytest.mark.browser
SERIOUS = ("serious", "critical")
PARAMETERS = {"meter_id": "K1", "rider_id": "R1", "week": "2026-03-02"}
SETTLED_MS = 1200  # charts and tables are drawn after the page has arrived
ASK = """async () => {
    const found = await axe.run(document, {resultTypes: ['violations']});
    return found.violations.map((v) => ({
        rule: v.id, impact: v.impact, help: v.help,
        nodes: v.nodes.slice(0, 5).map((n) => n.target.join(' ') + ' | ' + n.failureSummary),
        count: v.nodes.length,
    }));
}"""


@pytest.fixture(scope="module")
def rules():
    return (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


def address_of(path):
    for name, value in PARAMETERS.items():
        path = path.replace(f"<{name}>", value)
    assert "<" not in path, f"say in PARAMETERS what stands for the parameter of {path}"
    return path


def findings(page, rules):
    """What axe finds serious on the page that is open, in words."""
    page.wait_for_timeout(SETTLED_MS)
    page.evaluate(rules)
    return [
        f"{f['rule']} ({f['impact']}, {f['count']}×): {f['help']}\n  " + "\n  ".join(f["nodes"])
        for f in page.evaluate(ASK)
        if f["impact"] in SERIOUS
    ]


def none(found):
    assert not found, "\n" + "\n".join(found)


@pytest.fixture(scope="module")
def team(tmp_path_factory):
    folder = tmp_path_factory.mktemp("team")
    store = make_store(folder)
    (folder / "bench-more.csv").write_text(
        "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,torque_nm\n"
        "S8,K1,2026-03-09T09:00:00Z,20,17,mass,33.75\n"
    )
    data = Data(store)
    data._fit = lambda _tell: {}
    data.begin_load([("bench-more.csv", (folder / "bench-more.csv").read_bytes())])
    data.worker.wait()
    with serving(data) as address:
        yield address


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", [page.path for page in find_pages()])
def test_page_of_a_small_team(visit, team, rules, path, scheme):
    page = visit(scheme=scheme).page
    page.goto(team + address_of(path))
    page.wait_for_selector("main h1")
    none(findings(page, rules))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/", "/meter/V005"])
def test_page_of_a_fleet_with_alarms(visit, rules, path, scheme):
    with serving(FakeData()) as address:
        page = visit(scheme=scheme, width=820, height=1180).page
        page.goto(address + path)
        page.wait_for_selector("main .ag-row")
        none(findings(page, rules))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_sign_in_page_and_who_is_signed_in(visit, rules, tmp_path, monkeypatch, scheme):
    monkeypatch.setattr(passwords, "METHOD", "scrypt:1024:8:1")
    store = make_store(tmp_path, fit=False)
    add_accounts(store)
    with serving(Data(store)) as address:
        tab = visit(scheme=scheme, width=390, height=844)
        page = tab.page
        page.goto(address)
        page.fill("#name", "Mo")
        page.fill("#password", "wrong")
        page.press("#password", "Enter")
        page.wait_for_selector("[role=alert]")
        none(findings(page, rules))
        tab.complaints.clear()  # the browser notes the refused sign-in
        page.fill("#password", "correct horse battery staple mechanic")
        page.press("#password", "Enter")
        page.wait_for_selector("main h1")
        none(findings(page, rules))


def test_the_check_finds_what_it_is_for(visit, team, rules):
    page = visit().page
    page.goto(team)
    page.wait_for_selector("main h1")
    page.evaluate("document.querySelector('main').appendChild(document.createElement('button'))")
    (found,) = findings(page, rules)
    assert found.startswith("button-name (critical")
