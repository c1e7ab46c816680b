"""A mechanic's whole way at the bench, in a real browser, with and without the network."""

from __future__ import annotations

import io
import shutil
from datetime import date

import pytest
from pypdf import PdfReader

from dashboard.service import Service
from models import run
from tests.dashboard import bench_team as team
from tests.dashboard import browsing
from tests.dashboard.browsing import go_within, serving, until

pytestmark = pytest.mark.browser
FIRST = "bench-as_found-"


@pytest.fixture
def served(team_service):
    with serving(team_service) as address:
        yield address


@pytest.fixture(scope="module")
def looked_at(team_store, tmp_path_factory):
    """The team's bench page for tests that save nothing."""
    own = tmp_path_factory.mktemp("looked-at") / "own.duckdb"
    shutil.copy(team_store, own)
    with serving(Service(own)) as address:
        yield address


@pytest.fixture(scope="module")
def tab(long_visit):
    return long_visit().page


def at_the_bench(tab, address, meter_id, *, width=820):
    """The page as it is at first, with a meter chosen, for a test that saves nothing."""
    browsing.opened(tab, address, "/bench", width=width, height=1180)
    return chosen(tab, meter_id)


def opened(page, address, meter_id):
    page.goto(f"{address}/bench")
    chosen(page, meter_id)


def chosen(page, meter_id):
    page.wait_for_selector(".bench-card")
    page.wait_for_load_state("networkidle")
    page.fill("#bench-search", meter_id)
    page.click(f".bench-card[data-meter='{meter_id}']")
    page.wait_for_selector("#bench-title")
    return page


def typed(page, stage, values):
    for k, value in enumerate(values):
        if value is not None:
            page.fill(f"#bench-{stage}-{k}", value)


def spider(gain, zero=0.1):
    """What a spider on 172.5 mm would show, as a mechanic types it: with commas."""
    nm = team.expected(20.35, 172.5) * gain + zero
    hung = [f"{nm + off:.2f}".replace(".", ",") for off in (0.02, -0.02, 0.01, -0.01)]
    return [f"{zero:.2f}".replace(".", ","), *hung, f"{zero:.2f}".replace(".", ",")]


def bench_rows(service, session_id):
    with service.store.reading() as db:
        frame = db.frame("bench")
    return frame.filter(frame["session_id"] == session_id).sort("reading")


def meter_row(service, meter_id):
    return next(r for r in service.ask(run.status)["meters"] if r["meter_id"] == meter_id)


def text_of(page, address, link):
    answer = page.request.get(address + page.get_attribute(link, "href"))
    assert answer.ok
    assert answer.headers["content-type"] == "application/pdf"
    reader = PdfReader(io.BytesIO(answer.body()))
    return " ".join(" ".join(p.extract_text() for p in reader.pages).split())


def held(still):
    """What is saved is not followed by the answers."""
    still.setattr(Service, "_begin_then", lambda _service, _then: None)


def test_from_search_to_a_saved_session_and_its_papers(team_service, served, visit, monkeypatch):
    page = visit(width=820, height=1180).page
    before = meter_row(team_service, "SP-1")
    opened(page, served, "SP-1")
    expected = team.expected(20.35, 172.5)
    assert page.inner_text("#bench-expected") == f"{expected:.2f}"  # before anything is hung
    low, high = expected * 0.985, expected * 1.015
    assert page.inner_text("#bench-accept") == f"{low:.2f} to {high:.2f}"
    page.fill("#bench-technician", "Wren")
    page.fill("#bench-temperature", "17,5")
    page.click("#bench-same")
    assert page.input_value("#bench-slope_before") == "5.70"
    typed(page, "as_found", spider(1.024))
    assert page.inner_text("#bench-error").startswith(("+2.39", "+2.40"))
    page.wait_for_selector("#bench-verdict:has-text('Out of tolerance')")
    assert "Repeat the readings" in page.inner_text("#bench-verdict")  # it was +0.6 % in April
    named = page.locator(".warn:has-text('A crank of 175 mm instead of 172.5 mm would explain it')")
    assert named.count() == 1  # and said once: what else to look at comes after it
    assert "The hanger" in page.inner_text("#bench-looks")
    with monkeypatch.context() as still:
        held(still)
        page.click("#bench-save")
        page.wait_for_selector(".bench-done:has-text('saved')")
    opened(page, served, "SP-1")
    page.fill("#bench-technician", "Wren")
    page.fill("#bench-temperature", "17,5")
    page.click("#bench-same")
    typed(page, "as_found", spider(1.0241))  # looked at, hung afresh: the same again
    page.wait_for_selector("#bench-verdict:has-text('Out of tolerance')")
    assert "New slope 5.57" in page.inner_text("#bench-verdict")
    page.click("text=I entered 5.57")
    assert "hang once more" in page.inner_text("#bench-before")
    page.click("#bench-open-as_left")
    typed(page, "as_left", spider(1.0008))
    page.wait_for_selector("#bench-verdict:has-text('As left +0.0')")
    page.click("#bench-save")
    page.locator(".bench-done >> nth=1").wait_for()
    said = page.inner_text(".bench-done")
    assert "SP-1" in said
    assert "out of tolerance" in said
    record = text_of(page, served, "text=Record (PDF)")
    for words in (
        *("Calibration record", "SP-1", "Wren", "17.5 °C", "Out of tolerance", "± 1.50 %"),
        *("As left: +0.0", "5.57", "certificate GW-118", "calibrated on 2025-09-01", "|e| − U"),
        *("crank length", "repeatability", "N·m", "Next check due"),
    ):
        assert words in record, words
    label = text_of(page, served, "text=Label (PDF)")
    assert "SP-1" in label
    assert "Next due" in label
    session_id = page.get_attribute(".bench-done", "data-key")
    rows = bench_rows(team_service, session_id)
    assert rows.height == 12
    assert rows["torque_nm"][1] == float(spider(1.0241)[1].replace(",", "."))
    assert rows["slope_after"].unique().to_list() == [5.57]
    assert team_service.settled()
    row = meter_row(team_service, "SP-1")
    assert date.fromisoformat(row["last_bench"]) == team.TODAY
    assert row["gain_error_pct"] != before["gain_error_pct"]
    page.once("dialog", lambda dialog: dialog.dismiss())
    page.click("text=Take it back")  # asked once more, and not meant
    assert page.locator(".bench-done").count() == 2
    held(monkeypatch)
    for left in (1, 0):
        page.once("dialog", lambda dialog: dialog.accept())
        page.click("text=Take it back")
        page.locator(f".bench-done >> nth={left}").wait_for(state="detached")
    assert "SP-1: taken back" in page.inner_text("#bench-queue")
    assert bench_rows(team_service, session_id).is_empty()


def test_without_network_readings_are_judged_kept_and_saved_later(
    team_service, followed, served, visit
):
    first = visit(width=820, height=1180)
    page = first.page
    opened(page, served, "SP-1")
    page.fill("#bench-slope_before", "5,70")
    page.context.set_offline(True)
    typed(page, "as_found", [*spider(1.004)[:3], spider(1.3)[1]])
    page.wait_for_selector("#bench-link:has-text('No connection')")
    third = page.locator("#bench-as_found-3-says")
    assert "beyond the limit" in third.inner_text()
    assert "Read it again" in third.inner_text()
    typed(page, "as_found", spider(1.004))
    assert "within the limit" in third.inner_text()
    assert page.inner_text("#bench-error").startswith(("+0.39", "+0.40"))
    until(page, "caches.has('slopewatch-given-1')")
    page.reload()  # a tablet that dropped the page while it slept, still without a network
    page.wait_for_selector("#bench-alone")
    page.wait_for_selector("#bench-error")
    assert page.input_value("#bench-as_found-1") == spider(1.004)[1]
    page.evaluate("dispatchEvent(new Event('slopewatch-sent'))")
    assert "what was kept here is sent" in page.inner_text("#bench-alone")
    page.context.set_offline(False)
    page.reload()
    page.wait_for_selector("#bench-error")
    page.wait_for_load_state("networkidle")
    assert page.locator("#bench-alone").count() == 0
    assert page.input_value("#bench-as_found-1") == spider(1.004)[1]
    assert page.input_value("#bench-slope_before") == "5,70"
    page.context.set_offline(True)
    page.click("#bench-save")
    page.wait_for_selector(".bench-waiting:has-text('no connection')")
    with team_service.store.reading() as db:
        assert "5,70" not in str(db.frame("bench")["session_id"].to_list())
        before = db.frame("bench").height
    page.evaluate("addEventListener('slopewatch-sent', () => { window.told = true; })")
    page.context.set_offline(False)
    page.wait_for_selector(".bench-done:has-text('saved')")
    assert page.evaluate("window.told")
    session_id = page.get_attribute(".bench-done", "data-key")
    assert bench_rows(team_service, session_id).height == 6
    again = page.evaluate(
        "key => slopewatchBench.done().find(item => item.key === key).answer.already", session_id
    )
    assert again is False
    with team_service.store.reading() as db:
        assert db.frame("bench").height == before + 6
    page.evaluate("fetch('/sign-out', { method: 'POST' })")
    until(page, "caches.has('slopewatch-given-1').then(kept => !kept)")
    page.context.set_offline(True)
    page.reload()  # the next person at this tablet, without a network
    page.wait_for_selector("#bench-alone:has-text('nothing of the bench is kept')")
    assert "SP-1" not in page.inner_text("body")
    gone = ("ERR_INTERNET_DISCONNECTED", "ERR_FAILED")
    first.complaints[:] = [c for c in first.complaints if not any(one in c for one in gone)]


def test_event_takes_day_side_and_note_and_can_be_taken_back(team_service, followed, served, visit):
    page = visit(width=390, height=844).page
    opened(page, served, "PP-1")
    page.fill("#bench-event-day", "2026-05-18")
    page.select_option("#bench-event-side", "left")
    page.fill("#bench-event-note", "kerb")
    page.click("[data-event='crash']")
    said = "Struck or crashed, 18\u00a0May\u00a02026, left (kerb): noted."
    page.wait_for_selector(f"#bench-noted li:has-text('{said}')")
    with team_service.store.reading() as db:
        [event] = db.frame("events").to_dicts()
    assert (event["event"], event["date"], event["side"], event["note"]) == (
        "crash", date(2026, 5, 18), "left", "kerb",
    )  # fmt: skip
    page.click("#bench-back")
    page.wait_for_selector(".bench-done:has-text('Struck or crashed')")
    opened(page, served, "PP-1")
    page.click("#bench-noted button")
    page.wait_for_selector("#bench-noted li", state="detached")
    with team_service.store.reading() as db:
        assert db.frame("events").is_empty()


def test_sheet_typed_in_later_keeps_its_day_and_can_be_corrected(
    team_service, followed, served, visit
):
    """The next meter has the day too; the old version of the session stays on record."""
    page = visit(width=390, height=844).page
    opened(page, served, "SP-1")
    page.fill("#bench-day", "2026-05-12")
    page.fill("#bench-time", "16:30")
    page.fill("#bench-note", "from the sheet")
    page.wait_for_selector("#bench-when-says:has-text('Measured on')")
    values = spider(1.004)
    typed(page, "as_found", values)
    page.click("#bench-save")
    page.wait_for_selector(".bench-done:has-text('SP-1')")
    with team_service.store.reading() as db:
        rows = db.frame("bench").filter(db.frame("bench")["note"] == "from the sheet")
    assert {at.date() for at in rows["measured_at"]} == {date(2026, 5, 12)}
    [session_id] = rows["session_id"].unique()
    assert session_id.startswith("260512-SP-1-")
    opened(page, served, "SP-2")
    assert page.input_value("#bench-day") == "2026-05-12"
    page.click("#bench-to-today")
    assert page.input_value("#bench-day") == "2026-05-20"
    page.goto(f"{served}/bench?meter=SP-1&session={session_id}")
    page.wait_for_selector("#bench-when-says:has-text('corrects session')")
    assert page.input_value("#bench-day") == "2026-05-12"
    assert page.input_value("#bench-as_found-1") == values[1].replace(",", ".")
    page.fill("#bench-note", "from the sheet, read again")
    page.fill("#bench-as_found-1", values[2])
    page.click("#bench-save")
    page.wait_for_selector(".bench-done:has-text('SP-1')")
    until(page, "!slopewatchBench.queued().length")
    assert set(bench_rows(team_service, session_id)["note"]) == {"from the sheet, read again"}
    opened_again = team_service.ask(run.opened_session, session_id)
    [correction] = opened_again["corrections"]
    assert correction["before"]["note"] == "from the sheet"
    assert len(opened_again["rows"]) == len(values)
    team_service.ask(run.take_back_session, session_id)
    assert set(bench_rows(team_service, session_id)["note"]) == {"from the sheet"}


def says(page, name):
    return page.inner_text(f"#bench-{name}-says")


def test_a_slip_in_the_set_up_is_said_at_once(looked_at, tab):
    page = at_the_bench(tab, looked_at, "SP-2")  # 170 mm on the bike
    for typed_mm in ("17", "1725"):
        page.fill("#bench-length", typed_mm)
        assert f"No crank is {typed_mm} mm long: expected 100 to 200 mm" in says(page, "length")
        assert page.locator("#bench-expected").count() == 0
    page.fill("#bench-length", "175")
    assert "Last known for this meter: 170 mm" in says(page, "length")
    page.fill("#bench-length", "170")
    assert says(page, "length") == ""
    page.fill("#bench-temperature", "abc")
    assert "Not a number" in says(page, "temperature")
    typed(page, "as_found", spider(1.002))
    assert page.locator("#bench-save").is_disabled()
    page.fill("#bench-temperature", "12,5")
    assert page.locator("#bench-save").is_enabled()
    page.fill("#bench-slope_before", "57")
    assert "Far from the last noted, 5.70" in says(page, "slope_before")
    assert "a lower number makes it show less" in page.inner_text("#bench-screen")


def test_a_wild_reading_is_not_judged_until_repeated_or_confirmed(looked_at, tab):
    page = at_the_bench(tab, looked_at, "SP-1")
    nm = team.expected(20.35, 172.5) * 1.004
    for wild, words in (
        (nm * 10, "ten times too much"),
        (-nm, "its sign"),
        (nm * 2, "Twice what is expected"),
        (nm * 3.3, "Far from everything expected"),
    ):
        typed(page, "as_found", ["0", f"{wild:.2f}"])
        row = "as_found-1"
        assert words in says(page, row)
        page.wait_for_load_state("networkidle")
        assert page.inner_text("#bench-unsure") == "Not judged yet."
        for gone in ("#bench-verdict", "#bench-error", "#bench-result .warn"):
            assert page.locator(gone).count() == 0
        assert "quiet" in page.get_attribute("#bench-save", "class")
        page.click(f"li:has(#bench-{row}) .bench-sure")
        page.wait_for_selector("#bench-error")
        assert page.inner_text("#bench-save") == "Save session"
        assert "Put a setting right" not in page.inner_text("#bench-result") or wild == 2 * nm
        page.fill(f"#bench-{row}", f"{wild + 1:.2f}")  # another number is not confirmed
        assert page.locator("#bench-unsure").count() == 1
        page.fill(f"#bench-{row}", f"{nm:.2f}")
        assert page.locator("#bench-unsure").count() == 0


def test_result_says_one_verdict(looked_at, visit):
    first = visit(width=1280, height=800)
    page = first.page
    opened(page, looked_at, "SP-1")
    page.fill("#bench-slope_before", "5.7")
    page.context.set_offline(True)
    typed(page, "as_found", spider(1.0155))
    page.wait_for_selector("#bench-link:has-text('No connection')")
    said = page.inner_text("#bench-result")
    assert "Too close to the limit to call" in said
    assert "Provisional" in said
    page.context.set_offline(False)
    page.wait_for_selector("#bench-verdict")
    said = page.inner_text("#bench-result")
    assert said.count("Too close to the limit to call") == 1
    assert "Provisional" not in said
    first.complaints[:] = [c for c in first.complaints if "ERR_INTERNET_DISCONNECTED" not in c]


def test_as_left_is_held_against_the_new_slope(looked_at, tab):
    page = at_the_bench(tab, looked_at, "SP-1")
    page.fill("#bench-slope_before", "5.70")
    typed(page, "as_found", spider(1.024))
    page.fill("#bench-slope_after", "5.57")
    page.click("#bench-open-as_left")
    typed(page, "as_left", spider(1.0008)[:2])
    assert says(page, "as_left-1").endswith("within the limit")
    typed(page, "as_left", spider(1.024)[:2])
    said = says(page, "as_left-1")
    assert "changed from 5.70 to 5.57 it should be" in said
    assert "forecast" not in said.lower()


def test_unit_of_a_zero_is_beside_its_buttons_on_a_phone(looked_at, tab):
    page = at_the_bench(tab, looked_at, "PP-1", width=390)
    boxes = [page.locator(f".bench-zero >> nth=0 >> {part}").bounding_box()
             for part in (".bench-unit", "[aria-label='Turn the sign of this zero']")]  # fmt: skip
    unit, turn = boxes
    apart = unit["y"] + unit["height"] <= turn["y"] or unit["x"] + unit["width"] <= turn["x"]
    assert apart, boxes


def test_a_wrong_crank_length_is_named_as_it_is_typed(looked_at, tab):
    page = at_the_bench(tab, looked_at, "SP-2", width=1280)  # 170 mm on the bike
    page.fill("#bench-length", "172,5")
    assert page.inner_text("#bench-expected") == f"{team.expected(20.35, 172.5):.2f}"
    nm = team.expected(20.35, 170.0) * 1.006
    typed(page, "as_found", ["0", *[f"{nm:.2f}"] * 4, "0"])
    said = page.inner_text("#bench-result")
    assert "A crank of 170 mm instead of 172.5 mm would explain it" in said
    page.wait_for_selector("#bench-verdict:has-text('Repeat the readings')")


def test_only_turning_meters_are_for_rides_and_no_page_is_too_wide(looked_at, tab):
    page = at_the_bench(tab, looked_at, "TO-1", width=390)
    assert "rides only" in page.inner_text("#bench-rides-only")
    page.click("#bench-back")
    page.fill("#bench-search", "HB-1")
    page.click(".bench-card[data-meter='HB-1']")
    page.wait_for_selector("#bench-target")
    assert "Type cog and chainring" in page.inner_text("#bench-target")
    page.fill("#bench-cog", "17")
    hub = team.expected(20.35, 172.5) * 17 / 52
    assert page.inner_text("#bench-expected") == f"{hub:.2f}"
    typed(page, "as_found", ["0", f"{hub * 0.985:.2f}"])  # up only: the chain keeps 1.5 %
    assert page.inner_text("#bench-expected") == f"{hub * 0.985:.2f}"
    for width in (390, 820, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        small = page.evaluate(
            "Array.from(document.querySelectorAll('#bench-screen button, #bench-screen input,"
            " #bench-screen select')).filter(e => e.offsetHeight && e.offsetHeight < 48).length"
        )
        assert small == 0


def test_the_plan_says_who_is_next(looked_at, tab):
    page = tab
    browsing.opened(page, looked_at, "/bench", width=820)
    page.wait_for_selector(".bench-card")
    page.wait_for_load_state("networkidle")
    page.click("#bench-plan")
    page.wait_for_selector("#bench-plan[aria-pressed='true']")
    said = page.inner_text("#bench-count")
    assert "Planned for the week of" in said or "wants nobody" in said
    page.click("#bench-plan")
    page.wait_for_selector("#bench-count:has-text('Most urgent first')")
    assert page.locator(".bench-card").count() == len(team.METERS)


def test_the_list_for_a_day_without_devices_holds_limits_and_blanks(looked_at, visit):
    page = visit().page
    page.goto(f"{looked_at}/bench")
    page.wait_for_selector("#bench-print")
    page.evaluate("window.print = () => undefined")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")  # as the browser's own menu prints
    assert page.locator(".bench-sheet").count() == len(team.METERS) - 1
    page.click("#bench-print")
    page.emulate_media(media="print")
    until(page, "getComputedStyle(document.getElementById('bench-screen')).display === 'none'")
    text = page.inner_text("#bench-paper")
    nm = team.expected(20.35, 172.5)
    assert f"expected {nm:.2f} N·m, accept {nm * 0.985:.2f} to {nm * 1.015:.2f}" in text
    assert "TO-1" not in text
    assert "rider Ines" in text
    sheets = page.locator(".bench-sheet")
    assert sheets.count() == len(team.METERS) - 1
    spider_sheet = page.locator(".bench-sheet", has_text="SP-1")
    # crank length, slope, two zeros, four hangings, new slope, zero and both sides as left, note
    assert spider_sheet.locator(".bench-blank i").count() == 13
    boxes = spider_sheet.locator(".bench-blank span").all_text_contents()
    for words in ("crank length, mm", "slope (last 5.70)", "1. zero", "6. zero", "as left, right"):
        assert words in boxes
    page.emulate_media(media="screen")
    go_within(page, "/season")  # from where the sheet of a week's meters is asked for
    go_within(page, "/bench?print=SP-2,SP-1,TO-1")
    page.wait_for_selector("#bench-paper .bench-sheet", state="attached")
    assert page.locator("#bench-paper .bench-sheet b").all_text_contents() == ["SP-2", "SP-1"]
    assert page.url.endswith("/bench")  # printed once, not again when the page is reloaded


def test_list_says_what_is_being_taken_in_until_the_answers_follow(
    team_service, served, visit, monkeypatch
):
    with monkeypatch.context() as still:
        held(still)
        rows = team.session("SP-2", "new", "2026-05-20T08:00:00Z", gain=1.012)
        team_service.ask(run.save_bench, [row | {"slope_after": 5.63} for row in rows])
        page = visit(width=820, height=1180).page
        page.goto(f"{served}/bench")
        card = page.locator(".bench-card[data-meter='SP-2']")
        card.filter(has_text="Measured today, being taken in").wait_for()
        card.click()
        assert page.inner_text("#bench-same") == "As last noted: 5.63"
        assert "Measured today, being taken in" in page.inner_text("#bench-target")
        page.click("#bench-back")
        card.filter(has_text="being taken in").wait_for()
    team_service.follow()
    card.filter(has_text="bench it before").wait_for()  # without a reload
