"""The period and the what-if that the address asks for, and the fields to ask for others."""

from dataclasses import dataclass

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View


@dataclass(frozen=True)
class Limit:
    """One field of the what-if: its name in the address, its label, what it may hold."""

    name: str
    label: str
    low: float
    high: float
    step: float

    def taken(self, view: View) -> float | None:
        """Return what the address asks for; None where it is nothing, or beyond the limits."""
        try:
            value = float(view.query.get(self.name, "").replace(",", "."))
        except ValueError:
            return None
        return value if self.low <= value <= self.high else None


WHAT_IF = (
    Limit("tolerance", "Tolerance, ± %", 0.1, 10.0, 0.1),
    Limit("target", "Reliability target, %", 50.0, 99.0, 1.0),
    Limit("slots", "Bench slots a week", 0.0, 99.0, 1.0),
    Limit("visits", "Visits, at most", 0.0, 9999.0, 1.0),
    Limit("spend", "Cash for visits, at most", 0.0, 1e7, 1.0),
    Limit("race", "Tolerance of racers, ± %", 0.1, 10.0, 0.1),
    Limit("training", "Tolerance in training, ± %", 0.1, 10.0, 0.1),
)
RIDDEN = {"race": ("race", "spare"), "training": ("training", "home")}
"""What the fields of the tolerance by use stand for, as the assignments name it."""


def asked_in(view: View, season: Document) -> Document:
    """Return the period and the what-if of the address; None stands for "as it is"."""
    return {
        "first": theme.iso(view.query.get("from")) or season["first"],
        "last": theme.iso(view.query.get("to")) or season["last"],
        "as_of": view.as_of,
        **{limit.name: limit.taken(view) for limit in WHAT_IF},
    }


def supposed(asked: Document) -> Document:
    """Return the what-if in the words of the question that is asked."""
    slots, target, visits = asked["slots"], asked["target"], asked["visits"]
    roles = {role: asked[use] for use, names in RIDDEN.items() for role in names if asked[use]}
    return {
        "visits": None if visits is None else int(visits),
        "spend": asked["spend"],
        "roles": roles,
        "slots_per_week": None if slots is None else int(slots),
        "tolerance_pct": asked["tolerance"],
        "target": None if target is None else target / 100,
    }


def is_supposed(asked: Document) -> bool:
    """Return whether anything is asked for but what is."""
    return any(value not in (None, {}) for value in supposed(asked).values())


def _refused(view: View) -> dict[str, str]:
    """Return what was entered and cannot be used, to stay in its field."""
    return {
        limit.name: view.query[limit.name]
        for limit in WHAT_IF
        if view.query.get(limit.name) and limit.taken(view) is None
    }


def refusals(view: View) -> list[str]:
    """Return why what was entered is not used, a sentence a field."""
    refused = _refused(view)
    return [
        f"{limit.label}: found {refused[limit.name]}, expected {limit.low:g} to {limit.high:g}. "
        "It is not used below."
        for limit in WHAT_IF
        if limit.name in refused
    ]


def controls(view: View, asked: Document) -> html.Div:
    """Return the fields for the period and the what-if, and the buttons."""
    shown = {**asked, **_refused(view)}
    fields = [_field(limit, shown[limit.name]) for limit in WHAT_IF]
    return html.Div(
        [
            parts.date_field("budget-from", "From", asked["first"]),
            parts.date_field("budget-to", "To", asked["last"]),
            html.Fieldset([html.Legend("What if"), *fields], className="what-if"),
            html.Button("Work it out", id="budget-again", n_clicks=0),
            html.Div(
                [
                    html.Button("As it is", id="budget-reset", className="quiet", n_clicks=0),
                    html.Button("Save as CSV", id="budget-csv", className="quiet", n_clicks=0),
                    html.Button("Print", id="budget-print", className="quiet", n_clicks=0),
                ],
                className="filter-end",
            ),
        ],
        className="filters",
    )


def _field(limit: Limit, value: float | str | None) -> html.Div:
    name = f"budget-{limit.name}"
    control = dcc.Input(
        id=name,
        type="number",
        min=limit.low,
        max=limit.high,
        step=limit.step,
        value=value,
        placeholder="as it is",
    )
    return parts.field(name, limit.label, control)
