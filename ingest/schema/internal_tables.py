"""The store's internal tables: imports, claims, set-aside rows, accounts, changes, pins.

A **claim** says that the file of an import holds a row of an input table. A row stays as long as
one import claims it, so that undoing an import is exact. Of the versions of a keyed row the one
claimed last is live.
"""

from datetime import date, datetime

from ingest.schema.columns import Cell, Column, Table
from ingest.schema.problems import CellProblem

META = Table(
    "meta", "what the store is", (Column("key", required=True), Column("value")), key=("key",)
)

SETTING_VALUES = Table(
    "setting_values",
    "settings that differ from the default",
    (Column("key", required=True), Column("value")),
    key=("key",),
)

IMPORTS = Table(
    "imports",
    "one row a file that was loaded (or a correction made by hand)",
    (
        Column("import_id", int, required=True),
        Column("path", required=True, meaning="the file, in full"),
        Column("kind", choices=("load", "correction"), required=True),
        Column("sha256", required=True, meaning="hash of the file's bytes"),
        Column("time_zone", required=True, meaning="zone of its times without an offset"),
        Column("loaded_at", datetime, required=True),
        Column("undone_at", datetime),
    ),
    key=("import_id",),
)

IMPORT_TABLES = Table(
    "import_tables",
    "one row a table of a file that was loaded",
    (
        Column("import_id", int, required=True),
        Column("sheet", meaning="sheet of the workbook, else empty"),
        Column("table_name"),
        Column("sha256", required=True, meaning="hash of the table's cells"),
        Column("brought", meaning="the columns that it brought, with commas; empty: all"),
        Column("rows_read", int, required=True),
        Column("rows_loaded", int, required=True),
        Column("rows_unchanged", int, required=True),
        Column("rows_set_aside", int, required=True),
    ),
)

IMPORT_NOTICES = Table(
    "import_notices",
    "what was said about a file while it was loaded",
    (Column("import_id", int, required=True), Column("text", required=True)),
)

CLAIMS = Table(
    "claims",
    "one row a row of a file that holds a row of the store",
    (
        Column("import_id", int, required=True),
        Column("table_name", required=True),
        Column("row_id", int, required=True),
        Column("sheet"),
        Column("row", int, required=True, meaning="row in the file as a spreadsheet shows it"),
    ),
)

SET_ASIDE = Table(
    "set_aside",
    "one row a row of a file that could not be loaded",
    (
        Column("set_aside_id", int, required=True),
        Column("import_id", int, required=True),
        Column("file", required=True, meaning="the file, in full"),
        Column("sheet"),
        Column("table_name"),
        Column("row", int, meaning="row in the file as a spreadsheet shows it"),
        Column("cells", Cell, required=True, meaning="the filled cells as they stand in the file"),
        Column("corrected", Cell, meaning="the filled cells as corrected so far"),
        Column("problems", CellProblem, required=True, meaning="everything wrong with the row"),
        Column("session_id", meaning="bench session that lost the row"),
        Column("set_aside_at", datetime, required=True),
        Column("resolved_at", datetime),
        Column("resolution", choices=("reloaded", "corrected", "dismissed", "undone")),
        Column("resolved_by", int, meaning="the import that resolved it"),
    ),
    key=("set_aside_id",),
)

ROLES = ("mechanic", "coach", "manager", "owner")

ACCOUNTS = Table(
    "accounts",
    "who may sign in",
    (
        Column("name", required=True),
        Column("role", choices=ROLES, required=True),
        Column("password_hash", required=True),
        Column("coach", meaning="whose riders a coach sees, as the riders table names the coach"),
        Column("created_at", datetime, required=True),
        Column("disabled_at", datetime),
        Column("generation", int, required=True, meaning="counts changes; older sign-ins end"),
        Column("code_secret", meaning="what an authenticator makes codes from; empty: none asked"),
        Column("code_step", int, meaning="the time step of the code that was taken last"),
        Column("recovery", meaning="hashes of recovery codes that are left, between blanks"),
    ),
    key=("name",),
)

ENDED_SIGN_INS = Table(
    "ended_sign_ins",
    "sign-ins that were ended before they ran out",
    (Column("token", required=True), Column("until", datetime, required=True)),
    key=("token",),
)

CHANGES = Table(
    "changes",
    "one row a change that a person made",
    (
        Column("changed_at", datetime, required=True),
        Column("who", required=True, meaning="account, or the command line's user"),
        Column("what", required=True),
        Column("subject", meaning="what was changed"),
        Column("before", meaning="text or JSON"),
        Column("after", meaning="text or JSON"),
    ),
)

PLAN_PINS = Table(
    "plan_pins",
    "meters whose bench visit someone has tied to a week of the plan",
    (
        Column("meter_id", required=True),
        Column("week", date, required=True, meaning="the week's Monday"),
    ),
    key=("meter_id", "week"),
)

MAPPING_COLUMNS = Table(
    "mapping_columns",
    "one row a column of sheets of a team's own, by the mapping that says what it means",
    (
        Column("mapping", required=True, meaning="the name it is kept under"),
        Column("table_name", required=True, meaning="the table its rows are for"),
        Column("position", int, required=True),
        Column("heading", meaning="as it stands in the sheet"),
        Column("meaning", required=True, meaning="a column of the table with its traits"),
        Column("unit", meaning="of numbers without one"),
    ),
    key=("mapping", "position"),
)

MAPPING_ANSWERS = Table(
    "mapping_answers",
    "what was answered about sheets of a mapping and holds for the next one",
    (
        Column("mapping", required=True),
        Column("question", required=True),
        Column("answer", required=True),
    ),
    key=("mapping", "question"),
)

INTERNAL_TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        *(META, SETTING_VALUES, IMPORTS, IMPORT_TABLES, IMPORT_NOTICES, CLAIMS, SET_ASIDE),
        *(ACCOUNTS, ENDED_SIGN_INS, CHANGES, PLAN_PINS),
        *(MAPPING_COLUMNS, MAPPING_ANSWERS),
    )
}
