"""Tell a plan row by row: what each visit prevents, and what stays undone."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np

from models.metrology import Array
from models.season.documents import MeterShare, SecondVisit, Unplanned, Visit
from models.season.plan_inputs import PlanInputs
from models.season.season_ask import SeasonAsk
from models.season.visit_program import Visits
from models.wording import chance, share

WORTH_DAYS = 0.05  # fewer ridden days than this are not worth a sentence
Weeks = tuple[int, ...]


def visit_rows(inputs: PlanInputs, chosen: Visits) -> list[Visit]:
    """Return the visits of a plan, in order of week and deadline."""
    rows = [
        _visit_row(inputs, meter, weeks, k)
        for meter, weeks in enumerate(chosen.weeks)
        for k in range(len(weeks))
    ]
    return sorted(rows, key=lambda row: (row["week"], row["deadline"] or date.max, row["meter_id"]))


def _visit_row(inputs: PlanInputs, meter: int, weeks: Weeks, k: int) -> Visit:
    """Return a meter's visit in weeks[k], weighed against the plan without it."""
    week, earlier, others = weeks[k], weeks[:k], weeks[:k] + weeks[k + 1 :]
    spared = inputs.risk(meter, others) - inputs.risk(meter, weeks)
    days, money = inputs.days_out(meter, spared), inputs.money_out(meter, spared)
    p_before = float(inputs.p_within(meter, earlier)[week])
    pinned = week in inputs.program.pins.get(meter, ())
    about = inputs.meters[meter]
    reason = _reason(inputs, meter, p_before, days=days, money=money)
    return {
        "week": inputs.mondays[week],
        "meter_id": about["meter_id"],
        "reason": ("Pinned to this week. " if pinned else "")
        + reason
        + _why_now(inputs, meter, earlier, week),
        "p_within_tolerance_before": p_before,
        "deadline": _deadline(inputs, meter, earlier),
        "pinned": pinned,
        "rider_id": inputs.exposure.rider[meter],
        "tolerance_pct": about["tolerance_pct"],
        "days_out_prevented": days,
        "money_saved": money,
        "cost": float(inputs.prices.visit[meter]),
    }


def _reason(inputs: PlanInputs, meter: int, p: float, *, days: float, money: float) -> str:
    about = inputs.meters[meter]
    text = f"The chance that it is within ± {about['tolerance_pct']:g} % is {chance(p)} by then"
    if days >= WORTH_DAYS:
        text += (
            f"; a visit spares about {_number(days)} days ridden out of tolerance, "
            f"{inputs.money(money)} of priced risk."
        )
    else:
        text += "; a visit would prevent almost nothing."
    if about["slope_convention"] == "fixed":
        text += " Its slope cannot be set: its watts are corrected by what is found."
    return text


def _why_now(inputs: PlanInputs, meter: int, earlier: Weeks, week: int) -> str:
    """Say why a visit comes before it is due, and that an A race comes before it."""
    p = inputs.p_within(meter, earlier)[: len(inputs.mondays)]
    text = ""
    if p[week] >= inputs.target and p[-1] < p[week] - 0.01:
        text = f" Without it the chance falls to {chance(float(p[-1]))} by the end."
        text += " It is not due yet: it comes this early because that costs least."
    race = _first_a_race(inputs, meter, earlier)
    if race is not None and race < inputs.mondays[week]:
        at = float(p[(race - inputs.mondays[0]).days // 7])
        text += f" Its A race of {race} comes before; the chance then is {chance(at)}."
    return text


def _number(days: float) -> str:
    return f"{days:.0f}" if days >= 3 else f"{days:.1f}"


def _deadline(inputs: PlanInputs, meter: int, earlier: Weeks) -> date | None:
    """Return the last day with p ≥ target, or the day before the next A race if earlier."""
    start = earlier[-1] if earlier else 0
    p = inputs.p_within(meter, earlier)[start:]
    below = np.flatnonzero(p < inputs.target)
    days = [_crossing(inputs, p, start, int(below[0]))] if below.size else []
    race = _first_a_race(inputs, meter, earlier, least=inputs.first + timedelta(days=1))
    if race is not None:
        days.append(race - timedelta(days=1))
    return min(days, default=None)


def _crossing(inputs: PlanInputs, p: Array, start: int, k: int) -> date:
    """Return the last day before p falls below the target at its Monday k, by a straight line.

    p begins with week `start`; where it is below already: the day before the plan.
    """
    if k == 0:
        return max(inputs.mondays[start], inputs.today) - timedelta(days=1)
    part = (p[k - 1] - inputs.target) / max(p[k - 1] - p[k], 1e-12)
    return inputs.mondays[0] + timedelta(days=int(7 * (start + k - 1 + part)))


def _first_a_race(
    inputs: PlanInputs, meter: int, earlier: Weeks, *, least: date = date.min
) -> date | None:
    """Return the first day of an A race after the week of the last earlier visit."""
    after = inputs.mondays[earlier[-1]] + timedelta(days=6) if earlier else date.min
    days = (day for day in inputs.a_race_days(meter) if day >= least and day > after)
    return next(days, None)


def unplanned_rows(inputs: PlanInputs, chosen: Visits, wanted: list[Weeks]) -> list[Unplanned]:
    """Return meters without a visit: whether none is needed or none fits, and their risk.

    wanted: each meter's best weeks if the bench had room for all
    """
    rows: list[Unplanned] = []
    for meter, weeks in enumerate(chosen.weeks):
        if weeks:
            continue
        risk = inputs.program.risk_unvisited[meter]
        days, money = inputs.days_out(meter, risk), inputs.money_out(meter, risk)
        no_slot = bool(wanted[meter])
        rows.append(
            {
                "meter_id": inputs.meters[meter]["meter_id"],
                "reason": _why_not(inputs, meter, money, days=days, no_slot=no_slot),
                "p_within_tolerance_now": float(inputs.outlook.p_within[meter, 0]),
                "p_within_tolerance_end": float(inputs.outlook.p_within[meter, -1]),
                "days_out_of_tolerance": days,
                "risk_money": money,
                "no_slot": no_slot,
                "deadline": _deadline(inputs, meter, ()),
            }
        )
    return sorted(rows, key=lambda row: -row.get("risk_money", 0.0))


def _why_not(inputs: PlanInputs, meter: int, money: float, *, days: float, no_slot: bool) -> str:
    carried = (
        f"it carries about {_number(days)} days ridden out of tolerance, "
        f"{inputs.money(money)} at risk"
    )
    if no_slot:
        if not inputs.program.slots.any():
            return f"no bench slot in the whole period: {carried}"
        return f"every slot that would help is worth more to another meter: {carried}"
    if not inputs.ridden[meter].any():
        return "nobody is assigned to ride it: bench it before someone does"
    if days < WORTH_DAYS:
        return "it is expected to stay within tolerance for the whole period"
    best = min(max(0.0, _most_spared(inputs, meter)), money)
    return (
        f"{carried}; a visit in the best week would spare {inputs.money(best)} of that risk and "
        f"costs {inputs.money(float(inputs.prices.visit[meter]))} in cash"
    )


def meter_shares(inputs: PlanInputs, chosen: Sequence[Weeks]) -> list[MeterShare]:
    """Return what each meter adds to days and money, so that those of some meters can be summed."""
    rows: list[MeterShare] = []
    for meter, weeks in enumerate(chosen):
        risk, never = inputs.risk(meter, weeks), inputs.program.risk_unvisited[meter]
        rows.append(
            {
                "meter_id": inputs.meters[meter]["meter_id"],
                "days_out": inputs.days_out(meter, risk),
                "days_without_visits": inputs.days_out(meter, never),
                "risk": inputs.money_out(meter, risk),
                "risk_without_visits": inputs.money_out(meter, never),
            }
        )
    return rows


def second_visits(inputs: PlanInputs, chosen: Visits) -> list[SecondVisit]:
    """Return what a visit beside its pins would spare each pinned meter, where it pays."""
    used = np.bincount(
        [week for weeks in chosen.weeks for week in weeks], minlength=len(inputs.mondays)
    )
    free = np.flatnonzero(inputs.program.slots > used).tolist()
    rows = [
        _second_visit(inputs, meter, chosen.weeks[meter], free) for meter in inputs.program.pins
    ]
    return [row for row in rows if row is not None and row["money_saved"] > row["cost"]]


def _second_visit(
    inputs: PlanInputs, meter: int, weeks: Weeks, free: list[int]
) -> SecondVisit | None:
    now = inputs.risk(meter, weeks)
    spared = {
        week: inputs.money_out(meter, now - inputs.risk(meter, (*weeks, week)))
        for week in free
        if week not in weeks
    }
    if not spared:
        return None
    best = max(spared, key=lambda week: spared[week])
    return {
        "meter_id": inputs.meters[meter]["meter_id"],
        "week": inputs.mondays[best],
        "money_saved": spared[best],
        "cost": float(inputs.prices.visit[meter]),
    }


def _most_spared(inputs: PlanInputs, meter: int) -> float:
    """Return the money that one visit would spare in the best week that has a slot."""
    never = inputs.program.risk_unvisited[meter]
    spared = [
        inputs.money_out(meter, never - inputs.risk(meter, (week,)))
        for week in np.flatnonzero(inputs.program.slots).tolist()
    ]
    return max(spared, default=0.0)


def plan_notes(inputs: PlanInputs, chosen: Visits, ask: SeasonAsk) -> list[str]:
    """Return what has to be said of the plan as a whole."""
    notes = ask.supposed()
    if inputs.first > ask.first:
        notes.append(f"Days before {inputs.first} are past: the plan begins there.")
    if not inputs.program.slots.any():
        notes.append(
            "There is no bench slot in this period (closed weeks, capacity, a week that has begun, "
            "or --slots-per-week 0): nothing can be planned, only the risk shown."
        )
    for week in chosen.overfull:
        why = "is closed" if inputs.closed[week] else f"has {inputs.program.slots[week]} slots"
        notes.append(
            f"The pins of the week of {inputs.mondays[week]} are kept although it {why}: move one "
            "of them."
        )
    if chosen.gap > 0.01:
        notes.append(f"A better plan may exist: at most {share(chosen.gap)} cheaper.")
    return notes
