"""What the meters are measured against: trainers and mass sets, with their own drift."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

TITLES = ("Device", "Kind", "Gain error, ± at 90 %", "Moved in a year", "State", "Seen")


def devices_part(status: Document) -> html.Section:
    """Return the table of trainers and mass sets."""
    rows = [
        *(_device(row, "reference_id", "Trainer") for row in status.get("references") or []),
        *(_device(row, "bench_id", "Mass set") for row in status.get("benches") or []),
    ]
    body = parts.plain_table(
        TITLES, rows, name="Trainers and mass sets", numbers=(2, 3), headed=True
    )
    return parts.section(
        "Trainers and mass sets",
        body if rows else _none_known(),
        name="fleet-devices",
        note="These drift and jump as well. A trainer's gain error includes the drivetrain's loss, "
        f"so only its changes count. {_truth(status)}",
    )


def _none_known() -> html.Div:
    return parts.empty(
        "No trainer and no mass set is known yet.",
        [
            "Fill in the tables ",
            parts.command("references"),
            " and ",
            parts.command("mass_sets"),
            " and load them.",
        ],
    )


def _truth(status: Document) -> str:
    """Return what the true values of the whole fleet rest on."""
    truth = (status.get("fleet") or {}).get("truth") or {}
    return theme.sentence(truth["text"]) if truth.get("text") else ""


def _device(row: Document, key: str, kind: str) -> tuple[Any, ...]:
    half = theme.half(row.get("interval90_pct")) or theme.half90(row.get("gain_error_sd_pct"))
    moved = theme.half90(row.get("change_sd_pct"))
    return (
        row[key],
        theme.title(row["kind"]) if row.get("kind") else kind,
        theme.plus_minus(row.get("gain_error_pct"), half, "%"),
        theme.plus_minus(row.get("change_pct"), moved, "%"),
        _state(row),
        html.Td(_seen(row), className="has-alarm" if row.get("alarms") else ""),
    )


def _seen(row: Document) -> Any:
    alarms = row.get("alarms") or []
    said = [alarm.get("text") or parts.alarm_words(alarm) for alarm in alarms]
    said += row.get("reasons") or []
    return parts.sentences(said) or "Nothing unusual."


def _state(row: Document) -> Any:
    """Return a trainer's status and due day; a mass set has none."""
    if not row.get("status"):
        return theme.MISSING
    due = f", due {theme.day(row['due_date'])}" if row.get("due_date") else ""
    told = f"{theme.STATUSES[row['status']].word}{due}"
    return html.Span(told, title=" ".join(row.get("reasons") or []))
