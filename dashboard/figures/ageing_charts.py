"""How a group ages: its meters' courses, their rates beside control limits, steps at swaps."""

from collections.abc import Callable, Sequence
from typing import Literal

from dashboard import theme
from dashboard.figures.frame import C, axis, drawn, scatter, time_axis
from dashboard.navigation import Document, Fields

Batch = Literal["serial", "purchased", "firmware"]
LINE_COLOURS = ("rule_strong", "comparison", "event", "ok", "due", "soon", "focus", "muted")
LEGEND = drawn([])["layout"]["legend"] | {"y": -0.16}  # below the title of the ages
Link = Callable[[str], str]
"""Gives the address of a meter's page."""


def ageing_courses(
    group: Document, link: Link, *, calendar: bool = False, batch: Batch | None = None
) -> Fields:
    """Return each sensor's change against its age, with the group's mean and what lies ahead.

    calendar: against the calendar, without the group's own course; batch: what colours tell apart
    """
    traces: list[Fields] = []
    if not calendar:
        traces += [_between(group, "meters90_pct", "90 % of its meters", "band_ahead")]
        traces += [_between(group, "interval90_pct", "the mean, 90 %", "band")]
    across = "date" if calendar else "age_years"
    for n, (name, meters) in enumerate(_batches(group["meters"], batch).items()):
        colour = C[LINE_COLOURS[n % len(LINE_COLOURS)]]
        traces.append(_lines(meters, across, name, colour, link))
    traces.append(_swap_marks(group["meters"], across, link))
    if not calendar:
        traces.append(_mean(group))
    bottom = time_axis(None) if calendar else axis("age, years", showgrid=False, zeroline=False)
    return drawn(traces, xaxis=bottom, yaxis=axis("change since new, %"), legend=LEGEND)


def _batches(meters: Sequence[Document], batch: Batch | None) -> dict[str, list[Document]]:
    if batch is None:
        return {"a meter each": list(meters)}
    out: dict[str, list[Document]] = {}
    for meter in sorted(meters, key=lambda each: each[batch] or ""):
        out.setdefault(meter[batch] or "not known", []).append(meter)
    return out


def _between(group: Document, key: str, name: str, colour: str) -> Fields:
    rows = group["course"]
    ages = [row["age_years"] for row in rows]
    return scatter(
        x=[*ages, *reversed(ages)],
        y=[*(row[key][1] for row in rows), *(row[key][0] for row in reversed(rows))],
        mode="lines",
        fill="toself",
        fillcolor=C[colour],
        line={"width": 0, "color": C[colour]},
        hoverinfo="skip",
        name=name,
    )


def _mean(group: Document) -> Fields:
    rows = group["course"]
    return scatter(
        x=[row["age_years"] for row in rows],
        y=[row["change_pct"] for row in rows],
        mode="lines",
        line={"color": C["accent"], "width": 3},
        name="the group's mean",
        customdata=[[_mean_words(row)] for row in rows],
        hovertemplate="%{customdata[0]}<extra></extra>",
    )


def _mean_words(row: Document) -> str:
    return (
        f"the group after {theme.number(row['age_years'], 1)} years<br>"
        f"{theme.number(row['change_pct'], 2, signed=True)} %"
        f"<br>90 %: {theme.span(row['interval90_pct'], 2)}"
    )


def _lines(meters: Sequence[Document], across: str, name: str, colour: str, link: Link) -> Fields:
    x, y, said = [], [], []
    for meter in meters:
        for point in meter["points"]:
            x.append(_place(point, across))
            y.append(point["change_pct"])
            said.append([_point_words(meter, point), link(meter["meter_id"])])
        x.append(None)
        y.append(None)
        said.append(["", ""])
    return scatter(
        x=x,
        y=y,
        mode="lines",
        line={"color": colour, "width": 1},
        name=name,
        customdata=said,
        hovertemplate="%{customdata[0]}<extra></extra>",
    )


def _place(point: Document, across: str) -> object:
    return theme.iso(point["date"]) if across == "date" else point["age_years"]


def _point_words(meter: Document, point: Document) -> str:
    return (
        f"{meter['meter_id']}, {theme.day(point['date'])}<br>"
        f"{theme.number(point['age_years'], 1)} years old: "
        f"{theme.number(point['change_pct'], 2, signed=True)} %"
    )


def _swap_marks(meters: Sequence[Document], across: str, link: Link) -> Fields:
    marks = [(meter, point) for meter in meters for point in meter["swap_points"]]
    return scatter(
        x=[_place(point, across) for _, point in marks],
        y=[point["change_pct"] for _, point in marks],
        mode="markers",
        marker={"symbol": "square", "size": 5, "color": C["event"]},
        name="battery swap",
        customdata=[
            [f"{_point_words(meter, point)}<br>new battery", link(meter["meter_id"])]
            for meter, point in marks
        ],
        hovertemplate="%{customdata[0]}<extra></extra>",
    )


def ageing_rates(group: Document, link: Link) -> Fields:
    """Return the meters' rates of ageing in order, with 90 % intervals and control limits."""
    meters = group["meters"]
    place = list(range(len(meters)))
    limits = [
        scatter(
            x=[meter["limits_pct_per_year"][end] for meter in meters],
            y=place,
            mode="markers",
            marker={
                "symbol": "line-ns",
                "size": 15,
                "line": {"width": 1.8, "color": C["out"]},
            },
            name="control limits",
            legendgroup="limits",
            showlegend=end == 0,
            hoverinfo="skip",
        )
        for end in (0, 1)
    ]
    rows = [
        ("within the limits", "circle", "accent", [not each["outside"] for each in meters]),
        ("beyond the limits", "diamond", "out", [bool(each["outside"]) for each in meters]),
    ]
    marks = [
        _estimates(
            [each for each, here in zip(meters, chosen, strict=True) if here],
            [n for n, here in zip(place, chosen, strict=True) if here],
            keys=("drift_pct_per_year", "interval90_pct_per_year"),
            look=(name, symbol, role),
            unit="% a year",
            link=link,
        )
        for name, symbol, role, chosen in rows
        if any(chosen)
    ]
    mean = (group["drift_pct_per_year"], group["interval90_pct_per_year"])
    return _ranked([*limits, *marks], meters, mean, "% a year, of the year to come")


def ageing_swaps(group: Document, link: Link) -> Fields:
    """Return the meters' mean steps at battery swaps in order, with 90 % intervals."""
    meters = sorted(
        (each for each in group["meters"] if each["swap_pct"] is not None),
        key=lambda each: each["swap_pct"],
    )
    marks = _estimates(
        meters,
        list(range(len(meters))),
        keys=("swap_pct", "swap_interval90_pct"),
        look=("a meter's mean step", "square", "event"),
        unit="% a swap",
        link=link,
    )
    mean = (group["swap_pct"], group["swap_interval90_pct"])
    return _ranked([marks], meters, mean, "% at a battery swap")


def _estimates(
    meters: Sequence[Document],
    place: Sequence[int],
    *,
    keys: tuple[str, str],
    look: tuple[str, str, str],
    unit: str,
    link: Link,
) -> Fields:
    value, ends = keys
    name, symbol, role = look
    return scatter(
        x=[each[value] for each in meters],
        y=list(place),
        error_x={
            "array": [each[ends][1] - each[value] for each in meters],
            "arrayminus": [each[value] - each[ends][0] for each in meters],
            "color": C[role],
            "thickness": 1.2,
            "width": 0,
        },
        mode="markers",
        marker={"symbol": symbol, "size": 9, "color": C[role]},
        name=name,
        customdata=[
            [
                f"{each['meter_id']}: {theme.number(each[value], 2, signed=True)} {unit}"
                f"<br>90 %: {theme.span(each[ends], 2)}",
                link(each["meter_id"]),
            ]
            for each in meters
        ],
        hovertemplate="%{customdata[0]}<extra></extra>",
    )


def _ranked(
    traces: Sequence[Fields],
    meters: Sequence[Document],
    mean: tuple[float, Sequence[float]],
    title: str,
) -> Fields:
    value, (low, high) = mean
    across = {"yref": "paper", "y0": 0, "y1": 1, "layer": "below"}
    shapes = [
        {"type": "rect", "x0": low, "x1": high, "fillcolor": C["band"], "line": {"width": 0}},
        {"type": "line", "x0": value, "x1": value, "line": {"color": C["accent"], "width": 2}},
    ]
    return drawn(
        traces,
        shapes=[shape | across for shape in shapes],
        margin={"l": 74, "r": 18, "t": 44, "b": 34},
        xaxis=axis(title, side="top", zeroline=True),
        yaxis=axis(
            "",
            tickvals=list(range(len(meters))),
            ticktext=[each["meter_id"] for each in meters],
            range=[len(meters) - 0.4, -0.6],
            zeroline=False,
        ),
    )
