"""Which recording is the meter's and which the reference's, and why."""

from collections.abc import Sequence

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Fields

ROLES = ("meter", "reference")
REFERENCE_WORDS = ("trainer", "reference", "rollers")
HOLDS = {"time": "time", "power_w": "power in watts"}
METER_WORDS = ("meter", "crank", "pedal", "spider", "hub")


def pair_part(seen: Document, chosen: Document) -> html.Section:
    """Return the recordings that were read, and which of them is whose."""
    recordings = seen["recordings"]
    options = [(row["sha256"], _file_words(row)) for row in recordings]
    picks = [
        parts.field(
            f"rides-{role}-file",
            f"The {role}'s recording",
            parts.pick(f"rides-{role}-file", options, chosen.get(role)),
        )
        for role in ROLES
    ]
    return parts.section(
        "Which is which",
        problems_part(seen["problems"]),
        unnamed_part(seen["unnamed"]),
        html.Ul([_recording(row) for row in recordings], className="ride-files"),
        html.Div(
            [*picks, html.Button("Compare", id="rides-compare", n_clicks=0)],
            className="pair" if len(recordings) > 1 else "pair unseen",
        ),
        _way_round(seen, chosen),
        name="rides-pair",
    )


def problems_part(problems: Sequence[str]) -> html.Ul | None:
    """Return what could not be read, and why."""
    return parts.sentences(problems, className="warn")


def unnamed_part(unnamed: Sequence[Document]) -> html.Div | None:
    """Return the headings that a missing column may go by, a button each."""
    if not unnamed:
        return None
    return html.Div([_unnamed(row) for row in unnamed], className="unnamed")


def _unnamed(row: Document) -> html.P:
    words = f"Which column of {row['file']} holds the {HOLDS[row['column']]}? "
    buttons = [
        html.Button(
            heading,
            id={"type": "rides-column", **row, "headings": heading},
            className="quiet",
            n_clicks=0,
            **parts.aria(label=f"Read {heading} of {row['file']} as {row['column']}"),
        )
        for heading in row["headings"]
    ]
    return html.P([words, *buttons])


def _file_words(row: Document) -> str:
    return f"{row['name']} ({theme.minutes(row['duration_s'])})"


def _recording(row: Document) -> html.Li:
    note = [html.Br(), html.Span(theme.sentence(row["note"]), className="note")]
    said = " · ".join(text for text in _said_of(row) if text)
    return html.Li([html.B(row["name"]), f" · {said}", *(note if row["note"] else [])])


def _said_of(row: Document) -> list[str]:
    whose, power = row["meter_id"] or row["reference_id"], row.get("mean_power_w")
    return [
        theme.day(row["started_at"]) if row["started_at"] else "no date, only seconds",
        theme.minutes(row["duration_s"]),
        f"mean {theme.quantity(power, 'W', 0)}" if power is not None else "",
        "" if row["has_cadence"] else "no cadence",
        f"taken to be {whose}{': ' if row['why'] else ''}{row['why'] or ''}" if whose else "",
    ]


def _way_round(seen: Document, chosen: Document) -> html.Div:
    """Return which recording was taken for the meter's and why, and the way to swap them."""
    known, said = _why(seen, chosen)
    if len(seen["recordings"]) < 2:
        return html.Div(parts.note(said))
    swap = html.Button("Swap the two", id="rides-swap", className="quiet", n_clicks=0)
    told = parts.note(said) if known else parts.warning(said)
    return html.Div([told, swap], className="way-round")


def _why(seen: Document, chosen: Document) -> tuple[bool, str]:
    """Return whether the files say which one is the meter's, and the sentence about it."""
    if len(seen["recordings"]) < 2:
        return True, "Drop both recordings of the ride together: the meter's and the reference's."
    for pair in seen["pairs"]:
        if all(pair[role] == chosen.get(role) for role in ROLES):
            return True, theme.sentence(pair["reason"])
    rows = {row["sha256"]: row for row in seen["recordings"]}
    meter, other = rows.get(str(chosen.get("meter"))), rows.get(str(chosen.get("reference")))
    if meter is None or other is None or meter is other:
        return True, "Choose a recording for each."
    if (meter["meter_id"] and not meter["reference_id"]) or other["reference_id"]:
        return True, f"{meter['name']} is taken to be the meter's, by the device the files name."
    return False, _guessed(meter, other, by_hand=_is_swapped(seen, chosen))


def _guessed(meter: Document, other: Document, *, by_hand: bool) -> str:
    why = "by its name" if _hint(meter) < _hint(other) else "because it came first"
    if _hint(meter) > _hint(other) or by_hand:
        why = "because you said so"
    return (
        f"The files do not say which of them is the meter's. {meter['name']} is taken to be the "
        f"meter's, {why}, and {other['name']} the reference's. Check that this is the right way "
        "round: swapped, the sign of the answer turns."
    )


def _is_swapped(seen: Document, chosen: Document) -> bool:
    return bool(first_choice(seen)["meter"] != chosen.get("meter"))


def _hint(row: Document) -> int:
    """Return what a file's name hints at: −1 the meter, 1 the reference, 0 neither."""
    name = str(row["name"]).lower()
    return any(word in name for word in REFERENCE_WORDS) - any(word in name for word in METER_WORDS)


def first_choice(seen: Document) -> Document:
    """Return the pair to compare first: the likeliest one, else the first two recordings."""
    chosen: Fields = {"drop": seen["drop"], "meter_id": None, "reference_id": None}
    if seen["pairs"]:
        return chosen | {k: seen["pairs"][0][k] for k in (*ROLES, "meter_id", "reference_id")}
    rows = seen["recordings"]
    if len(rows) < 2:
        return chosen | dict.fromkeys(ROLES)
    meter, other = _likeliest(rows)
    return chosen_from(seen, meter["sha256"], other["sha256"])


def _likeliest(rows: Sequence[Document]) -> tuple[Document, Document]:
    """Return meter and reference by the device, else by the names, else the first two."""
    meter = next((r for r in rows if r["meter_id"] and not r["reference_id"]), None)
    other = next((r for r in rows if r["reference_id"] and r is not meter), None)
    if meter is None and other is None:
        meter = min(rows, key=_hint)
    meter = meter or next(r for r in rows if r is not other)
    return meter, other or next(r for r in rows if r is not meter)


def chosen_from(seen: Document, meter: str, reference: str) -> Document:
    """Return two recordings as chosen in the lists, with the ids that are known of them."""
    known = {row["sha256"]: row for row in seen["recordings"]}
    return {
        "drop": seen["drop"],
        "meter": meter,
        "reference": reference,
        "meter_id": known[meter]["meter_id"],
        "reference_id": known[reference]["reference_id"],
    }
