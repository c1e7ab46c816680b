"""A digest as text, HTML and e-mail: one screen, nothing from elsewhere, nothing unescaped."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from email import message_from_bytes, policy
from typing import Any

import pytest

from dashboard import letter


def line(text: str) -> dict[str, Any]:
    return {"kind": "reset", "meter_id": None, "rider_id": None, "text": text}


LONG = "From 2026-09-24 the same effort shows 1.1 % less on <FS-01>: " + "its slope was reset; " * 5


@pytest.fixture(scope="module")
def written() -> letter.Letter:
    """The letter of a bad week: 120 meters due, forty lines of each kind."""
    lines = [line(LONG)] * 40
    meters = [{"meter_id": f"M{n:03}", "rider_id": None, "status": "due"} for n in range(120)]
    return letter.letter(
        {
            **{"title": "Power meters from 2026-09-23 to 2026-09-30", "meters": meters},
            **{"changed": lines, "to_do": lines, "notices": lines, "today_note": "today is it"},
        },
        {"changed": [line("Set aside: 3 rows")], "to_do": []},
    )


def test_the_worst_week_is_still_one_screen(written):
    lines = letter.plain_text(written).splitlines()
    assert max(map(len, lines)) <= 79
    assert len(lines) <= 75
    assert "And 31 more: see the dashboard." in lines


def test_a_quiet_week_is_a_few_lines():
    quiet = {"title": "t", "meters": [], "changed": [], "to_do": [], "notices": []}
    said = letter.plain_text(letter.letter(quiet))
    assert said.splitlines()[3:] == ["", "TO DO WITHIN A WEEK", "- Nothing.", "", "WHAT CHANGED",
                                     "- Nothing.", "", said.splitlines()[-1]]  # fmt: skip


def test_what_is_not_asked_for_within_the_week_is_named():
    meters = [{"meter_id": f"M{n}", "rider_id": None, "status": "due"} for n in range(3)]
    meters += [{"meter_id": "M9", "rider_id": None, "status": "unknown"}]
    asked = {**line("M1: Bench it now."), "meter_id": "M1"}
    week = {"title": "t", "meters": meters, "changed": [], "to_do": [asked], "notices": []}
    said = letter.plain_text(letter.letter(week))
    assert "AFTER THAT, AS PLANNED\n- M0, M2: the page Season says when." in said
    assert "- M9: bench as found before anyone relies on what it shows." in said
    assert "Unknown: M9 (no bench session to go by)" in said


def test_html_brings_all_it_shows(written):
    made = letter.html_page(written)
    assert re.findall(r"(?i)src=|href=|url\(|@import|<script|<link", made) == []
    assert "&lt;FS-01&gt;" in made
    assert "<FS-01>" not in made


def test_html_is_dark_where_the_screen_is_and_as_wide_as_it(written, browser):
    page = browser.new_page()
    grounds = []
    for scheme in ("light", "dark"):
        for width in (390, 800):
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)
            page.set_content(letter.html_page(written))
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        grounds.append(page.evaluate("getComputedStyle(document.body).backgroundColor"))
    page.close()
    assert grounds == ["rgb(243, 244, 240)", "rgb(17, 25, 28)"]


def test_the_message_holds_both_and_any_mailer_takes_it(written):
    made = letter.eml(written, at=datetime(2026, 9, 30, 7, tzinfo=UTC))
    assert max(map(len, made.splitlines())) <= 998  # RFC 5322, 2.1.1
    assert made.isascii()
    message = message_from_bytes(made, policy=policy.default)
    assert message["Subject"] == "Power meters from 23 Sep 2026 to 30 Sep 2026"
    kinds = [part.get_content_type() for part in message.walk()]
    assert kinds == ["multipart/alternative", "text/plain", "text/html"]
    body: Any = message.get_body(("plain",))
    assert body.get_content() == letter.plain_text(written)
