"""Colours that can be read, numbers that say neither too much nor too little."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import dashboard
from dashboard import theme

TEXT_ROLES = ("ink", "muted", "accent", "out", "due", "soon", "ok", "unknown")
PALETTES = pytest.mark.parametrize("palette", [theme.LIGHT, theme.DARK], ids=["light", "dark"])


def luminance(colour: str) -> float:
    """Relative luminance. Source: WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio. Source: WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_on_white():
    """Source: WCAG 2.2: black on white is 21 : 1; #767676 on white is 4.54 : 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@PALETTES
def test_text_has_the_contrast_that_aa_asks_for(palette):
    """Source: WCAG 2.2, success criterion 1.4.3: 4.5 : 1."""
    for role in TEXT_ROLES:
        for ground in ("paper", "surface", "accent_soft"):
            if ground == "accent_soft" and role not in ("ink", "accent"):
                continue
            assert contrast(palette[role], palette[ground]) >= 4.5, (role, ground)
    for status in theme.STATUSES:
        assert contrast(palette[status], palette[f"{status}_soft"]) >= 4.5, status
        assert contrast(palette["ink"], palette[f"{status}_soft"]) >= 4.5, status
    assert contrast(palette["accent_ink"], palette["accent"]) >= 4.5


@PALETTES
def test_marks_and_borders_have_the_contrast_that_aa_asks_for(palette):
    """Source: WCAG 2.2, success criterion 1.4.11: 3 : 1."""
    for role in ("rule_strong", "comparison", "event", "focus"):
        for ground in ("paper", "surface"):
            assert contrast(palette[role], palette[ground]) >= 3, (role, ground)


def test_both_themes_have_the_same_roles_and_no_two_roles_share_a_colour():
    """The browser swaps colour for colour, so a shared one could not be told apart."""
    assert set(theme.LIGHT) == set(theme.DARK)
    assert len(set(theme.LIGHT.values())) == len(theme.LIGHT)


ASSETS = Path(dashboard.__file__).parent / "assets"
SHEETS = sorted(ASSETS.rglob("*.css"))


def test_style_sheets_use_only_what_is_declared_and_name_no_colour():
    text = {sheet: sheet.read_text(encoding="utf-8") for sheet in SHEETS}
    declared = {name.replace("_", "-") for name in theme.LIGHT}
    declared |= {name for found in text.values() for name in re.findall(r"--([a-z-]+):", found)}
    assert len(SHEETS) > 10
    for sheet, found in text.items():
        assert set(re.findall(r"var\(--([a-z-]+)\)", found)) <= declared, sheet
        assert not re.search(r"#[0-9a-fA-F]{3,8}\b|rgba?\(|https?:", found), sheet


def literals(source: Path) -> Iterator[str]:
    """Every text constant of a Python file, every quoted text of a script."""
    content = source.read_text(encoding="utf-8")
    if source.suffix == ".js":
        yield from re.findall(r"""\"[^"\n]*\"|'[^'\n]*'|`[^`]*`""", content)
        return
    for node in ast.walk(ast.parse(content)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def test_style_sheets_style_only_what_the_pages_and_scripts_draw():
    """Classes and ids of the libraries, and those made of a status or an event, aside."""
    sources = [*ASSETS.parent.rglob("*.py"), *ASSETS.rglob("*.js")]
    texts = (text for source in sources for text in literals(source))
    drawn = {word for text in texts for word in re.findall(r"[A-Za-z][\w-]*", text)}
    for kind in ("badge", "glyph", "ink", "mark"):
        drawn |= {f"{kind}-{status}" for status in theme.STATUSES}
    drawn |= {"event-a", "event-b", "modebar-container"}
    for sheet in SHEETS:
        rules = re.sub(r"/\*.*?\*/", "", sheet.read_text(encoding="utf-8"), flags=re.DOTALL)
        selectors = " ".join(re.findall(r"([^{};]+)\{", rules))
        named = set(re.findall(r"[.#](-?[A-Za-z][\w-]*)", selectors))
        own = {name for name in named if not name.startswith(("ag-", "dash-", "js-"))}
        assert own <= drawn, (sheet, sorted(own - drawn))


def test_reader_choice_beats_the_system_theme():
    sheet = theme.css_variables()
    assert ":root:not([data-theme=light])" in sheet
    assert ":root[data-theme=dark]" in sheet


@pytest.mark.parametrize(
    ("value", "digits", "signed", "expected"),
    [
        (1.936, 2, True, "+1.94"),
        (-1.936, 1, True, "−1.9"),
        (-0.001, 2, True, "0.00"),
        (0.0, 1, True, "0.0"),
        (12345.6, 1, False, "12\u00a0345.6"),
        (None, 2, True, "—"),
        (float("nan"), 2, True, "—"),
        (True, 2, True, "—"),
    ],
)
def test_number(value, digits, signed, expected):
    assert theme.number(value, digits, signed=signed) == expected


def test_value_and_interval_share_one_unit():
    assert theme.plus_minus(1.94, 0.414, "%") == "+1.94 ±\u00a00.41\u00a0%"
    assert theme.plus_minus(1.94, None, "%") == "+1.94\u00a0%"
    assert theme.plus_minus(None, 0.4, "%") == "—"
    assert theme.span([-0.5, 1.25]) == "−0.50 to +1.25\u00a0%"
    assert theme.span(None) == theme.span([None, 1.0]) == "—"
    assert theme.half([-0.5, 1.5]) == 1.0


def test_probability_never_claims_certainty():
    assert theme.probability(0.9999) == ">\u00a099\u00a0%"
    assert theme.probability(0.0) == "<\u00a01\u00a0%"
    assert theme.probability(0.876) == "88\u00a0%"
    assert theme.probability(None) == "—"


def test_sentences_of_the_models_are_shown_in_the_pages_own_manner():
    assert theme.sentence("drifts -0.4 % since 2027-03-04") == (
        "Drifts −0.4\u00a0% since 4\u00a0Mar\u00a02027."
    )
    for kept in ("2027-13-45", "session 2027-03-04-FS-04", "0.2-0.4", "K-7"):
        assert theme.prose(kept) == kept
    assert theme.sentence("a strike?") == "A strike?"
    assert theme.sentence(None) == ""


def test_half_width_of_a_90_percent_interval():
    """Source: tables of the standard normal: 95 % quantile 1.6449."""
    assert theme.half90(2.0) == pytest.approx(3.2898)
    assert theme.half90(None) is None


def test_days():
    assert theme.day("2026-03-04T09:30:00Z") == "4\u00a0Mar\u00a02026"
    assert theme.day(None) == theme.day("soon") == "—"
    assert theme.iso("2026-03-04T09:30:00Z") == "2026-03-04"


@pytest.mark.parametrize(
    ("then", "expected"),
    [
        ("2026-03-04", "today"),
        ("2026-03-05", "in 1 day"),
        ("2026-02-20", "12 days ago"),
        ("2026-04-15", "in 6 weeks"),
        ("2025-09-04", "6 months ago"),
        ("2029-03-04", "in 3 years"),
        ("whenever", ""),
    ],
)
def test_how_far_away_a_day_is(then, expected):
    assert theme.away(then, "2026-03-04") == expected


def test_plural():
    assert [theme.plural(n, "meter") for n in (0, 1, 2)] == ["0 meters", "1 meter", "2 meters"]
    assert theme.plural(2, "battery") == "2 batteries"


def test_slope_is_shown_as_it_is_entered():
    assert theme.significant(5.61) == "5.61"
    assert theme.significant(212.4) == "212.4"
    assert theme.significant(None) == "—"


def test_a_bike_is_called_one_once():
    assert theme.bike_words("bike-Kaspar-race") == "bike-Kaspar-race"
    assert theme.bike_words("K1 race") == "bike K1 race"
    assert theme.bike_words(None) is None


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [
        (45, "45 s"),
        (330, "5 min 30 s"),
        (1200, "20 min"),
        (3600, "60 min"),
        (7500, "2 h 05 min"),
        (None, "—"),
    ],
)
def test_durations(seconds, expected):
    assert theme.duration(seconds).replace("\u00a0", " ") == expected


def test_money_is_whole_and_has_its_currency():
    assert theme.money(1455.4, "EUR") == "1\u00a0455\u00a0EUR"
    assert theme.money(-12.6) == "−13"
    assert theme.money(None, "EUR") == "—"
    assert theme.money_span([1455.0, 2629.0], "EUR") == "1\u00a0455 to 2\u00a0629\u00a0EUR"


def test_share_is_a_fraction_in_percent():
    assert theme.share(0.254) == "25\u00a0%"
    assert theme.share_span([0.03, 0.11]) == "3 to 11\u00a0%"
    assert theme.share(None) == theme.share_span([None, 0.5]) == theme.share_span(None) == "—"


def test_estimate_puts_the_interval_behind_the_number_where_both_are_known():
    assert theme.estimate("1.9 %", "+0.9 to +2.9 %") == "1.9 % (+0.9 to +2.9 %)"
    assert theme.estimate("1.9 %", "—") == "1.9 %"
    assert theme.estimate("—", "+0.9 to +2.9 %") == "—"


def test_a_slope_is_written_at_the_meters_step():
    """5.40 where the step is a hundredth; one between two steps keeps its digits."""
    assert theme.slope(5.4, 0.01) == "5.40"
    assert theme.slope(5.4, 0.05) == "5.40"
    assert theme.slope(214.0, 0.5) == "214.0"
    assert theme.slope(5.413, 0.01) == "5.413"
    assert theme.slope(5.4, None) == "5.4"
    assert theme.slope(None, 0.01) == theme.MISSING
    pair = {"slope_step": 0.01, "recommended_slope_left": 5.4, "recommended_slope_right": 5.61}
    assert theme.recommended_slopes(pair) == "L 5.40 · R 5.61"
