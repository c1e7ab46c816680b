"""The work in the background in one line, and what a load has done."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.service import Ended, Work

DOING = {
    "load_files": "Loading",
    "accept_sheets": "Loading",
    "refit": "Refitting the models",
    "refit_when_quiet": "Refitting the models",
    "look_at_rides": "Reading recordings",
    "keep_rides": "Keeping a comparison",
    "follow": "Bringing the answers up to the data",
}
FITS = ("refit", "refit_when_quiet")
LOADS = ("load_files", "accept_sheets")
TITLES = ("File", "Table", "Rows", "Loaded", "Unchanged", "Set aside")


def is_busy(work: Work) -> bool:
    """Return whether something is being done in the background, or waits to be."""
    return bool(work["now"] or work["waiting"])


def loads_done(work: Work) -> int:
    """Return how many loads have ended since the dashboard was started."""
    return sum(work["ended"][name]["count"] for name in LOADS if name in work["ended"])


def last_load(work: Work) -> Ended:
    """Return the load that ended last; there must have been one."""
    ended = [work["ended"][name] for name in LOADS if name in work["ended"]]
    return max(ended, key=lambda one: one["at"])


def work_line(work: Work) -> Any:
    """Return what is going on in the background; the page can be used meanwhile."""
    if is_busy(work):
        line = parts.at_work(DOING.get(work["now"] or "", "Working"), work["text"] or "")
        stop = html.Button("Stop the fit", id="intake-stop", className="quiet", n_clicks=0)
        return [line, stop] if work["now"] in FITS else line
    fits = [work["ended"][name] for name in FITS if name in work["ended"]]
    fit = max(fits, key=lambda one: one["at"], default=None)
    if fit is None:
        return None
    if fit["failure"]:
        return parts.warning(theme.sentence(fit["failure"]))
    answer = fit["answer"] or {}
    if not answer.get("converged"):
        return parts.warning("The models were refitted, but the fit did not converge.")
    took = theme.duration(answer.get("seconds"))
    onward = dcc.Link("See the fleet", href="/")
    return html.P([f"The models were refitted in {took}. ", onward], className="work")


def report(load: Ended) -> Any:
    """Return what a load did, a line a table, and what is to be said about it."""
    if load["failure"]:
        return parts.warning(theme.sentence(load["failure"]))
    answer = load["answer"] or {}
    if answer.get("sheets") and not answer["files"]:
        return None  # what waits to be matched is shown by itself
    recordings = len(answer.get("recordings") or [])
    said = list(answer.get("notices") or [])
    if recordings:
        found = theme.plural(recordings, "recording")
        said.append(f"{found}: see the rides page for the pairs among them.")
    return html.Div(
        [
            html.H3("What was loaded"),
            _files(answer.get("files") or [], recordings),
            parts.sentences(said, className="notices"),
        ]
    )


def _files(files: Sequence[Document], recordings: int) -> Any:
    if files:
        rows = [_file_row(entry) for entry in files]
        return parts.plain_table(
            TITLES, rows, name="What was loaded", numbers=(2, 3, 4), headed=True
        )
    return None if recordings else parts.warning("No table was found in these files.")


def file_name(path: str) -> str:
    """Return the last part of a path of any system."""
    return path.replace("\\", "/").rsplit("/", 1)[-1]


def _file_row(entry: Document) -> tuple[Any, ...]:
    aside = entry["rows_set_aside"]
    return (
        theme.listed(file_name(entry["path"]), entry["sheet"]),
        theme.words(entry["table"]) if entry["table"] else "not known",
        *(str(entry[f"rows_{key}"]) for key in ("read", "loaded", "unchanged")),
        html.Td(str(aside), className="num has-alarm" if aside else "num"),
    )
