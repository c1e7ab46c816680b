"""A team's own sheets: what their columns were taken for, what is asked, what would load."""

from collections.abc import Sequence

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.pages.intake.new_devices import devices_form

ASIDE_SHOWN = 8
LAYOUTS = {
    "long": "a row a reading or record",
    "wide": "a row a session, a column a reading",
    "transposed": "a column a session",
    "sheet_per_meter": "a sheet a meter",
    "documented": "in the documented form",
}
CHOICES = {
    "day_month_year": "day, month, year",
    "month_day_year": "month, day, year",
    "year_month_day": "year, month, day",
}


def sheets_section(found: Document) -> html.Section:
    """Return what is proposed for dropped sheets, and the way to answer, accept or drop it."""
    groups = grouped(found["sheets"])
    ready = any(_loads(sheet) for sheet in found["sheets"])
    return parts.section(
        "Sheets of your own",
        parts.sentences(found["notices"], className="notices"),
        html.Ul([_card(sheets) for sheets in groups], className="own-sheets"),
        devices_form(found["devices"]),
        _buttons(ready=ready),
        name="intake-own",
        note="These are not in the documented form. See what each column was taken for; nothing "
        "is in the store yet, and nothing that can be read in two ways loads before it is "
        "decided.",
    )


def grouped(sheets: Sequence[Document]) -> list[list[Document]]:
    """Return sheets with the same columns and questions together."""
    groups: dict[str, list[Document]] = {}
    for sheet in sheets:
        meant = [(c["heading"], c["meaning"], c["unit"]) for c in sheet["columns"]]
        asked = [question["what"] for question in sheet["undecided"]]
        groups.setdefault(repr((sheet["path"], meant, asked)), []).append(sheet)
    return list(groups.values())


def _loads(sheet: Document) -> bool:
    return bool(sheet["proposed"]) and not sheet["undecided"]


def _card(sheets: Sequence[Document]) -> html.Li:
    first = sheets[0]
    return html.Li(
        [
            html.H3(_title(sheets)),
            parts.note(_summary(sheets)),
            *[_question(question) for question in first["undecided"]],
            _columns(first),
            _example("As it stands", first["before"]),
            _example("As it loads", first["after"]),
            _aside([problem for sheet in sheets for problem in sheet["set_aside"]]),
        ],
        className="own-sheet",
    )


def _title(sheets: Sequence[Document]) -> str:
    names = [sheet["sheet"] for sheet in sheets if sheet["sheet"]]
    shown = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    return theme.listed(sheets[0]["path"], shown or None)


def _summary(sheets: Sequence[Document]) -> str:
    rows = sum(sheet["rows"] for sheet in sheets)
    totals: dict[str, int] = {}
    for sheet in sheets:
        for table, count in sheet["proposed"].items():
            totals[table] = totals.get(table, 0) + count
    gives = [f"{theme.plural(n, 'row')} for {theme.words(table)}" for table, n in totals.items()]
    kept = sheets[0]["saved_as"]
    said = [
        LAYOUTS.get(sheets[0]["layout"], sheets[0]["layout"]),
        theme.plural(rows, "row"),
        f"gives {' and '.join(gives)}" if gives else "gives nothing yet",
        f"read as kept under “{kept}”" if kept else None,
    ]
    return theme.listed(*said)


def _question(question: Document) -> html.Div:
    key = {"type": "sheet-answer", "key": question["key"]}
    if not question["choices"]:
        field = dcc.Input(id=key, type="text", autoComplete="off", value="")
        hint = f"perhaps {question['default']}" if question["default"] else None
        label = html.Label([html.Span(question["what"]), field])
        return html.Div([label, parts.remark(hint) if hint else None], className="own-question")
    examples = question["examples"] or [None] * len(question["choices"])
    options = [
        {"value": choice, "label": _choice(choice, example, choice == question["default"])}
        for choice, example in zip(question["choices"], examples, strict=True)
    ]
    return html.Div(
        [html.P(question["what"]), dcc.RadioItems(options, id=key, className="own-choices")],
        className="own-question",
        role="group",
        **parts.aria(label=question["what"]),
    )


def _choice(choice: str, example: str | None, likely: bool) -> str:
    shown = CHOICES.get(choice, choice)
    shown += f": {example}" if example else ""
    return f"{shown} (likelier)" if likely else shown


def _columns(sheet: Document) -> html.Div:
    rows = [
        (
            column["heading"] or "no heading",
            column["meaning"] or "kept out",
            column["unit"] or "",
            f"{100 * column['confidence']:.0f} %",
            theme.sentence(column["why"]),
        )
        for column in sheet["columns"]
    ]
    titles = ("Column", "Taken for", "Unit", "Sure", "Why")
    return parts.plain_table(titles, rows, name="What each column was taken for", numbers=(3,))


def _example(title: str, example: Document) -> html.Details | None:
    if not example["rows"]:
        return None
    rows = [[cell or "" for cell in row] for row in example["rows"]]
    table = parts.plain_table(example["headings"], rows, name=title)
    return html.Details([html.Summary(f"{title}: the first rows"), table], open=True)


def _aside(problems: Sequence[Document]) -> html.Div | None:
    if not problems:
        return None
    shown = [
        html.Li(
            f"{theme.listed(p['sheet'], 'row ' + str(p['row']), p['column'])}: found "
            f"“{p['found'] or 'nothing'}”, expected {p['expected']}."
        )
        for p in problems[:ASIDE_SHOWN]
    ]
    more = len(problems) - ASIDE_SHOWN
    rest = parts.note(f"and {more} more.") if more > 0 else None
    title = html.P(f"{theme.plural(len(problems), 'cell')} would be set aside:")
    return html.Div([title, html.Ul(shown), rest], className="own-aside")


def _buttons(*, ready: bool) -> html.Div:
    again = html.Button("Read with these answers", id="intake-own-again", n_clicks=0)
    drop = html.Button("Not wanted", id="intake-own-drop", className="quiet", n_clicks=0)
    if not ready:
        return html.Div([again, drop], className="pair own-buttons")
    keep = html.Label(
        [
            html.Span("Keep what the columns mean for the next sheet, as"),
            dcc.Input(id="intake-own-name", type="text", value="", autoComplete="off"),
        ],
        className="field",
    )
    load = html.Button("Load what is certain", id="intake-own-load", n_clicks=0)
    return html.Div([load, keep, again, drop], className="pair own-buttons")
