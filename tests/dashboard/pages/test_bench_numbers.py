"""The bench page's own arithmetic gives what the models give, for every kind of meter."""

from __future__ import annotations

import json
import random
from collections import Counter
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboard.service import printing
from ingest.schema import TABLES
from models.bench import evaluate_bench, evaluation, session_document, session_frame
from models.bench import offline_kit as bench_page
from models.bench.causes import before_change, before_leaving
from models.bench.judging import Forecast
from models.bench.measurement import NO_SCATTER, hands_of
from models.bench.measurement.repeatability import repeatability
from models.bench.pasts import movement_from
from models.bench.result import SessionResult
from tests.dashboard import bench_team as team
from tests.dashboard.browsing import serving
from tests.dashboard.fake import EmptyData

SIDE = ("meters", "mass_sets", "places", "installations")
ON = datetime(2026, 5, 20, 9, 30, tzinfo=UTC)
KINDS = [name for name in team.METERS if name != "TO-1"]
ASK = """([kit, id, rows, exact, bases]) => {
  const b = window.slopewatchBench, meter = b.findBy(kit.meters, 'meter_id', id);
  const found = b.stage(kit, meter, rows, 'as_found');
  const slopes = {};
  for (const side of ['', '_left', '_right']) {
    const ratio = side ? found.sides[side.slice(1)] : found.ratio;
    const exact = b.newSlope(rows[0]['slope_before' + side], ratio, meter.convention);
    slopes[side] = [exact, b.slopeToEnter(meter, exact)];
  }
  const judged = b.judge(kit, meter, found, exact);
  return {used: found.used.map(one => [one.expected, one.zero, one.ratio, one.accept]),
    error: found.error_pct, arm: found.arm_difference_pct, ring: found.ring_difference_pct,
    zero: found.zero, sides: found.sides, slopes,
    expectation: b.awaited(kit, meter, rows[0], exact).expected,
    hanging: b.repeatability(kit, rows[0]), doubt: judged.doubt,
    advice: bases.map(base => b.advise(kit, meter, judged, base)),
    looks: Object.fromEntries(['leave', 'repeat'].map(a => [a, b.looks(kit, judged.doubt, a)])),
    suspicions: judged.suspicions.map(s => [s.kind, s.fix, s.probability, s.text])};
}"""
FORECASTS = {"SP-2": Forecast(0.9, 0.3, None), "PL-1": Forecast(-0.4, 0.25, None)}


@pytest.fixture(scope="module")
def tables():
    return team.tables()


@pytest.fixture(scope="module")
def earlier(tables):
    return session_frame(evaluate_bench(tables))


@pytest.fixture(scope="module")
def recent():
    """Sessions of the same day: two without the hanger that was counted, one that surprises."""
    made = []
    for k, (name, gain) in enumerate((("SP-1", 20 / 20.35), ("AL-1", 20 / 20.35), ("XX-1", 1.031))):
        at = ON - timedelta(minutes=90 - 20 * k)
        made += team.session(name, f"today-{k}", at, gain=gain * 1.004)
    return made


@pytest.fixture(scope="module")
def kit(tables, earlier, recent):
    status = [{"meter_id": name, "status": "ok", "tolerance_pct": 1.5} for name in team.METERS]
    made = bench_page.kit(
        tables,
        earlier,
        status,
        on=ON.date(),
        recent=bench_table(recent),
        forecasts=FORECASTS,
    )
    return json.loads(json.dumps(printing.plain(made)))


def bench_table(rows: list[team.Row]) -> pl.DataFrame:
    return TABLES["bench"].conform(pl.DataFrame(rows, infer_schema_length=None))


def draw(rng: random.Random, name: str, k: int) -> list[team.Row]:
    """A session as a mechanic may enter it: often right, sometimes with a mistake."""
    gain = 1 + rng.gauss(0.006, 0.006)
    length = team.METERS[name][1]
    slip = k * 0.618034 % 1  # every kind in turn
    entered, rows = length, None
    hanger, slope_shift = 0.35, 1.0
    if slip < 0.2:
        entered = length + rng.choice((-5.0, -2.5, 2.5, 5.0))
    elif slip < 0.3:
        gain *= 2
    elif slip < 0.4:
        gain *= 20 / 20.35
    elif slip < 0.48:
        gain *= 20.35 / 20
        hanger = 0.0
    elif slip < 0.56:
        gain, slope_shift = 1.005, rng.choice((0.96, 1.03))
    elif slip < 0.64:
        gain *= rng.choice((0.45359237, 0.1, 10, -1, -1, 0.737562, 21.6 / 20.35))
    elif slip < 0.72:
        gain *= rng.choice((16 / 17, 1.031, 0.97, 0.94))
    rows = team.session(
        name,
        f"new-{k}",
        ON + timedelta(minutes=k),
        gain=gain,
        entered_length=entered,
        wobble=rng.choice((0.0003, 0.002)),
        zero=rng.uniform(-0.4, 0.4),
    )
    for row in rows:
        row["hanger_mass_kg"] = hanger if row["load"] == "mass" else 0.0
        for side in ("", "_left", "_right"):
            before = row.get(f"slope_before{side}")
            if before is not None:
                row[f"slope_before{side}"] = before * slope_shift
    if rng.random() < 0.1:  # the slope is changed, the right way or the other
        for side in ("", "_left", "_right"):
            before = rows[0].get(f"slope_before{side}")
            after = None if before is None else before * rng.choice((1 / abs(gain), abs(gain)))
            for row in rows if after else ():
                row[f"slope_after{side}"] = after
    if rng.random() < 0.15:
        rows = [row for row in rows if row["load"] == "mass"]
    if rng.random() < 0.2:
        hung = [row for row in rows if row["load"] == "mass"]
        rng.choice(hung)["torque_nm"] *= 1.07
    if rng.random() < 0.2:  # typed with a slip, or on one side only so far
        hung = [row for row in rows if row["load"] == "mass"]
        for row in hung[: rng.choice((1, len(hung)))]:
            row["torque_nm"] = round(row["torque_nm"] * rng.choice((0.1, 8.1, 10, 2)), 3)
        if rng.random() < 0.7:
            rows = [row for row in rows if row["load"] == "zero" or row is hung[0]]
    if rng.random() < 0.2:  # one way hung more often than the other
        rows = [row for k, row in enumerate(rows) if k != 3]
    who = rng.choice(("Wren", " WREN", "Alder", None))
    where = rng.choice(("shed", "tent", None))
    rows = [row | {"technician": who, "place_id": where} for row in rows]
    if rng.random() < 0.2:
        for row in rows:
            row["bench_id"] = "iron"
            row["mass_kg"] = 15.0 if row["load"] == "mass" else 0.0
            row["hanger_mass_kg"] = 0.0
            if row["load"] == "mass":
                row["torque_nm"] = round(row["torque_nm"] * 15 / 20.35, 3)
    return rows


def judged(tables, earlier, recent, rows) -> tuple[SessionResult, object, object]:
    """The models' result, what they expected the meter to be found with, what hands they know."""
    judge, results = evaluation.judged(
        {n: tables[n] for n in SIDE} | {"bench": bench_table([*recent, *rows])},
        earlier=earlier,
        in_order=True,
        forecasts=FORECASTS,
        movement=movement_from(earlier, team.conventions()),
    )
    (result,) = (r for r in results if r.session.session_id == rows[0]["session_id"])
    known = hands_of([], earlier, in_order=True).known(result.session, NO_SCATTER)
    return result, judge.hangs[result.session.meter_id][-1].case.expected, repeatability(known)


def bases_of(result: SessionResult) -> list[dict[str, object]]:
    """What advice rests on, of the meter or of each side."""
    asked = [result.basis(arm) for arm in result.deciding_sides] or [result.basis()]
    slopes = result.session.slopes
    before = [getattr(slopes, f"before_{arm}") for arm in result.deciding_sides]
    return [
        {
            "error_pct": basis.error_pct,
            "expanded": basis.budget.expanded_pct,
            "u": basis.budget.u_pct,
            "own": basis.budget.part("session")[0],
            "before": slope,
            "arm": arm,
        }
        for arm, basis, slope in zip(
            result.deciding_sides or [None], asked, before or [slopes.before], strict=True
        )
    ]


@pytest.mark.browser
def test_page_and_models_agree_on_every_number(visit, tables, earlier, recent, kit):
    rng = random.Random(20260520)
    kinds: Counter[str] = Counter()
    with serving(EmptyData()) as address:
        page = visit().page
        page.goto(address)
        page.wait_for_load_state("networkidle")
        for k, name in enumerate(KINDS * 12):
            rows = draw(rng, name, k)
            result, expected, (sd, dof, _) = judged(tables, earlier, recent, rows)
            asked = [kit, name, sent(rows), exactly(result), bases_of(result)]
            shown = page.evaluate(ASK, asked)
            compare(shown, result, expected)
            assert shown["hanging"] == pytest.approx({"sd": 100 * sd, "dof": dof})
            same_advice(shown, result)
            kinds.update(said[0] for said in shown["suspicions"])
            kinds.update((result.advice and [result.advice.code]) or [])
    drawn = {"crank_length", "hanger_mass", "unit", "slope", "slope_changed", "mistyped", "sign"}
    assert drawn <= set(kinds)  # every kind of slip was drawn, and named by both
    assert {"reset", "leave", "repeat", "fix_setting"} <= set(kinds)


def sent(rows: list[team.Row]) -> object:
    """Rows as the browser gets them."""
    return json.loads(json.dumps(printing.plain(rows)))


def exactly(result: SessionResult) -> dict[str, float]:
    """The uncertainties that the page gets from the server, and guesses without it."""
    gain = result.found
    return {
        "session": gain.part_ln("session"),
        "whole": gain.u_ln,
        "expanded": gain.budget.expanded_pct,
    }


def compare(shown, result, expected):
    document = session_document(result)
    hung = [r for r in result.session.readings if r.expected_nm is not None]
    near = {"rel": 1e-9, "abs": 1e-9}
    for (nm, zero, ratio, accept), reading, said in zip(
        shown["used"], hung, [r for r in document["readings"] if r["load"] == "mass"], strict=True
    ):
        assert nm == pytest.approx(reading.expected_nm, **near)
        assert zero == (reading.zero_nm and pytest.approx(reading.zero_nm, **near))
        assert ratio == pytest.approx(reading.ratio, **near)
        assert accept == pytest.approx(said["accept_nm"], abs=1e-6)
    assert shown["error"] == pytest.approx(result.found.error_pct, abs=1e-7)
    for key, value in (("arm", result.arm_difference), ("ring", result.ring_difference)):
        assert (shown[key] is None) == (value is None)
        assert value is None or shown[key] == pytest.approx(100 * value, abs=1e-7)
    assert shown["zero"] == (
        None if result.zero_offset_nm is None else pytest.approx(result.zero_offset_nm, **near)
    )
    for arm, ratio in shown["sides"].items():
        assert 100 * (ratio - 1) == pytest.approx(result.side_error_pct(arm), abs=1e-7)
    exact, entered = shown["slopes"][""]
    assert exact == (result.new_slope and pytest.approx(result.new_slope, **near))
    assert entered == (document["slope_to_enter"] and pytest.approx(document["slope_to_enter"]))
    for arm in ("left", "right"):
        wanted = result.new_slope_sides.get(arm)
        assert shown["slopes"][f"_{arm}"][0] == (wanted and pytest.approx(wanted, **near))
    if result.found.ratio > 0:  # else nothing is held against the meter's past
        assert shown["expectation"]["known"] == expected.known
        assert shown["expectation"]["mean"] == pytest.approx(expected.mean, abs=1e-8)
        assert shown["expectation"]["sd"] == pytest.approx(expected.sd, rel=1e-6)
    same_suspicions(shown["suspicions"], result)


def same_suspicions(shown, result):
    """Kind, what to mend, probability and the very words.

    Which ring or arm was swapped needs the last session's differences; the page leaves that to
    the server.
    """
    left_out = ("rings_swapped", "arms_swapped", "other_zero")
    wanted = [s for s in result.suspicions if s.reason.kind not in left_out]
    assert [(kind, fix) for kind, fix, _, _ in shown] == [(s.kind, s.fix) for s in wanted]
    for (_, _, probability, text), suspicion in zip(shown, wanted, strict=True):
        assert (probability is None) == (suspicion.probability is None)
        if probability is not None:
            assert probability == pytest.approx(suspicion.probability, rel=1e-6)
        assert text == str(suspicion.reason)


ONLY_SERVER = ("arms_differ", "no_slope_mends")
"""Reasons of advice that need what the page does not work out."""


def same_advice(shown, result):
    """What speaks against a reset, what to look at, and what to do, side by side."""
    doubt, wanted = shown["doubt"], result.doubt
    for key in ("reset_harm", "leave_harm", "own_harm", "spared", "better"):
        assert doubt[key] == pytest.approx(getattr(wanted, key), rel=1e-6, abs=1e-6)
    assert (doubt["outside"], doubt["agreed"]) == (wanted.outside, wanted.agreed)
    assert [c["what"] for c in doubt["checks"]] == [str(c.reason) for c in wanted.checks]
    looks = {"leave": before_leaving(wanted), "repeat": before_change(wanted)}
    for advice, checks in looks.items():
        assert [c["kind"] for c in shown["looks"][advice]] == [c.kind for c in checks]
    for check, other in zip(doubt["checks"], wanted.checks, strict=True):
        assert check["probability"] == pytest.approx(other.probability, rel=1e-6)
    if result.advice.reason.kind not in ONLY_SERVER:
        assert result.advice.code in shown["advice"]


QUEUE = """([kit, id, rows, exact, advice]) => {
  const b = window.slopewatchBench, meter = b.findBy(kit.meters, 'meter_id', id);
  const found = b.stage(kit, meter, rows, 'as_found');
  const hang = b.hangOf(kit, meter, found, b.judge(kit, meter, found, exact), advice);
  const item = {key: rows[0].session_id, kind: 'session', meter_id: id, waiting: 'no connection',
    hang: {...hang, u_session: exact.session}};
  localStorage.setItem('slopewatch-bench-queue@', JSON.stringify([item]));
}"""


@pytest.mark.browser
def test_a_session_that_waits_to_be_sent_is_repeated_like_one_that_is_stored(
    visit, tables, earlier, recent, kit
):
    """Saved without a connection, then hung afresh: the page judges as the server would.

    Days later it is no repeat; the meter's past learns from it once it is sent.
    """
    agreed = []
    with serving(EmptyData()) as address:
        page = visit().page
        page.goto(address)
        page.wait_for_load_state("networkidle")
        for name, gain, minutes in (("SP-2", 1.031, 10), ("AL-1", 0.97, 20), ("SP-1", 1.02, 5000)):
            first = team.session(name, "waits", ON, gain=gain)
            again = team.session(name, "again", ON + timedelta(minutes=minutes), gain=gain + 5e-4)
            before, _, _ = judged(tables, earlier, recent, first)
            asked = [kit, name, sent(first), exactly(before), before.advice.code]
            page.evaluate(QUEUE, asked)
            result, expected, _ = judged(tables, earlier, [*recent, *first], again)
            bases = bases_of(result)
            shown = page.evaluate(ASK, [kit, name, sent(again), exactly(result), bases])
            agreed.append(shown["doubt"]["agreed"])
            assert agreed[-1] == result.doubt.agreed
            if minutes < 72 * 60:
                assert shown["expectation"]["mean"] == pytest.approx(expected.mean, abs=1e-8)
                same_suspicions(shown["suspicions"], result)
                same_advice(shown, result)
            page.evaluate("localStorage.removeItem('slopewatch-bench-queue')")
    assert agreed[0] >= 1
    assert agreed[-1] == 0


TYPED = {
    "33,4": 33.4,
    "33.4": 33.4,
    " 33,41 ": 33.41,
    "-0,12": -0.12,
    "\u22120.12": -0.12,
    "1.234,5": 1234.5,
    "1,234.5": 1234.5,
    "": None,
    "33,4,1": "NaN",
    "abc": "NaN",
}


@pytest.mark.browser
def test_comma_and_point_are_the_same(visit):
    with serving(EmptyData()) as address:
        page = visit().page
        page.goto(address)
        page.wait_for_load_state("networkidle")
        script = "t => { const v = slopewatchBench.parse(t); return Number.isNaN(v) ? 'NaN' : v; }"
        assert {text: page.evaluate(script, text) for text in TYPED} == TYPED
