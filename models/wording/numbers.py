"""Numbers in sentences, the same everywhere."""

from __future__ import annotations


def chance(p: float) -> str:
    """ "84 %", "over 99 %", "under 1 %"."""
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def share(value: float) -> str:
    """ "1.4 %" of days or meters."""
    return f"{100 * value:.1f} %"


def signed(value: float) -> str:
    """A whole number with its sign, and zero without one."""
    text = f"{value:+.0f}"
    return "0" if text in ("+0", "-0") else text
