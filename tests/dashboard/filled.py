"""Each page in the state in which it is worked with: filled in, answered, opened.

One function a page, by the page's path. It finds the page just opened on the whole team's store
and yields at each state that is worth a look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

from tests.dashboard.bench_team import expected
from tests.dashboard.cli.test_rides import csv_of, fit_of
from tests.dashboard.whole_team import SERIAL, ridden

Fill = Callable[[Any], Iterator[None]]
FILLED: dict[str, tuple[str, Fill]] = {}
"""By the page's path: the address to open, and what fills it."""

CHART = ".js-plotly-plot .scatterlayer .trace"
DROPPED = date(2024, 7, 28)


def fills(path: str, address: str | None = None) -> Callable[[Fill], Fill]:
    def kept(fill: Fill) -> Fill:
        FILLED[path] = (address or path, fill)
        return fill

    return kept


def dropped() -> list[dict[str, Any]]:
    """Two recordings of a ride, by the meter with the known serial number and a trainer."""
    pair = ridden(DROPPED, 9)
    return [
        {"name": "morning.fit", "mimeType": "", "buffer": fit_of(pair.meter, SERIAL)},
        {"name": "T2.csv", "mimeType": "text/csv", "buffer": csv_of(pair.reference)},
    ]


@fills("/")
def fleet(page: Any) -> Iterator[None]:
    page.wait_for_selector("#fleet-grid .ag-row .badge")
    yield
    page.click(".count-button.ink-out")
    page.wait_for_selector("#fleet-shown:has-text(' of ')")
    yield


@fills("/meter/<meter_id>", "/meter/M0003")
def meter(page: Any) -> Iterator[None]:
    page.wait_for_selector(CHART)
    page.locator("#meter-sessions .ag-row [col-id='verdict']").last.click()
    page.locator("#meter-comparisons .ag-row >> text=recordings").first.click()
    page.wait_for_selector(f"#meter-ride {CHART}")
    yield


@fills("/bench")
def bench(page: Any) -> Iterator[None]:
    page.wait_for_load_state("networkidle")
    page.fill("#bench-search", "M0003")
    page.click(".bench-card[data-meter='M0003']")
    page.wait_for_selector("#bench-title")
    yield
    nm = expected(20.35, 172.5) * 1.03
    for k, value in enumerate(("0.1", *[f"{nm:.2f}"] * 3, "40")):
        page.fill(f"#bench-as_found-{k}", value)
    page.wait_for_selector("#bench-unsure")  # 40 is far off
    yield
    page.click(".bench-sure:visible")
    page.wait_for_selector("#bench-verdict")
    page.click("#bench-open-as_left")
    yield
    page.click("#bench-back")
    page.wait_for_selector(".bench-unsaved")
    yield


@fills("/rides")
def rides(page: Any) -> Iterator[None]:
    page.wait_for_selector("#rides-kept td")
    page.set_input_files("#rides-upload input[type=file]", dropped())
    page.wait_for_selector(f".ride {CHART}")
    yield


@fills("/season")
def season(page: Any) -> Iterator[None]:
    page.wait_for_selector(".visit.is-pinned")
    yield
    page.click(".visit.is-pinned")
    page.wait_for_selector("#season-visit[open]")
    yield


@fills("/season/week/<week>", "/season/week/2024-09-02")
def week(page: Any) -> Iterator[None]:
    page.wait_for_selector("table.plain th:text-is('M0003')")
    yield


@fills("/riders")
def riders(page: Any) -> Iterator[None]:
    page.wait_for_selector("#riders-grid .ag-row")
    yield


@fills("/riders/<rider_id>", "/riders/Bo")
def rider(page: Any) -> Iterator[None]:
    page.click("#rider-ask")
    page.wait_for_selector(".effort-answer .headline")
    page.wait_for_selector(CHART)
    yield


@fills("/budget", "/budget?tolerance=0.8&slots=2")
def budget(page: Any) -> Iterator[None]:
    page.wait_for_selector(".what-if-said:has-text('What if')")
    page.wait_for_selector("#budget-meters .ag-row")
    page.wait_for_selector(f"#policies-body {CHART}")
    yield


@fills("/ageing", "/ageing?batch=serial")
def ageing(page: Any) -> Iterator[None]:
    page.wait_for_selector(CHART)
    for closed in page.locator(".ageing details > summary").all()[1:]:
        closed.click()
    yield


@fills("/method")
def method(page: Any) -> Iterator[None]:
    page.wait_for_selector("#method-body .js-plotly-plot .scatterlayer .trace")
    page.wait_for_selector("section:has(h2:text-is('Does the model describe the data?')) td")
    yield


@fills("/intake")
def intake(page: Any) -> Iterator[None]:
    page.wait_for_selector("h2:text-is('Proposed events (2)')")
    page.fill(".aside-row input", "16")
    page.click("button:text-is('Put right')")
    page.wait_for_selector(".wrong:has-text('found')")
    page.locator("#intake-log .ag-row [col-id='file']").first.click()
    page.wait_for_selector("#intake-chosen button")
    known = "from_date,to_date,slots\n2024-08-01,2025-02-28,1\n"  # changes nothing
    given = {"name": "capacity.csv", "mimeType": "text/csv", "buffer": known.encode()}
    page.set_input_files("#intake-upload input[type=file]", given)
    page.wait_for_selector("#intake-report th:text-is('capacity.csv')")
    yield
    page.set_input_files("#intake-upload input[type=file]", own_sheets())
    page.wait_for_selector(".own-new input")
    yield
    page.click("#intake-own-drop")
    page.wait_for_selector("text=The sheets were left out")


def own_sheets() -> list[dict[str, Any]]:
    """A sheet that names a meter and masses nobody knows."""
    text = (
        "Datum;Messgerät;Gewicht;Kurbel;Null;links;rechts\n"
        "23.4.2025;N2;Satz 9;172,5;0,1;34,1;34,0\n\nSatz 9 = 20 kg\n"
    )
    return [{"name": "klar.csv", "mimeType": "text/csv", "buffer": text.encode()}]


@fills("/people")
def people(page: Any) -> Iterator[None]:
    """Here without accounts; with them it is checked where an owner is signed in."""
    page.wait_for_selector(".people .empty .command")
    page.locator("#people-record .ag-row").first.click()
    yield


@fills("/help")
def help_page(page: Any) -> Iterator[None]:
    page.wait_for_selector(".topic")
    page.fill("#help-search", "SLOPE hang")
    page.wait_for_selector(".topic[hidden]", state="attached")
    found = page.locator(".topic:visible summary").all_inner_texts()
    assert found == ["How do I measure a meter and correct its slope?"]
    yield
    page.fill("#help-search", "zebra")
    page.wait_for_selector("#help-none:has-text('try another word')")
    page.fill("#help-search", "")


@fills("/evidence/<name>", "/evidence/alder")
def evidence(page: Any) -> Iterator[None]:
    page.wait_for_selector("#evidence-show")
    page.wait_for_selector("table.plain th:has-text('M0')")
    yield
