"""Contradictions between rows of different tables: they load, and a notice names each.

Each function finds one kind of contradiction; `contradictions` adds where it stands.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from ingest.load.batches import Batch
from ingest.load.look_alikes import look_alikes, spelled_out
from ingest.schema import in_force
from ingest.validate import cell_text

Tables = Callable[[str], pl.DataFrame]  # live rows: row_id and the table's columns
Sources = Callable[[str], pl.DataFrame]  # row_id, path, row

# Column → the table that lists these devices, places or people, and the tables that name them.
NAMED_IN = {
    "meter_id": (
        "meters",
        (
            *("bench", "zeros", "comparisons", "pairs", "efforts", "events"),
            *("assignments", "installations", "references"),
        ),
    ),
    "reference_id": ("references", ("comparisons", "pairs", "events", "efforts")),
    "bench_id": ("mass_sets", ("bench", "events")),
    "place_id": ("places", ("bench",)),
    "rider_id": ("riders", ("assignments", "comparisons", "pairs", "efforts", "calendar")),
}
CONSEQUENCE = {
    "meter_id": "until then it has no tolerance, convention or age of its own",
    "reference_id": "until then its kind is not known",
    "bench_id": "until then its masses count as class M3",
    "place_id": "until then gravity there counts as 9.80665 ± 0.026 m/s²",
    "rider_id": "until then it has no coach",
}
DATED = {
    "bench": "measured_at",
    "zeros": "measured_at",
    "comparisons": "measured_at",
    "events": "date",
    "efforts": "date",
    "assignments": "from_date",
    "installations": "from_date",
}
SIDES = ("", "_left", "_right")
NEVER = date(9999, 1, 1)  # the end of a period that is open


@dataclass(frozen=True)
class Finding:
    """One contradiction: `row_ids` of `table` show it; `names` are the devices it concerns."""

    table: str
    row_ids: tuple[int, ...]
    names: tuple[str, ...]
    text: str


def contradictions(tables: Tables, *, devices: set[str], source: Sources, today: date) -> list[str]:
    """Return the contradictions of the devices, places and riders in `devices`, in sentences.

    tables   gives the live rows of a table: row_id and its columns
    source   gives where a table's rows were read: row_id, path, row
    today    rows dated later are contradictions
    """
    frames = {name: tables(name) for name in {*DATED, "pairs", "calendar", "references"}}
    frames |= {name: tables(name) for name in ("meters", "mass_sets", "places", "riders")}
    findings = [
        *unknown_names(frames),
        *names_alike(frames),
        *outside_service(frames),
        *broken_slope_chains(frames),
        *odd_crank_lengths(frames),
        *overlaps(frames, "assignments"),
        *overlaps(frames, "installations"),
        *impossible_slopes(frames),
        *doubled_serials(frames),
        *after_today(frames, today),
    ]
    chosen = [f for f in findings if devices.intersection(f.names)]
    return _sentences(chosen, source)


def devices_of(batches: Iterable[Batch]) -> set[str]:
    """Return every meter, reference, mass set, place and rider that the files name."""
    named: set[str] = set()
    for batch in batches:
        for checked in batch.tables:
            for column in NAMED_IN:
                if column in checked.frame.columns:
                    named.update(checked.frame[column].drop_nulls().unique())
    return named


def names_alike(frames: dict[str, pl.DataFrame]) -> list[Finding]:
    """Return names of devices, places and riders that look the same and are not."""
    findings = []
    for column, (home, users) in NAMED_IN.items():
        rows = {table: frames[table] for table in (home, *users) if column in frames[table].columns}
        named = [name for frame in rows.values() for name in frame[column].drop_nulls().unique()]
        for group in look_alikes(set(named)):
            table = next(t for t, f in rows.items() if f[column].is_in(group).any())
            at = rows[table].filter(pl.col(column).is_in(group)).unique(column, keep="first")
            text = (
                f"{column} {', '.join(map(spelled_out, group))} look alike and are taken as "
                f"{len(group)} different ones: if they are one, write it the same everywhere"
            )
            findings.append(Finding(table, tuple(at["row_id"]), tuple(group), text))
    return findings


def unknown_names(frames: dict[str, pl.DataFrame]) -> list[Finding]:
    """Return names that are missing in the table that lists them."""
    findings = []
    for column, (home, users) in NAMED_IN.items():
        known = frames[home][column].unique().to_list()
        if column == "rider_id" and not known:
            continue  # a team may keep no table of riders
        strangers: dict[str, list[tuple[str, pl.DataFrame]]] = {}
        for user in users:
            rows = frames[user].filter(pl.col(column).is_not_null() & ~pl.col(column).is_in(known))
            for (name,), group in rows.group_by(column, maintain_order=True):
                strangers.setdefault(str(name), []).append((user, group))
        if known or len(strangers) < 2:
            findings += [_unknown(column, name, known, at) for name, at in strangers.items()]
        else:
            findings.append(_all_unknown(column, home, strangers))
    return findings


def _unknown(
    column: str, name: str, known: list[str], at: list[tuple[str, pl.DataFrame]]
) -> Finding:
    home = NAMED_IN[column][0]
    near = next((other for other in known if _loosely(other) == _loosely(name)), None)
    meant = f"; or did you mean {near}?" if near else "."
    where = ", ".join(f"{_rows(rows.height)} of {user}" for user, rows in at)
    text = (
        f"{_word(column)} {name} is not in {home} ({where}): "
        f"add it there, {CONSEQUENCE[column]}{meant}"
    )
    return Finding(at[0][0], _ids(at[0][1]), (name,), text)


def _all_unknown(
    column: str, home: str, strangers: dict[str, list[tuple[str, pl.DataFrame]]]
) -> Finding:
    names = sorted(strangers)
    listed = ", ".join(names[:5]) + (" …" if len(names) > 5 else "")
    text = (
        f"there is no table {home} yet, though {len(names)} are named ({listed}): "
        f"load one, {CONSEQUENCE[column]}."
    )
    user, rows = strangers[names[0]][0]
    return Finding(user, _ids(rows), tuple(names), text)


def _loosely(name: str) -> str:
    """Return a name without case, separators and leading zeros: M-01 and m1 are the same."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[^0-9a-z]", "", name.lower()))


def _word(column: str) -> str:
    return column.removesuffix("_id").replace("bench", "mass set")


def outside_service(frames: dict[str, pl.DataFrame]) -> list[Finding]:
    """Return rows dated before a meter's first day, or after its last."""
    service = frames["meters"].select("meter_id", "in_service_date", "retired_date")
    findings = []
    for table, column in DATED.items():
        dated = _with_day(frames[table], column).join(service, on="meter_id", how="inner")
        early = dated.filter(pl.col("day") < pl.col("in_service_date"))
        late = dated.filter(pl.col("day") > pl.col("retired_date"))
        for rows, limit, word in (
            (early, "in_service_date", "before"),
            (late, "retired_date", "after"),
        ):
            for (meter,), group in rows.group_by("meter_id", maintain_order=True):
                text = (
                    f"meter {meter}: {_rows(group.height)} of {table} dated {word} its "
                    f"{limit} {cell_text(group[limit][0])} (first {cell_text(group['day'][0])}): "
                    f"correct the one or the other."
                )
                findings.append(Finding(table, _ids(group), (str(meter),), text))
    return findings


def broken_slope_chains(frames: dict[str, pl.DataFrame]) -> list[Finding]:
    """Return sessions that found another slope than the session before had left."""
    findings = []
    for side in SIDES:
        before, after = f"slope_before{side}", f"slope_after{side}"
        sessions = (
            frames["bench"]
            .group_by("meter_id", "session_id", maintain_order=True)
            .agg(
                pl.col("measured_at").min(),
                pl.col("row_id").first(),
                *(pl.col(name).drop_nulls().first() for name in (before, after)),
            )
            .filter(pl.col(before).is_not_null())
            .sort("meter_id", "measured_at", "session_id")
        )
        left = pl.coalesce(after, before)
        chained = sessions.with_columns(
            left.shift().over("meter_id").alias("left"),
            pl.col("measured_at").shift().over("meter_id").alias("then"),
        )
        odd = chained.filter((pl.col(before) / pl.col("left") - 1).abs() > 1e-9)
        findings += [_slope_finding(line, before) for line in odd.iter_rows(named=True)]
    return findings


def _slope_finding(line: dict[str, object], before: str) -> Finding:
    text = (
        f"meter {line['meter_id']}, session {line['session_id']}: {before} is "
        f"{cell_text(line[before])}, but the session of {cell_text(line['then'])[:10]} left "
        f"{cell_text(line['left'])}: a typing error, or a reset in between that nobody recorded "
        "(it counts as one)."
    )
    return _of_session(line, text)


def _of_session(line: Mapping[str, object], text: str) -> Finding:
    return Finding("bench", (int(str(line["row_id"])),), (str(line["meter_id"]),), text)


def odd_crank_lengths(frames: dict[str, pl.DataFrame]) -> list[Finding]:
    """Return sessions with another crank length than the installation's, or else the meter's."""
    day = pl.col("measured_at").dt.date()
    sessions = frames["bench"].filter(pl.col("crank_length_mm").is_not_null())
    sessions = sessions.unique(["session_id", "crank_length_mm"], maintain_order=True)
    base = sessions.select("row_id", "meter_id", "session_id", "measured_at", "crank_length_mm")
    installed = frames["installations"].select(
        "meter_id", "from_date", "to_date", pl.col("crank_length_mm").alias("installed")
    )
    covering = base.join(installed.drop_nulls("installed"), on="meter_id").filter(in_force(day))
    fitting = covering.group_by("row_id").agg(
        pl.col("installed").last(),
        (pl.col("installed") == pl.col("crank_length_mm")).any().alias("fits"),
    )
    own = frames["meters"].select("meter_id", pl.col("crank_length_mm").alias("own"))
    judged = base.join(fitting, on="row_id", how="left").join(own, on="meter_id", how="left")
    due = pl.coalesce("installed", "own")
    odd = judged.with_columns(due.alias("due")).filter(
        ~pl.col("fits").fill_null(False) & (pl.col("due") != pl.col("crank_length_mm"))
    )
    return [_crank_finding(line) for line in odd.iter_rows(named=True)]


def _crank_finding(line: dict[str, object]) -> Finding:
    whose = "its installation" if line["installed"] is not None else "its row in meters"
    text = (
        f"meter {line['meter_id']}, session {line['session_id']}: crank length "
        f"{cell_text(line['crank_length_mm'])} mm, but {whose} says {cell_text(line['due'])} mm: "
        "measure the crank and correct the one or the other (the session's own is used)."
    )
    return _of_session(line, text)


def overlaps(frames: dict[str, pl.DataFrame], table: str) -> list[Finding]:
    """Return overlapping periods of a meter; the last day of one may be the first of the next."""
    far = pl.lit(NEVER)
    rows = frames[table].sort("meter_id", "from_date", pl.col("to_date").fill_null(far))
    ends = pl.col("to_date").fill_null(far)
    chained = rows.with_columns(
        ends.cum_max().shift().over("meter_id").alias("until"),
        pl.col("from_date").shift().over("meter_id").alias("since"),
    )
    odd = chained.filter(pl.col("from_date") < pl.col("until"))
    word = table.removesuffix("s")
    return [
        Finding(
            table,
            (line["row_id"],),
            (line["meter_id"],),
            f"meter {line['meter_id']}: the {word} from {cell_text(line['from_date'])} begins "
            f"before the one from {cell_text(line['since'])} has ended "
            f"({'it is open' if line['until'] == NEVER else cell_text(line['until'])}): "
            "give the earlier one its to_date.",
        )
        for line in odd.iter_rows(named=True)
    ]


def impossible_slopes(frames: dict[str, pl.DataFrame]) -> list[Finding]:
    """Return slopes left in a meter with a fixed slope, or outside the range that it takes."""
    limits = frames["meters"].select("meter_id", "slope_convention", "slope_min", "slope_max")
    rows = frames["bench"].join(limits, on="meter_id", how="inner")
    rows = rows.unique(["session_id"], maintain_order=True)
    findings = []
    for side in SIDES:
        after = f"slope_after{side}"
        changed = pl.col(after).is_not_null() & (pl.col(after) != pl.col(f"slope_before{side}"))
        fixed = (pl.col("slope_convention") == "fixed") & changed
        outside = (pl.col(after) < pl.col("slope_min")) | (pl.col(after) > pl.col("slope_max"))
        for line in rows.filter(fixed | outside).iter_rows(named=True):
            why = (
                "its slope is fixed"
                if line["slope_convention"] == "fixed"
                else f"it takes {cell_text(line['slope_min'])} to {cell_text(line['slope_max'])}"
            )
            text = (
                f"meter {line['meter_id']}, session {line['session_id']}: {after} is "
                f"{cell_text(line[after])}, but {why}: correct the session or the meter's row."
            )
            findings.append(_of_session(line, text))
    return findings


def doubled_serials(frames: dict[str, pl.DataFrame]) -> list[Finding]:
    """Return meters with the same serial number."""
    meters = frames["meters"].filter(pl.col("serial_number").is_not_null())
    twice = meters.filter(pl.col("serial_number").is_duplicated())
    return [
        Finding(
            "meters",
            _ids(group),
            tuple(group["meter_id"]),
            f"meters {', '.join(group['meter_id'])} have the same serial number {serial}: "
            "recordings cannot be told apart by it; correct it.",
        )
        for (serial,), group in twice.group_by("serial_number", maintain_order=True)
    ]


def after_today(frames: dict[str, pl.DataFrame], today: date) -> list[Finding]:
    """Return measurements dated after today."""
    findings = []
    for table in ("bench", "zeros", "comparisons"):
        rows = _with_day(frames[table], DATED[table]).filter(pl.col("day") > today)
        for (meter,), group in rows.group_by("meter_id", maintain_order=True):
            text = (
                f"meter {meter}: {_rows(group.height)} of {table} dated after today "
                f"({cell_text(group['day'].max())}): check the year."
            )
            findings.append(Finding(table, _ids(group), (str(meter),), text))
    return findings


def _with_day(frame: pl.DataFrame, column: str) -> pl.DataFrame:
    day = pl.col(column) if frame[column].dtype == pl.Date else pl.col(column).dt.date()
    return frame.with_columns(day.alias("day")).sort("day")


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _ids(frame: pl.DataFrame) -> tuple[int, ...]:
    return tuple(frame["row_id"].to_list())


def _sentences(findings: list[Finding], source: Sources) -> list[str]:
    """Return the text of each finding with the file and row where it shows first."""
    places: dict[tuple[str, int], str] = {}
    for table in {finding.table for finding in findings}:
        firsts = [finding.row_ids[0] for finding in findings if finding.table == table]
        shown = source(table).filter(pl.col("row_id").is_in(firsts))
        for row_id, path, row in shown.select("row_id", "path", "row").iter_rows():
            places[table, row_id] = f"{Path(path).name} row {row}"
    lines = []
    for finding in findings:
        where = places.get((finding.table, finding.row_ids[0]))
        lines.append(f"{where}: {finding.text}" if where else finding.text)
    return list(dict.fromkeys(lines))
