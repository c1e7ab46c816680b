"""What to make of a compared ride: does it fit what is believed, and is it enough to count."""

import math
from typing import Any

from dash import html

from dashboard import theme
from dashboard.navigation import Document

ENOUGH_PCT = 1.0  # a 90 % half-width beyond it says little of a meter
FAR_PCT = 0.8  # nearer than this to what is believed, nothing is asked
MAKES = (
    "Keep puts the comparison among the fleet's evidence (the models are fitted again); Discard "
    "deletes both files and all that was read from them."
)


def sense(found: Document, expected: Document | None, meter_id: str | None) -> Any:
    """Return the sentences between the answer and the two buttons.

    In   expected: the `expected_ratio` of the two devices; None: not known
    """
    ratio = found.get("gain_ratio_pct")
    if ratio is None:
        return html.P("There is no number to keep: drop a longer ride, or discard this one.")
    half = theme.half(found.get("gain_ratio_interval90_pct")) or 0.0
    return [_fits(ratio, half, expected, meter_id), _suffices(half), html.P(MAKES)]


def _fits(ratio: float, half: float, expected: Document | None, meter_id: str | None) -> html.P:
    if not meter_id:
        return html.P(
            "Choose the meter and what it was compared with: then it is said here whether the "
            "number fits with what is believed of them."
        )
    if expected is None:
        return html.P(f"Nothing is known of {meter_id} yet: this would be the first number of it.")
    should, own = expected["ratio_pct"], theme.half(expected["interval90_pct"]) or 0.0
    away, wide = ratio - should, math.hypot(half, own)
    rider = "rider, rings and chain counted"
    if not expected["legs_counted"]:
        rider = "rings and chain counted, whoever rides"
    told = f"{theme.plus_minus(should, own, '%', 1)}, {rider}"
    if abs(away) <= max(FAR_PCT, wide):
        return html.P(f"It fits with what is believed of {meter_id} today ({told}).")
    asked = "the wrong meter chosen, or has it changed since it was last checked?"
    if abs(-ratio - should) <= max(FAR_PCT, wide):
        asked = "the two files the wrong way round? Swapped, it would fit."
    return html.P(
        f"{theme.number(abs(away), 1)}{theme.NBSP}% away from what is believed of {meter_id} today "
        f"({told}): {asked}",
        className="warn",
    )


def _suffices(half: float) -> html.P:
    wide = f"±{theme.NBSP}{theme.number(half, 1)}{theme.NBSP}%"
    if half <= ENOUGH_PCT:
        return html.P(f"The ride is enough to count: the number is known to {wide}.")
    return html.P(
        f"The ride says little: its number is known to {wide} only. Twenty minutes in steady steps "
        "from easy to hard say more.",
        className="warn",
    )
