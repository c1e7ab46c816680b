"""Every page, empty and filled, light and dark, against the rules of axe-core: no serious finding.

The rules come with the development dependency axe-playwright-python and run inside the page;
nothing is fetched. They see contrast, names, roles, labels and structure; what they cannot see
(whether a sentence makes sense, whether the order is the useful one) stays for people to judge.
"""

from datetime import date
from importlib.resources import files

import pytest

from dashboard.navigation import find_pages
from dashboard.service import Service
from models import run
from tests.dashboard.browsing import opened, serving, until
from tests.dashboard.fake import FakeData
from tests.dashboard.filled import FILLED
from tests.dashboard.people import make_store

pytestmark = pytest.mark.browser
SERIOUS = ("serious", "critical")
PARAMETERS = {"meter_id": "K1", "name": "crank_spider", "rider_id": "R1", "week": "2026-03-02"}
SCHEMES = {"light", "dark"}
EVERYTHING, COLOURS = {}, {"runOnly": ["color-contrast", "link-in-text-block"]}
"""Names, roles and structure are the same in both schemes: the second is asked about colours."""
ASK = """async (rules) => {
    const found = await axe.run(document, {resultTypes: ['violations'], ...rules});
    return found.violations.map((v) => ({
        rule: v.id, impact: v.impact, help: v.help,
        nodes: v.nodes.slice(0, 5).map((n) => n.target.join(' ') + ' | ' + n.failureSummary),
        count: v.nodes.length,
    }));
}"""
SETTLED = """(() => {
    const seen = (n) => Array.from(document.querySelectorAll(n)).filter((e) => e.offsetParent);
    return !document.querySelector('[data-dash-is-loading]')
        && seen('.progress').every((line) => !line.textContent)
        && seen('.ag-root').every((table) => table.querySelector('.ag-row, .ag-overlay'))
        && seen('.dash-graph').every((chart) => chart.querySelector('.main-svg'));
})()"""
"""Whether all that a page waits for is there: answers, rows of tables, charts."""
OPEN_ALL = "document.querySelectorAll('main details').forEach((part) => { part.open = true; })"
INK = """(() => {
    const text = document.querySelector('.main-svg text');
    return text ? getComputedStyle(text).fill : '';
})()"""


@pytest.fixture(scope="module")
def rules():
    return (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


def address_of(path):
    for name, value in PARAMETERS.items():
        path = path.replace(f"<{name}>", value)
    assert "<" not in path, f"say in PARAMETERS what stands for the parameter of {path}"
    return path


def findings(page, rules):
    """What axe finds serious on the page that is open, light and dark, in words.

    The colour scheme that the page is in comes first, and it stays in the other.
    """
    until(page, SETTLED)
    page.evaluate(OPEN_ALL)
    if not page.evaluate("'axe' in window"):
        page.evaluate(rules)
    first = scheme_of(page)
    found = [*serious(page, first, EVERYTHING)]
    (second,) = SCHEMES - {first}
    dress(page, second)
    return [*found, *serious(page, second, COLOURS)]


def serious(page, scheme, chosen):
    """What some of the rules find serious on the page as it is."""
    for found in page.evaluate(ASK, chosen):
        if found["impact"] in SERIOUS:
            head = f"{scheme}: {found['rule']} ({found['impact']}, {found['count']}×)"
            yield "\n  ".join((f"{head}: {found['help']}", *found["nodes"]))


def scheme_of(page):
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    return "dark" if dark else "light"


def dress(page, scheme):
    """The page in a colour scheme, its charts too, which are drawn again for it."""
    before = page.evaluate(INK)
    page.emulate_media(color_scheme=scheme)
    if before:
        until(page, f"{INK} !== '{before}'")


def none(found):
    assert not found, "\n" + "\n".join(found)


@pytest.fixture(scope="module")
def team(tmp_path_factory):
    folder = tmp_path_factory.mktemp("team")
    with serving(Service(make_store(folder))) as address:
        yield address


@pytest.fixture(scope="module")
def filled(whole):
    whole.ask(run.move_visit, "M0003", to=date(2024, 9, 2))
    with serving(whole) as address:
        yield address


def test_pages_of_a_small_team(visit, team, rules):
    page = visit().page
    found = []
    for path in (page.path for page in find_pages()):
        opened(page, team, address_of(path))
        found += [f"{path}, {one}" for one in findings(page, rules)]
    none(found)


def test_pages_as_they_are_worked_with(visit, filled, rules):
    page = visit().page
    paths = [page.path for page in find_pages()]
    assert set(paths) <= set(FILLED), "say in tests/dashboard/filled.py what fills each page"
    found = []
    for path in paths:
        address, fill = FILLED[path]
        opened(page, filled, address)
        states = [findings(page, rules) for _ in fill(page)]
        assert states, path
        found += [f"{path}, {one}" for state in states for one in state]
    none(found)


def test_pages_of_a_fleet_with_alarms(visit, rules):
    with serving(FakeData()) as address:
        page = visit(width=820, height=1180).page
        for path in ("/", "/meter/V005"):
            page.goto(address + path)
            page.wait_for_selector("main .ag-row")
            none(findings(page, rules))


def test_sign_in_page_and_who_is_signed_in(visit, rules, people_service):
    with serving(people_service) as address:
        tab = visit(width=390, height=844)
        page = tab.page
        page.goto(address)
        none(findings(page, rules))
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
    page.evaluate("document.querySelector('main h1').style.color = '#eee'")
    page.evaluate("document.querySelector('main .headline').style.color = '#222'")
    found = findings(page, rules)
    assert [one.split(" (")[0] for one in found] == [
        "light: button-name",
        "light: color-contrast",
        "dark: color-contrast",
    ]
