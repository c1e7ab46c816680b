"""Sessions held against their meters' pasts and against each other: suspicions, checks, advice.

Day by day, for two things join a day's sessions. A slip of the setup is one cause for all of
them (`causes.neighbours`). And a session that follows another of the same meter, the slope
untouched, is a repeat: it is judged by what was known before both, and where it finds the same,
what the first had looked at is very likely right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import NamedTuple

from models.bench.advice import FIX_SETTING, LEAVE, REPEAT, Advice, advise
from models.bench.causes import (
    REACH,
    Case,
    Densities,
    Expectation,
    Hangs,
    Link,
    Observed,
    Past,
    Surroundings,
    Suspicion,
    densities,
    doubt_of,
    forward,
    messages,
    of_side,
    offset_sd,
    plain_suspicions,
    plausible,
    weigh,
    weighed_suspicions,
)
from models.bench.findings import findings_of, hold, wrong_way
from models.bench.measurement import Setups, name_of
from models.bench.pasts import Timeline, fold, observed
from models.bench.result import Gain, SessionResult, unexpected, why_not, worst
from models.wording import Reason

REPEAT_HOURS = 72.0
"""A session so soon after another is a repeat of it; no meter drifts in between."""
AGREES = 2.6
"""Standard deviations of their difference within which two hangs have found the same."""
MISSED = 0.05
"""Chance that a slip is still there after it was looked for."""
PASSING = {"angle": 0.25, "mistyped": 0.25, "unit": 0.5}
"""Chance that a slip of the moment is made again in a fresh hang that nobody warned of."""


class Forecast(NamedTuple):
    """What the fleet expects of a meter, 100·ln: gain error, sd, and the slope it is left with.

    p: programmed slope, as of `causes.programmed_ln`; None: not known
    """

    mean: float
    sd: float
    p: float | None


@dataclass(slots=True)
class Opened:
    """A session on its day. found: densities of its causes; None: there is nothing to weigh.

    before: earlier hangs that this one repeats; plain: suspicions that need no weighing
    """

    result: SessionResult
    gain: Gain
    now: Observed
    case: Case
    plain: list[Suspicion]
    found: Densities | None
    before: list[Opened] = field(default_factory=list)


@dataclass(slots=True)
class Judge:
    """Judges sessions in the order of time.

    forecasts  of the fleet, by meter
    hangs      each meter's last sessions that the next one may repeat
    chains     the last day's sessions by setup
    """

    timeline: Timeline
    setups: Setups
    forecasts: Mapping[str, Forecast]
    hangs: dict[str, list[Opened]] = field(default_factory=dict)
    chains: dict[object, list[Opened]] = field(default_factory=dict)

    def judge(self, results: Iterable[SessionResult]) -> None:
        """Set suspicions, doubt, findings and advice of every session."""
        for _, day in groupby(sorted(results, key=_when), key=_day):
            self._judge_day(list(day))

    def _judge_day(self, results: Sequence[SessionResult]) -> None:
        chains = self.chains = {}
        for result in results:
            try:
                opened = self._open(result)
                if opened is not None:
                    chain = chains.setdefault(setup_of(result), [])
                    chain.append(opened)
                    _conclude(chain, len(chain) - 1)
            except UNEXPECTED as error:
                result.reason = result.reason or unexpected(error)
        for chain in chains.values():
            for k, opened in enumerate(chain):
                if any(_meter(later) != _meter(opened) for later in chain[k + 1 :]):
                    _conclude(chain, k)

    def _open(self, result: SessionResult) -> Opened | None:
        """Return a session with its case; None, and its advice is set, without a gain error."""
        gain = result.deciding
        if result.found is None or gain is None:
            result.advice = advice_without_found(result)
            return None
        session, past = result.session, self.timeline.before(result.session)
        now = observed(result) or Observed(session.measured_at, 0.0, None, None, None, gain.u_ln)
        first = session.meter_id not in self.hangs
        hangs = self._repeated(session.meter_id, past, now)
        self.timeline.shake(past, session.meter_id, session.measured_at)
        expected = past.expect(now)
        if first:
            expected = self._forecast(session.meter_id, now) or expected
        elif hangs and hangs[0].case.expected.of_truth:
            expected = hangs[0].case.expected
        result.expected = expected if expected.known else None
        case = self._case(result, gain, now, expected, past)
        plain, weighs = plain_suspicions(case)
        opened = Opened(result, gain, now, case, plain, None, _agreeing(hangs, now))
        if weighs:
            times = _times(opened.before)
            around = case.around._replace(times=times)
            opened.found = densities(
                tuple(plausible(session, around)), case.off, case.sd, zero_sd=offset_sd(case)
            )
        hangs.append(opened)
        return opened

    def _repeated(self, meter_id: str, past: Past, now: Observed) -> list[Opened]:
        """Return the hangs that a session repeats; older ones join the meter's past first."""
        hangs = self.hangs.setdefault(meter_id, [])
        del hangs[:-MOST_HANGS]
        self._conclude_anew(hangs)
        if hangs and not _soon_after(hangs[-1].now, now):
            fold_hangs(past, hangs)
            hangs.clear()
        return hangs

    def _conclude_anew(self, hangs: Sequence[Opened]) -> None:
        """Let hangs of this day hear what the sessions after them have said."""
        for hang in hangs:
            chain = self.chains.get(setup_of(hang.result), [])
            for k, opened in enumerate(chain):
                if opened is hang:
                    _conclude(chain, k)

    def _forecast(self, meter_id: str, now: Observed) -> Expectation | None:
        """Return what the fleet expects of a meter that it has not seen since."""
        forecast = self.forecasts.get(meter_id)
        if forecast is None:
            return None
        moved = 0.0
        if now.p_before is not None and forecast.p is not None:
            moved = now.p_before - forecast.p
        return Expectation(forecast.mean - moved, forecast.sd, True, of_truth=True)

    def _case(
        self, result: SessionResult, gain: Gain, now: Observed, expected: Expectation, past: Past
    ) -> Case:
        session, used = result.session, gain.stage.used
        against_past = expected.known and not expected.of_truth
        return Case(
            session=session,
            stage=gain.stage,
            u=gain.part_ln("session") if against_past else gain.u_ln,
            per_nm=sum(1 / (r.expected_nm or 1.0) for r in used) / len(used),
            expected=expected,
            now=now,
            u_difference=result.u_difference or 0.0,
            around=Surroundings(
                sets=self.setups.others(session.bench_id),
                hanger_kg=self.setups.hangers.get(session.bench_id or ""),
                last=past.last,
                left=past.left,
            ),
        )


MOST_HANGS = 6  # of a meter that are looked at again with each further one


def fold_hangs(past: Past, hangs: Sequence[Opened]) -> None:
    """Fold the most credible of several hangs into a meter's past, and the slope last left."""
    last = min(reversed(hangs), key=lambda hang: hang.result.slip_probability)
    fold(past, last.now, last.result.slip_probability)
    past.note(hangs[-1].now)


def carried_on(chain: Sequence[Opened], *, without: str | None = None) -> dict[str, float]:
    """Return what a chain's sessions hand on to the next meter: see `causes.neighbours`."""
    latest = {link.meter_id: link for link in _links(chain) if link.meter_id != without}
    return forward(list(latest.values())[-REACH:])


UNEXPECTED = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a session's numbers may provoke: it becomes the session's reason, never the fleet's."""


def _conclude(chain: Sequence[Opened], k: int) -> None:
    """Set what follows for one session of a chain, whatever was concluded before."""
    opened = chain[k]
    result, case = opened.result, opened.case
    looked = {kind for hang in opened.before for kind in looked_at(hang)}
    found = [s for s in opened.plain if s.fix != "entry" or s.kind not in looked]
    if opened.found is not None:
        carried, after = messages(list(_links(chain)), _place(chain, k))
        weighed = weigh(opened.found, carried={} if opened.before else carried, after=after)
        found += weighed_suspicions(case, weighed)
        result.doubt = doubt_of(case, weighed, _hangs(opened), agreed=len(opened.before))
    result.suspicions = [*wrong_way(result), *found]
    result.findings = findings_of(result)
    result.advice = worst(_advices(result))


def _hangs(opened: Opened) -> Hangs:
    """Return a session with the credible ones of the earlier hangs that it agrees with."""
    every = [hang for hang in opened.before if not hang.result.suspicions] + [opened]
    found = tuple(hang.now.found for hang in every)
    return Hangs(found, tuple(hang.now.u_session for hang in every), opened.gain.shared_ln)


def _advices(result: SessionResult) -> Iterator[Advice]:
    """Yield the advice of the whole meter, or of each side with a slope of its own."""
    loose, sides = hold(result), result.deciding_sides
    for arm in sides or (None,):
        basis, doubt = result.basis(arm), result.doubt
        if arm is not None:
            doubt = of_side(doubt, sides[arm].ratio, sides[arm].u_ln)
        if basis is not None:
            yield advise(basis, result.suspicions, hold=loose, doubt=doubt)


def _links(chain: Sequence[Opened]) -> Iterator[Link]:
    for opened in chain:
        if opened.found is not None:
            yield Link(_meter(opened), opened.found)


def _meter(opened: Opened) -> str:
    return opened.result.session.meter_id


def _place(chain: Sequence[Opened], k: int) -> int:
    """Return a session's place among those that are weighed."""
    return sum(opened.found is not None for opened in chain[:k])


def _when(result: SessionResult) -> float:
    at = result.session.measured_at
    return at.timestamp() if at else 0.0


def _day(result: SessionResult) -> object:
    at = result.session.measured_at
    return at.date() if at else None


def setup_of(result: SessionResult) -> object:
    """Return whose setup a session was hung from; one that nobody names is its own."""
    session = result.session
    technician = name_of(session.technician)
    if session.bench_id is None and technician is None:
        return session.session_id
    return session.bench_id, technician


def _soon_after(before: Observed, now: Observed) -> bool:
    """Return whether a session repeats one before it: soon after, the slope untouched."""
    if before.at is None or now.at is None:
        return False
    hours = (now.at - before.at).total_seconds() / 3600
    slopes = (before.p_before, before.p_after, now.p_before)
    known = [p for p in slopes if p is not None]
    return 0 <= hours <= REPEAT_HOURS and max(known, default=0.0) - min(known, default=0.0) < 1e-6


def _agreeing(hangs: Sequence[Opened], now: Observed) -> list[Opened]:
    """Return the earlier hangs that found what this one finds."""
    return [
        hang
        for hang in hangs
        if abs(hang.now.found - now.found)
        <= AGREES * (hang.now.u_session**2 + now.u_session**2) ** 0.5
    ]


def looked_at(hang: Opened) -> set[str]:
    """Return the kinds of slip that a hang's advice had looked at before the next one."""
    advice = hang.result.advice
    if advice is None or advice.code not in (REPEAT, FIX_SETTING):
        return set()
    named = {s.kind for s in hang.result.suspicions}
    return named | {c.kind for c in hang.result.checks}


def _times(before: Sequence[Opened]) -> dict[str, float]:
    """Return how many times its usual share each kind of slip has after agreeing hangs."""
    times: dict[str, float] = {}
    for hang in before:
        looked = looked_at(hang)
        for kind in looked | PASSING.keys():
            still = MISSED if kind in looked else PASSING[kind]
            times[kind] = times.get(kind, 1.0) * still
    return times


def advice_without_found(result: SessionResult) -> Advice:
    """Return the advice where nothing was found: by what was left, else repeat."""
    left = result.as_left or result.after_work
    session = result.session
    if left is not None:
        expanded = left.budget.expanded_pct
        gain = Reason("gain", error_pct=left.error_pct, expanded_pct=expanded)
        if abs(left.error_pct) <= max(session.tolerance_pct, expanded):
            return Advice(LEAVE, Reason("left_within", left=gain))
        return Advice(REPEAT, Reason("left_beyond", left=gain))
    reason = result.reason or why_not(session)
    if session.meter.static_check is False:
        return Advice(LEAVE, reason)
    return Advice(REPEAT, Reason("not_evaluated", reason=reason))
