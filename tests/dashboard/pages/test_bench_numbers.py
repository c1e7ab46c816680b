"""The bench page's own arithmetic gives what the models give, for every kind of meter."""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from dashboard.service import printing
from ingest.schema import TABLES
from models.bench import evaluate_bench, session_document, session_frame
from models.bench import offline_kit as bench_page
from models.bench.measurement import NO_SCATTER, hands_of
from models.bench.measurement.repeatability import repeatability
from models.bench.pasts import Timeline, observed
from tests.dashboard import bench_team as team
from tests.dashboard.browsing import serving
from tests.dashboard.fake import EmptyData

SIDE = ("meters", "mass_sets", "places", "installations")
ON = datetime(2026, 5, 20, 9, 30, tzinfo=UTC)
KINDS = [name for name in team.METERS if name != "TO-1"]
ASK = """([kit, id, rows, u]) => {
  const b = window.slopewatchBench, meter = b.findBy(kit.meters, 'meter_id', id);
  const found = b.stage(kit, meter, rows, 'as_found');
  const slopes = {};
  for (const side of ['', '_left', '_right']) {
    const ratio = side ? found.sides[side.slice(1)] : found.ratio;
    const exact = b.newSlope(rows[0]['slope_before' + side], ratio, meter.convention);
    slopes[side] = [exact, b.slopeToEnter(meter, exact)];
  }
  return {used: found.used.map(one => [one.expected, one.zero, one.ratio, one.accept]),
    error: found.error_pct, arm: found.arm_difference_pct, ring: found.ring_difference_pct,
    zero: found.zero, sides: found.sides, slopes, expectation: b.expectation(kit, meter, rows[0]),
    hanging: b.repeatability(kit, rows[0]),
    suspicions: b.suspicions(kit, meter, found, u)
      .map(s => [s.kind, s.fix, s.probability, s.text])};
}"""


@pytest.fixture(scope="module")
def tables():
    return team.tables()


@pytest.fixture(scope="module")
def earlier(tables):
    return session_frame(evaluate_bench(tables))


@pytest.fixture(scope="module")
def kit(tables, earlier):
    status = [{"meter_id": name, "status": "ok", "tolerance_pct": 1.5} for name in team.METERS]
    made = bench_page.kit(tables, earlier, status, on=ON.date())
    return json.loads(json.dumps(printing.plain(made)))


def draw(rng: random.Random, name: str, k: int) -> list[team.Row]:
    """A session as a mechanic may enter it: often right, sometimes with a mistake."""
    gain = 1 + rng.gauss(0.006, 0.006)
    length = team.METERS[name][1]
    slip = rng.random()
    entered, rows = length, None
    if slip < 0.2:
        entered = length + rng.choice((-5.0, -2.5, 2.5, 5.0))
    elif slip < 0.3:
        gain *= 2
    elif slip < 0.4:
        gain *= 20 / 20.35
    rows = team.session(
        name,
        f"new-{k}",
        ON + timedelta(minutes=k),
        gain=gain,
        entered_length=entered,
        wobble=rng.choice((0.0003, 0.002)),
        zero=rng.uniform(-0.4, 0.4),
    )
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


def judged(tables, earlier, rows):
    """The models' result, what they expected the meter to be found with, what hands they know."""
    bench = TABLES["bench"].conform(pl.DataFrame(rows, infer_schema_length=None))
    (result,) = evaluate_bench({n: tables[n] for n in SIDE} | {"bench": bench}, earlier=earlier)
    past = Timeline(earlier, set()).before(result.session)
    known = hands_of([], earlier, in_order=True).known(result.session, NO_SCATTER)
    return result, past.expect(observed(result)), repeatability(known)


@pytest.mark.browser
def test_page_and_models_agree_on_every_number(visit, tables, earlier, kit):
    rng = random.Random(20260520)
    named = 0
    with serving(EmptyData()) as address:
        page = visit().page
        page.goto(address)
        page.wait_for_load_state("networkidle")
        for k, name in enumerate(KINDS * 7):
            rows = draw(rng, name, k)
            result, expected, (sd, dof, _) = judged(tables, earlier, rows)
            gain = result.found
            u = gain.part_ln("session") if expected.known else gain.u_ln
            sent = json.loads(json.dumps(printing.plain(rows)))
            shown = page.evaluate(ASK, [kit, name, sent, u])
            compare(shown, result, expected)
            assert shown["hanging"] == pytest.approx({"sd": 100 * sd, "dof": dof})
            named += len(shown["suspicions"])
    assert named > 15  # mistakes were drawn, and named by both


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
    assert shown["expectation"]["known"] == expected.known
    assert shown["expectation"]["mean"] == pytest.approx(expected.mean, abs=1e-8)
    assert shown["expectation"]["sd"] == pytest.approx(expected.sd, rel=1e-6)
    same_suspicions(shown["suspicions"], result)


def same_suspicions(shown, result):
    """Kind, what to mend, probability and the very words.

    Which ring or arm was swapped needs the last session's differences; the page leaves that to
    the server.
    """
    left_out = ("rings_swapped", "arms_swapped")
    wanted = [s for s in result.suspicions if s.reason.kind not in left_out]
    assert [(kind, fix) for kind, fix, _, _ in shown] == [(s.kind, s.fix) for s in wanted]
    for (_, _, probability, text), suspicion in zip(shown, wanted, strict=True):
        assert (probability is None) == (suspicion.probability is None)
        if probability is not None:
            assert probability == pytest.approx(suspicion.probability, rel=1e-6)
        assert text == str(suspicion.reason)


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
