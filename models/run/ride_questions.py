"""What the rides pages ask: recordings that are looked at, compared, kept or let go."""

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path

import polars as pl

from ingest.load import commit_rows
from ingest.recordings import (
    discard_staged,
    keep_staged,
    live_results,
    name_staged_column,
    plain_name,
    propose_pairs,
    read_folder,
    read_traces,
    recordings_folder,
    roles,
    stage,
    staged_folder,
    stored_summaries,
    unnamed_in,
)
from ingest.schema import TABLES, rider_on
from ingest.store import Store, record
from models import coaching
from models.coaching import Expected
from models.metrology import noon
from models.rides import Drawn, drawn
from models.run.documents import (
    DrawnComparison,
    KeptRides,
    LookedAt,
    Proposal,
    Recording,
    RideDevices,
    Row,
    UnnamedColumn,
)
from models.run.known import COACH, LEGS, MECHANIC, Fleet, change, question
from models.run.recordings import (
    compare_pair,
    evaluate_pairs,
    read_ride,
    take_in,
    undecided,
)
from models.run.rider_questions import road_of
from models.wording import NoAnswerError

MOST_HEADINGS = 8  # to choose among


@change("recordings looked at", MECHANIC, COACH, place="records")
def look_at_rides(fleet: Fleet, files: Sequence[tuple[str, bytes]]) -> LookedAt:
    """Read dropped files without putting anything into the store; return what they hold."""
    token = stage(fleet.store, files)
    return _looked_at(fleet, token, [plain_name(name) for name, _ in files])


@change("a column of a recording named", MECHANIC, COACH, place="records")
def name_ride_column(fleet: Fleet, drop: str, file: str, column: str, heading: str) -> LookedAt:
    """Take a heading of a dropped CSV recording for a column; return what the drop holds then.

    The staged copy is renamed, so that it is read so wherever it is kept.
    """
    name_staged_column(fleet.store, drop, file, column, heading)
    folder = staged_folder(fleet.store, drop)
    return _looked_at(fleet, drop, sorted(one.name for one in folder.iterdir() if one.is_file()))


def _looked_at(fleet: Fleet, token: str, given: Sequence[str]) -> LookedAt:
    """Return what the staged files of a drop hold, in the order in which they were given."""
    store, folder = fleet.store, staged_folder(fleet.store, token)
    held = sorted(file for file in folder.iterdir() if file.is_file())
    read = read_folder(
        held,
        into=folder / "read",
        time_zone=store.time_zone(),
        progress=lambda done, of: fleet.say(f"read {done} of {of}"),
    )
    failed = pl.col("error").is_not_null()
    problems = [str(error) for error in read.filter(failed)["error"]]
    usable = read.filter(pl.col("power_samples") > 0).unique("sha256", maintain_order=True)
    problems += [
        f"{name}: it holds no power."
        for name in read.filter((pl.col("samples") > 0) & (pl.col("power_samples") == 0))["name"]
    ]
    meters, references, assignments = _devices(store)
    known = roles(usable, meters, references)
    pairs = propose_pairs(usable, meters, references, assignments=assignments)
    return {
        "drop": token,
        "recordings": sorted(
            (_shown(row, known) for row in usable.to_dicts()),
            key=lambda shown: given.index(shown["name"]) if shown["name"] in given else len(given),
        ),
        "problems": problems,
        "unnamed": _unnamed(Path(path) for path in read.filter(failed)["path"]),
        "pairs": _by_content(pairs, usable),
    }


def _unnamed(files: Iterable[Path]) -> list[UnnamedColumn]:
    return [
        {"file": file.name, "column": column, "headings": headings[:MOST_HEADINGS]}
        for file in files
        for column, headings in unnamed_in(file).items()
        if headings
    ]


def _devices(store: Store) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    if not store.exists():
        return TABLES["meters"].empty(), TABLES["references"].empty(), TABLES["assignments"].empty()
    with store.reading() as db:
        return db.frame("meters"), db.frame("references"), db.frame("assignments")


def _shown(row: Row, known: pl.DataFrame) -> Recording:
    role = known.filter(pl.col("sha256") == row["sha256"]).to_dicts()
    told = role[0] if role else {}
    notes = [f"damaged: {row['partial']}"] if row["partial"] else []
    return {
        "sha256": row["sha256"],
        "name": row["name"],
        "started_at": row["started_at"],
        "duration_s": row["duration_s"],
        "mean_power_w": row["mean_power_w"],
        "has_cadence": row["mean_cadence_rpm"] is not None,
        "meter_id": told.get("meter_id"),
        "reference_id": told.get("reference_id"),
        "why": told.get("meter_reason") or told.get("reference_reason"),
        "note": "; ".join([*notes, *(row["notices"] or [])]) or None,
    }


def _by_content(pairs: pl.DataFrame, recordings: pl.DataFrame) -> list[Proposal]:
    content = dict(recordings.select("path", "sha256").iter_rows())
    best_first = pairs.sort("likeness", descending=True, nulls_last=True, maintain_order=True)
    return [
        {
            "meter": content[row["meter_file"]],
            "reference": content[row["reference_file"]],
            "meter_id": row["meter_id"],
            "reference_id": row["reference_id"],
            "reason": row["reason"],
        }
        for row in best_first.to_dicts()
    ]


@question(MECHANIC, COACH)
def rides_waiting(fleet: Fleet) -> list[Proposal]:
    """Return the pairs among the loaded recordings that nobody has decided about."""
    store = fleet.store
    if not store.exists():
        return []
    kept = stored_summaries(recordings_folder(store))
    meters, references, assignments = _devices(store)
    with store.reading() as db:
        pairs = db.frame("pairs")
    proposed = propose_pairs(kept, meters, references, assignments=assignments)
    shown = _by_content(undecided(proposed, pairs), kept)
    started = dict(kept.select("path", "started_at").iter_rows())
    when = {row["sha256"]: started[row["path"]] for row in kept.to_dicts()}
    return [{**pair, "measured_at": when[pair["meter"]]} for pair in shown]


@question(MECHANIC, COACH, place="model", by_fit=False)
def compare_rides(fleet: Fleet, drop: str | None, meter: str, reference: str) -> DrawnComparison:
    """Return the `compare` document of two recordings, with what its charts show under `drawn`.

    drop: where they were dropped, None for recordings that were loaded; meter, reference: sha256
    """
    zone = fleet.store.time_zone()
    files = _paths(fleet.store, drop, meter, reference)
    found = compare_pair(*(read_ride(file, time_zone=zone) for file in files))
    return {**found.to_document(), "drawn": drawn(found.aligned)}


def _paths(store: Store, drop: str | None, meter: str, reference: str) -> tuple[Path, Path]:
    folder = recordings_folder(store) if drop is None else staged_folder(store, drop) / "read"
    paths = dict(stored_summaries(folder).select("sha256", "path").iter_rows())
    try:
        return Path(paths[meter]), Path(paths[reference])
    except KeyError:
        raise NoAnswerError("one of the recordings is not there any more: drop it again") from None


@change("comparison kept", MECHANIC, COACH, place="records", then="fit")
def keep_rides(
    fleet: Fleet,
    drop: str | None,
    meter: str,
    reference: str,
    *,
    meter_id: str,
    reference_id: str,
) -> KeptRides:
    """Put a pair into the store: files kept, read out, a row of `pairs`, compared."""
    store, say = fleet.store, fleet.say
    meters, references, assignments = _devices(store)
    _require(meter_id, meters["meter_id"], "meter")
    _require(reference_id, references["reference_id"], "reference")
    files = _paths(store, drop, meter, reference)
    found = read_ride(files[0], time_zone=store.time_zone())
    if not found.dated:
        raise NoAnswerError(
            f"{found.name} counts seconds and carries no date, so that the comparison would have "
            "no day in the fleet's records: export it with time stamps (ISO 8601)."
        )
    started = found.frame["time"][0]
    if drop is not None:
        files = keep_staged(store, files[0]), keep_staged(store, files[1])
        discard_staged(store, drop)
    comparison_id = _free_name(store, f"{meter_id}_{reference_id}_{started:%Y%m%dT%H%M}")
    row = {
        "meter_file": str(files[0].resolve()),
        "reference_file": str(files[1].resolve()),
        "meter_id": meter_id,
        "reference_id": reference_id,
        "comparison_id": comparison_id,
        "rider_id": rider_on(assignments, meter_id, started.date()),
    }
    notices = take_in(store, [*files], say=say) if drop is not None else []
    commit_rows(store, "pairs", [row], name=comparison_id)  # an import of its own
    notices += evaluate_pairs(store, say=say)
    return {"comparison_id": comparison_id, "notices": notices}


def _require(name: str, known: pl.Series, what: str) -> None:
    if name not in known.to_list():
        raise NoAnswerError(
            f'the store knows no {what} "{name}": add it to the table {what}s and load it first'
        )


def _free_name(store: Store, name: str) -> str:
    with store.reading() as db:
        taken = set(db.frame("pairs")["comparison_id"]) | set(
            db.frame("comparisons")["comparison_id"]
        )
    number, free = 2, name
    while free in taken:
        free, number = f"{name}_{number}", number + 1
    return free


@change("recordings discarded", MECHANIC, COACH)
def discard_rides(fleet: Fleet, drop: str) -> None:
    """Let dropped recordings go: nothing of them stays."""
    held = sorted(
        file.name for file in staged_folder(fleet.store, drop).iterdir() if file.is_file()
    )
    discard_staged(fleet.store, drop)
    with fleet.store.writing() as db:
        record(db, "recordings discarded", ", ".join(held))


@question(MECHANIC, COACH)
def rides_kept(fleet: Fleet) -> list[Row]:
    """Return the comparisons of recordings whose row is in the store, newest first."""
    store = fleet.store
    if not store.exists():
        return []
    with store.reading() as db:
        results = live_results(db)
    if results is None:
        return []
    interval = pl.col("document").struct.field("gain_ratio_interval90_pct")
    rows = results.with_columns(interval).drop("document", "gain_ratio_ln", "steps", "warnings")
    return rows.sort("measured_at", descending=True).to_dicts()


@question(MECHANIC, COACH, watts=False)
def ride_devices(fleet: Fleet) -> RideDevices:
    """Return the ids of the meters and of the references, and who rides which meter (`ridden`)."""
    meters, references, assignments = _devices(fleet.store)
    now = assignments.filter(pl.col("to_date").is_null()).sort("from_date")
    ridden = now.unique("meter_id", keep="last", maintain_order=True)
    return {
        "ridden": ridden.select("meter_id", "rider_id", "bike_id", "role").to_dicts(),
        "meters": meters["meter_id"].unique().sort().to_list(),
        "references": references["reference_id"].unique().sort().to_list(),
    }


@question(MECHANIC, COACH, watts=False, place="model")
def expected_ratio(
    fleet: Fleet, meter_id: str, reference_id: str, on: date | None = None
) -> Expected | None:
    """Return the ratio that a ride of two devices on a day (else today) should show.

    An oval ring and a chain are in it, and the rider's legs for those who may see legs; for
    others the interval holds anybody's. None where nothing is known of one of the two.
    """
    if fleet.is_empty:
        return None
    ready = fleet.prepared
    return coaching.expected_ratio(
        road_of(ready),
        ready.tables["references"],
        meter_id=meter_id,
        reference_id=reference_id,
        at=noon(on or ready.found.as_of),
        legs=fleet.person.role in LEGS,
    )


@question()
def drawn_ride(fleet: Fleet, meter_id: str, comparison_id: str) -> Drawn | None:
    """Return what the charts of a meter's comparison show; None where it has no traces."""
    mine = {row["comparison_id"] for row in rides_kept(fleet) if row["meter_id"] == meter_id}
    aligned = read_traces(fleet.store, comparison_id) if comparison_id in mine else None
    return None if aligned is None else drawn(aligned)
