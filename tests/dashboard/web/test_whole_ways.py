"""Each person's whole way on a real store: what stands on the screen is what the commands say."""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import icalendar
import pypdf
import pytest

from dashboard import theme
from dashboard.cli.command_line import main
from dashboard.service import Service
from ingest.admin import passwords, pins
from models import run
from models.run import Fleet
from tests.dashboard.browsing import serving
from tests.dashboard.cli.test_rides import csv_of, fit_of
from tests.dashboard.people import WORDS
from tests.dashboard.whole_team import SERIAL, ridden

pytestmark = pytest.mark.browser
PERIOD = ("2024-08-05", "2024-12-15")
ASKED = f"from={PERIOD[0]}&to={PERIOD[1]}"
PINNED = "2024-09-09"


@pytest.fixture(scope="module")
def served(whole):
    with serving(whole) as address:
        yield address


@pytest.fixture
def say(whole, capsys):
    """Ask a command about the same store: its JSON document."""

    def asked(*words: str) -> Any:
        capsys.readouterr()
        store = [] if words[0] == "compare" else ["--store", str(whole.store.path)]
        assert main([*words, *store, "--format", "json"]) == 0
        return json.loads(capsys.readouterr().out)

    return asked


def week_of(monday: str) -> str:
    return f".week[data-week='{monday}']"


def board(page: Any) -> set[tuple[str, str, str]]:
    """Week, meter and chance of being within, of each visit on the season's board."""
    visits = page.locator(".board .visit").evaluate_all(
        "all => all.map(v => [v.dataset.week, v.dataset.meter,"
        " v.querySelector('.visit-p').textContent])"
    )
    return {tuple(row) for row in visits}


def planned(plan: dict[str, Any]) -> set[tuple[str, str, str]]:
    """The same of the command's plan."""
    return {
        (v["week"], v["meter_id"], theme.probability(v["p_within_tolerance_before"]))
        for v in plan["visits"]
    }


def test_a_plan_is_pinned_and_taken_along(visit, served, whole, say):
    period = ("--from", PERIOD[0], "--to", PERIOD[1])
    free = say("plan", *period)
    meter = next(v["meter_id"] for v in free["visits"] if v["week"] != PINNED)
    page = visit().page
    page.goto(f"{served}/season?{ASKED}")
    page.wait_for_selector(".board .visit")
    assert board(page) == planned(free)
    page.click(f".board .visit[data-meter='{meter}'] >> nth=0")
    page.wait_for_selector("#season-visit[open]")
    page.select_option("#season-visit-week", PINNED)
    page.click("#season-pin")
    page.wait_for_selector(f"{week_of(PINNED)} .visit.is-pinned[data-meter='{meter}']")
    assert pins(whole.store) == {meter: (date.fromisoformat(PINNED),)}

    plan = say("plan", *period, "--pin", f"{meter}={PINNED}")
    assert (PINNED, meter) in {(v["week"], v["meter_id"]) for v in plan["visits"]}
    assert board(page) == planned(plan) != planned(free)
    said = page.inner_text(".season .headline")
    for number in (
        theme.plural(len(plan["visits"]), "visit"),
        theme.money(plan["cost"]["visits"], plan["cost"]["currency"]),
        f"About {theme.number(plan['days_out_of_tolerance']['plan'], 0)} days",
    ):
        assert number in said

    with page.expect_download() as got:
        page.click("#season-csv")
    rows = list(csv.DictReader(io.StringIO(got.value.path().read_text("utf-8"))))
    assert [(r["week"], r["meter_id"], float(r["p_within_tolerance_before"])) for r in rows] == [
        (v["week"], v["meter_id"], round(v["p_within_tolerance_before"], 3)) for v in plan["visits"]
    ]
    with page.expect_download() as got:
        page.click("#season-ics")
    calendar = icalendar.Calendar.from_ical(got.value.path().read_bytes())
    assert {
        (event["DTSTART"].dt.isoformat(), str(event["SUMMARY"]).split()[1])
        for event in calendar.walk("VEVENT")
    } == {(week, name) for week, name, _ in planned(plan)}

    page.click(".unpin")
    page.wait_for_selector(".is-pinned", state="detached")
    assert pins(whole.store) == {}
    assert board(page) == planned(free)


def test_an_effort_is_answered(visit, served, say):
    found = say("effort", "2024-06-01,M0001,288,1200", "2024-07-20,M0010,300,1200")
    (change,) = found["differences"]
    page = visit().page
    page.goto(f"{served}/riders/Bo")
    page.wait_for_selector("#rider-ask")
    for n, watts in ((0, "288"), (1, "300")):  # filled from the records to begin with
        assert page.input_value(f"#rider-watts-{n}") == watts
    page.click("#rider-ask")
    page.wait_for_selector(".effort-answer .headline")
    half = theme.number(theme.half(change["rider_interval90_w"]), 0)
    said = f"{theme.number(change['rider_w'], 0, signed=True)} ±{theme.NBSP}{half}{theme.NBSP}W"
    assert said in page.text_content(".effort-answer .headline")
    shown, meters, riders = page.locator(".split-words").all_text_contents()
    watt = f"{theme.NBSP}W"
    assert shown == f"{theme.number(change['watts'], 1, signed=True)}{watt}"
    assert meters == f"{theme.number(change['meter_part_w'], 1, signed=True)}{watt}"
    span = theme.span(change["rider_interval90_w"], 1, "W")
    assert riders == f"{theme.number(change['rider_w'], 1, signed=True)}{watt} (90 %: {span})"
    rows = page.locator(".effort-answer tbody tr").all_text_contents()
    for row, effort in zip(rows, found["efforts"], strict=True):
        span = theme.span(effort["rider_interval90_w"], 0, "W", signed=False)
        assert row.endswith(f"{theme.number(effort['rider_w'], 0)}{watt} ({span})")

    page.fill("#rider-from", "2024-01-01")
    page.fill("#rider-to", "2024-07-31")
    with page.expect_download() as got:
        page.click("#rider-ledger")
    taken = list(csv.DictReader(io.StringIO(got.value.path().read_text("utf-8"))))
    ledger = say("correct", "--rider", "Bo", "--from", "2024-01-01", "--to", "2024-07-31")["ledger"]
    assert [(r["meter_id"], r["from_date"], float(r["factor"])) for r in taken] == [
        (r["meter_id"], r["from_date"], round(r["factor"], 4)) for r in ledger
    ]


def test_a_budget_is_printed_on_one_page(visit, served, say):
    found = say("budget", "--from", PERIOD[0], "--to", PERIOD[1])
    strict = say("budget", "--from", PERIOD[0], "--to", PERIOD[1], "--tolerance", "0.8")
    page = visit().page
    page.goto(f"{served}/budget?{ASKED}")
    page.wait_for_selector(".budget .headline")
    page.wait_for_selector("#policies-body .js-plotly-plot .scatterlayer .trace")
    printed = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))
    assert len(printed.pages) == 1
    words = " ".join(printed.pages[0].extract_text().split())
    amounts = [(found["total"], found["interval90"])]
    amounts += [(row["cost"], row["interval90"]) for row in found["by_item"]]
    for amount, interval in amounts:
        for text in (
            theme.money(amount, found["currency"]),
            "—" if interval[0] == interval[1] else theme.money_span(interval, found["currency"]),
        ):  # what is certain has no interval
            assert " ".join(text.split()) in words, (text, amounts, words)
    for row in found["by_group"]:
        assert row["group"] in words
    for row in found["meters"]:
        if row["keep_or_replace"] == "replace":
            assert f"{row['meter_id']}: replace." in words

    page.fill("#budget-tolerance", "0.8")
    page.press("#budget-tolerance", "Enter")
    page.wait_for_selector(".what-if-said:has-text('What if')")
    total = theme.money(strict["total"], strict["currency"])
    assert f"cost {total} (" in page.text_content(".budget .headline")
    more = strict["total"] - found["total"]
    word = "more" if more > 0 else "less"
    assert f"{theme.money(abs(more), found['currency'])} {word}" in page.text_content(
        ".what-if-said"
    )


def test_who_only_looks_is_refused_a_write(visit, whole_store, tmp_path, monkeypatch):
    """A coach sees the own riders' visits, cannot move them; a manager moves, and sees no ride."""
    monkeypatch.setattr(passwords, "METHOD", (64, 1))
    own = shutil.copytree(whole_store.parent, tmp_path / "whole") / whole_store.name
    for name, role, coach in (("Bertil", "coach", "Bertil"), ("Max", "manager", None)):
        run.add_account(Fleet.at(own), name, f"{WORDS} {role}", role=role, coach=coach)
    data = Service(own)
    with serving(data) as address:
        for name, role, may in (("Bertil", "coach", False), ("Max", "manager", True)):
            tab = visit()
            page = tab.page
            page.goto(f"{address}/season?{ASKED}")
            page.fill("#name", name)
            page.fill("#password", f"{WORDS} {role}")
            page.press("#password", "Enter")
            page.wait_for_selector(".board .visit")
            meter = page.get_attribute(".board .visit >> nth=0", "data-meter")
            if not may:
                assert {name for _, name, _ in board(page)} <= {"M0001", "M0010"}
            page.click(".board .visit >> nth=0")
            page.wait_for_selector("#season-visit[open]")
            page.select_option("#season-visit-week", PINNED)
            page.click("#season-pin")
            if may:
                page.wait_for_selector(f"{week_of(PINNED)} .is-pinned[data-meter='{meter}']")
            else:
                page.wait_for_selector("#shell-notice:has-text('not open to a coach')")
                tab.complaints.clear()  # the browser notes the refusal
            assert pins(data.store) == ({meter: (date.fromisoformat(PINNED),)} if may else {})
        page.goto(f"{address}/rides")
        page.wait_for_selector("text=This page is not open to a manager.")
        page.goto(f"{address}/riders/Bo")
        page.wait_for_selector("text=This page is not open to a manager.")


# ---- dropped on the rides page -------------------------------------------------------------------


def drop(page: Any, place: str, *paths: Path) -> None:
    """Files and folders let go over an element, as the system's own file manager does it."""
    box = page.locator(place).bounding_box()
    at = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
    held = {"items": [], "files": [str(path) for path in paths], "dragOperationsMask": 1}
    browser = page.context.new_cdp_session(page)
    for kind in ("dragEnter", "dragOver", "drop"):
        browser.send("Input.dispatchDragEvent", {"type": kind, **at, "data": held})


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as a head unit leaves it: a recording, another in a folder of its own, the rest."""
    pair = ridden(date(2024, 7, 28), 9)
    found = tmp_path_factory.mktemp("card") / "rides"
    (found / "trainer").mkdir(parents=True)
    (found / "morning.fit").write_bytes(fit_of(pair.meter, SERIAL))
    (found / "trainer" / "T2.csv").write_bytes(csv_of(pair.reference))
    (found / ".hidden").write_text("of the system's own")
    (found / "notes.txt").write_text("two laps of the lake")
    return found


@pytest.mark.parametrize("whole_folder", [True, False])
def test_a_folder_and_several_files_are_dropped_and_compared(
    visit, served, say, folder, whole_folder
):
    meter, reference = folder / "morning.fit", folder / "trainer" / "T2.csv"
    found = say("compare", str(meter), str(reference))
    page = visit().page
    page.goto(f"{served}/rides")
    page.wait_for_selector("#rides-upload button")
    drop(page, "#rides-upload", *((folder,) if whole_folder else (reference, meter)))
    page.wait_for_selector(".ride-answer .big:has-text('±')")
    half = theme.half(found["gain_ratio_interval90_pct"])
    assert page.text_content(".ride-answer .big") == theme.plus_minus(
        found["gain_ratio_pct"], half, "%"
    )
    given = ["morning.fit", "T2.csv"] if whole_folder else ["T2.csv", "morning.fit"]
    assert page.locator(".ride-files li b").all_inner_texts() == given
    assert page.input_value("#rides-meter-id") == "M0002"  # by the serial number in the file
    assert page.input_value("#rides-reference-id") == "T2"  # by the name
    told = page.locator("#rides-pair").inner_text()
    assert ("Notes.txt" in told) is whole_folder
    assert "hidden" not in told
    page.wait_for_selector(".dropzone:not(.over)")
    page.click("#rides-discard")
    page.wait_for_selector("text=Discarded: nothing of it stays")
