"""What to do with a compared pair: say whose recordings they are, keep it or discard it."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, meter_path
from dashboard.pages.rides.pair import ROLES

LABELS = {"meter": "The meter", "reference": "Compared with"}
SAME = "The same recording was chosen twice: choose the other one for the reference."


def answer_part(found: Document, chosen: Document, devices: Document) -> html.Div:
    """Return a compared pair with what to do with it."""
    comparable = found["gain_ratio_pct"] is not None
    decision = decision_part(chosen, devices, comparable=comparable)
    return parts.ride_part(found, found["drawn"], name="rides", after=decision)


def no_answer_part(problem: Exception, chosen: Document, devices: Document) -> html.Div:
    """Return why a pair could not be compared, and the way to discard it."""
    said = parts.warning(theme.sentence(problem))
    return html.Div([said, decision_part(chosen, devices, comparable=False)])


def decision_part(chosen: Document, devices: Document, *, comparable: bool) -> html.Div:
    """Return the lists of whose recordings they are, and the two buttons."""
    keep = html.Button("Keep", id="rides-keep", n_clicks=0, disabled=not comparable)
    discard = html.Button("Discard", id="rides-discard", className="quiet", n_clicks=0)
    missing = html.P(id="rides-missing", role="status", className="field-wrong")
    picks = [_device(role, chosen, devices) for role in ROLES]
    return html.Div(
        [
            html.Div(id="rides-sense", **parts.aria(live="polite")),
            html.Div([*picks, keep, discard], className="pair"),
            missing,
        ],
        className="decision",
    )


def _device(role: str, chosen: Document, devices: Document) -> html.Div:
    ids, known = devices[f"{role}s"], chosen.get(f"{role}_id")
    worn = _worn(devices) if role == "meter" else {}
    options = [(name, theme.listed(name, *worn.get(name, []))) for name in ids]
    if known not in ids:
        options, known = [("", "choose"), *options], ""
    name = f"rides-{role}-id"
    return parts.field(name, LABELS[role], parts.pick(name, options, known))


def _worn(devices: Document) -> dict[str, list[Any]]:
    """Return who rides each meter on which bike."""
    return {
        row["meter_id"]: [row["rider_id"], row["role"] or row["bike_id"]]
        for row in devices.get("ridden", [])
    }


def missing_words(meter_id: str | None, reference_id: str | None) -> str:
    """Return what has to be chosen before the pair can be kept; empty where nothing has to."""
    lacking = [
        *([] if meter_id else ["the meter"]),
        *([] if reference_id else ["what it was compared with"]),
    ]
    return f"Choose {' and '.join(lacking)} above; then keep." if lacking else ""


def kept_words(kept: Document, meter_id: str) -> html.Div:
    """Return what keeping a pair has done."""
    return html.Div(
        [
            parts.done(
                [
                    f"Kept as {kept['comparison_id']}. It counts in the fleet's numbers once the "
                    "models are refitted, which is going on now. See it on ",
                    parts.link(f"the page of {meter_id}", meter_path(meter_id)),
                    "; to take it back, undo its import (a file named pairs) on the intake page.",
                ]
            ),
            parts.sentences(kept["notices"], className="notices"),
        ]
    )
