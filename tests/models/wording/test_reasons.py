"""Reasons and their words: every reason that the program gives has a template that fits it."""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from dashboard import theme
from models.wording import Reason, browser_templates, said
from models.wording.ageing_words import AGEING_WORDS
from models.wording.alarm_words import ALARM_WORDS
from models.wording.bench_words import BENCH_WORDS, BROWSER_WORDS
from models.wording.device_words import DEVICE_WORDS
from models.wording.digest_words import DIGEST_WORDS
from models.wording.doubt_words import DOUBT_WORDS
from models.wording.formats import FORMATS, chance, fixed, signed, span
from models.wording.reasons import TEMPLATES
from models.wording.ride_words import RIDE_WORDS
from models.wording.short_words import (
    LONGEST_ACTION,
    LONGEST_REASON,
    SHORT_ACTIONS,
    SHORT_REASONS,
)
from models.wording.status_words import STATUS_WORDS

ROOT = Path(__file__).parents[3]
TABLES = (
    *(BROWSER_WORDS, BENCH_WORDS, RIDE_WORDS, ALARM_WORDS, STATUS_WORDS, DEVICE_WORDS),
    *(AGEING_WORDS, DIGEST_WORDS, DOUBT_WORDS),
)


def given() -> Iterator[tuple[str, str, set[str]]]:
    """Where, kind and names of the values of every reason in the models' source."""
    for file in (ROOT / "models").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) == "Reason":
                kind = node.args[0]
                assert isinstance(kind, ast.Constant), f"{file}:{node.lineno}: name the kind"
                where = f"{file.relative_to(ROOT)}:{node.lineno}"
                yield where, kind.value, {str(value.arg) for value in node.keywords}


def test_every_reason_has_a_template_for_just_its_values() -> None:
    breaches = [
        f"{where}: {kind} has {names}, its template {set(template.names) if template else None}"
        for where, kind, names in given()
        if (template := TEMPLATES.get(kind)) is None or template.names != names
    ]
    assert not breaches, "\n".join(breaches)


def test_every_template_is_of_use() -> None:
    used = {kind for _, kind, _ in given()}
    assert set(TEMPLATES) - used == set()


def test_a_kind_stands_in_one_table_only() -> None:
    counts = Counter(kind for table in TABLES for kind in table)
    assert [kind for kind, n in counts.items() if n > 1] == []
    assert set(counts) == set(TEMPLATES)


def test_every_format_exists() -> None:
    named = {form for template in TEMPLATES.values() for _, _, form in template.parts}
    assert named <= set(FORMATS)


def test_the_browser_has_the_formats_of_what_it_words() -> None:
    source = (ROOT / "dashboard" / "assets" / "bench" / "words.js").read_text("utf-8")
    [table] = re.findall(r"const FORMATS = \{\n(.*?)\n  \};", source, re.DOTALL)
    known = set(re.findall(r"^    (\w+):", table, re.MULTILINE))
    wanted = {
        form
        for kind in browser_templates()
        for _, name, form in TEMPLATES[kind].parts
        if name is not None and form
    }
    assert wanted == known


def test_words_of_a_reason_within_a_reason() -> None:
    crank = Reason("other_crank", true_mm=170.0, entered_mm=172.5)
    found = Reason("explained", mistake=crank, residual_pct=0.104, error_pct=-1.349)
    assert str(found) == (
        "A crank of 170 mm instead of 172.5 mm would explain it: +0.10 % would "
        "remain of \u22121.35 %."
    )
    assert said(None) is None


def test_values_that_do_not_fit_are_a_bug() -> None:
    with pytest.raises(ValueError, match=r"no_zero: found \['nm'\], expected \['offset_nm'\]"):
        Reason("no_zero", nm=1.0)
    with pytest.raises(KeyError):
        Reason("no such kind")


def test_equal_reasons_are_one() -> None:
    first, again = (Reason("no_zero", offset_nm=1.0) for _ in range(2))
    assert {first, again} == {first}
    assert first != Reason("no_zero", offset_nm=2.0)


@pytest.mark.parametrize(
    ("value", "form", "words"),
    [
        (-0.004, "signed2", "0.00"),
        (0.004, "signed2", "0.00"),
        (-1.35, "signed2", "\u22121.35"),
        (1.35, "signed2", "+1.35"),
        (-1.35, "fixed1", "\u22121.4"),
        (-1.36, "size1", "1.4"),
        (172.5, "plain", "172.5"),
        (-20.0, "plain", "\u221220"),
        (None, "known", "unknown"),
        (date(2026, 3, 4), "day", "2026-03-04"),
        (0.005, "chance", "under 1 %"),
        (0.995, "chance", "over 99 %"),
        (0.84, "chance", "84 %"),
        (None, "bracketed", ""),
        ("left", "bracketed", " (left)"),
        (("a", "b"), "then", " a b"),
        ((), "then", ""),
        (("a", "b"), "anded", "a and b"),
        ("battery_swap", "name", "battery swap"),
        ("work", "name", "work at the bench"),
        (("crank_length", "unit"), "names", "crank length, unit"),
        (5400, "span", "90 min"),
        (1, "in_days", "tomorrow"),
        (2, "in_days", "in 2 days"),
        (18893, "n_row", "18\u00a0893 rows"),
    ],
)
def test_formats(value: object, form: str, words: str) -> None:
    assert FORMATS[form](value) == words


def test_formats_by_their_names() -> None:
    assert (fixed(2.5, 1), signed(3.0), chance(0.5), span(90)) == (
        "2.5",
        "+3",
        "50 %",
        "90 s",
    )


WIDEST: dict[str, object] = {
    **dict.fromkeys(("low_pct", "high_pct", "left_pct", "right_pct", "consequence_pct"), -12.34),
    **{"size_pct": -12.34, "p": 0.995, "target": 0.95, "factor": 12.34},
    **dict.fromkeys(("on", "last", "due_on"), date(2026, 12, 30)),
    **dict.fromkeys(("programmed_mm", "crank_mm"), 172.75),
    **{"event": "firmware_update", "size": -1234.56},
    "when": Reason("between_days", first=date(2026, 12, 28), last=date(2026, 12, 30)),
}


@pytest.mark.parametrize(
    ("table", "longest"), [(SHORT_REASONS, LONGEST_REASON), (SHORT_ACTIONS, LONGEST_ACTION)]
)
def test_short_words_fit_into_a_line_and_take_values_of_the_long_ones(
    table: dict[str, str], longest: int
) -> None:
    for kind in table:
        values: dict[str, Any] = {name: WIDEST.get(name) for name in TEMPLATES[kind].names}
        short = Reason(kind, **values).short
        assert short is not None
        assert len(theme.prose(short)) <= longest, f"{kind}: {short}"


def test_a_kind_that_is_not_worth_a_line_has_no_short_words() -> None:
    assert Reason("nothing_to_do").short is None
    assert "one_sided" not in SHORT_REASONS
