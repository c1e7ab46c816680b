"""Small files of others' making that ask for more than a machine has.

Each function returns a file's name and its bytes. `n` makes the same attack smaller or larger.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable

import polars as pl

File = tuple[str, bytes]
SPREADSHEET = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
STYLES = (
    f'<styleSheet {SPREADSHEET}><cellXfs count="2"><xf/><xf numFmtId="10"/></cellXfs></styleSheet>'
)


def workbook(sheet_data: str, *, shared: str = "", name: str = "bench.xlsx") -> File:
    """A workbook with one sheet, `bench`, and these rows as they stand in its XML."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as box:
        box.writestr(
            "[Content_Types].xml",
            '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
            '<Default Extension="xml" ContentType="application/xml"/></Types>',
        )
        box.writestr(
            "xl/workbook.xml",
            f'<workbook {SPREADSHEET} xmlns:r="{RELATIONS}"><sheets>'
            '<sheet name="bench" sheetId="1" r:id="rId1"/></sheets></workbook>',
        )
        box.writestr(
            "xl/_rels/workbook.xml.rels",
            '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            f'<Relationship Id="rId1" Type="{RELATIONS}/worksheet" Target="worksheets/s.xml"/>'
            f'<Relationship Id="rId2" Type="{RELATIONS}/sharedStrings" Target="sharedStrings.xml"/>'
            f'<Relationship Id="rId3" Type="{RELATIONS}/styles" Target="styles.xml"/>'
            "</Relationships>",
        )
        box.writestr(
            "_rels/.rels",
            '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            f'<Relationship Id="rId1" Type="{RELATIONS}/officeDocument" Target="xl/workbook.xml"/>'
            "</Relationships>",
        )
        box.writestr("xl/styles.xml", STYLES)
        box.writestr("xl/sharedStrings.xml", f"<sst {SPREADSHEET}>{shared}</sst>")
        body = f"<worksheet {SPREADSHEET}><sheetData>{sheet_data}</sheetData></worksheet>"
        box.writestr("xl/worksheets/s.xml", body)
    return name, packed.getvalue()


def far_cell() -> File:
    """One cell in the last column of the last row, beside one in the first."""
    near, far = '<c r="A1"><v>1</v></c>', '<c r="XFD1048576"><v>1</v></c>'
    return workbook(f'<row r="1">{near}</row><row r="1048576">{far}</row>')


def failed_formulas(n: int = 60_000) -> File:
    """Cells that say they are errors and hold none."""
    return workbook('<row r="1"><c r="A1"><v>1</v></c>' + '<c t="e"/>' * n + "</row>")


def unpacks_large(n: int = 600) -> File:
    """A workbook of a thousandth of its `n` megabytes unpacked."""
    row = '<row r="1"><c r="A1" t="inlineStr"><is><t>' + "0" * 1_000_000 * n + "</t></is></c></row>"
    return workbook(row)


def many_cells(n: int = 6_000_000) -> File:
    """A workbook of very many short cells in a hundred columns."""
    row = "<row>" + "<c><v>1</v></c>" * 100 + "</row>"
    return workbook(row * (n // 100))


def one_text_many_times(n: int = 200_000) -> File:
    """A long shared text that many cells show."""
    cell = '<c t="s"><v>0</v></c>'
    rows = "<row>" + cell * 50 + "</row>"
    return workbook(rows * (n // 50), shared=f"<si><t>{'x' * 30_000}</t></si>")


def repeated_cells(n: int = 1_000_000) -> File:
    """An ODS sheet whose one row says that it and its cell are there a million times."""
    office = "urn:oasis:names:tc:opendocument:xmlns:office:1.0"
    table = "urn:oasis:names:tc:opendocument:xmlns:table:1.0"
    text = "urn:oasis:names:tc:opendocument:xmlns:text:1.0"
    cell = (
        f'<table:table-cell table:number-columns-repeated="{n}" office:value-type="string">'
        "<text:p>meter</text:p></table:table-cell>"
    )
    row = f'<table:table-row table:number-rows-repeated="{n}">{cell}</table:table-row>'
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as box:
        box.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        box.writestr(
            "content.xml",
            f'<office:document-content xmlns:office="{office}" xmlns:table="{table}" '
            f'xmlns:text="{text}"><office:body><office:spreadsheet><table:table '
            f'table:name="bench">{row}</table:table></office:spreadsheet></office:body>'
            "</office:document-content>",
        )
    return "bench.ods", packed.getvalue()


def long_column(n: int = 300_000_000) -> File:
    """A Parquet file that says in few bytes that a value stands `n` times."""
    whole = io.BytesIO()
    pl.DataFrame({"meter_id": pl.repeat(True, n, eager=True)}).write_parquet(whole)
    return "meters.parquet", whole.getvalue()


def wide_csv(n: int = 1_000_000) -> File:
    """A CSV of very many columns."""
    return "bench.csv", (",".join(["a"] * n) + "\n" + ",".join(["1"] * n) + "\n").encode()


def open_quotes(n: int = 200_000) -> File:
    """A CSV in which every row opens a quotation mark that nothing closes."""
    return "bench.csv", ("session_id,meter_id\n" + 'S1,"M1\n\n' * n).encode()


def odd_quotes(n: int = 200_000) -> File:
    """A CSV whose quotation marks close in the wrong places."""
    return "bench.csv", ("session_id,meter_id\n" + 'S1,"M1" x\n' * n).encode()


def empty_cells(n: int = 20_000_000) -> File:
    """A CSV of separators alone."""
    return "bench.csv", b"session_id,meter_id\n" + (b"," * 99 + b"\n") * (n // 100)


def long_cell(n: int = 20_000_000) -> File:
    """A CSV with one cell of many megabytes."""
    return "bench.csv", b"session_id,meter_id\nS1," + b"1" * n + b"\n"


def many_rows(n: int = 5_000_000) -> File:
    """A CSV of very many short rows."""
    return "bench.csv", b"session_id,meter_id\n" + b"S1,M1\n" * n


def wide_recording(n: int = 300_000) -> File:
    """A recording as CSV of very many columns."""
    names = "time,power_w," + ",".join(f"c{i}" for i in range(n))
    return "ride.csv", (names + "\n" + ",".join(["1"] * (n + 2)) + "\n").encode()


def packed_recording(n: int = 64) -> File:
    """A packed recording of `n` megabytes of rows."""
    rows = b"time,power_w\n" + b"2026-01-01T00:00:00Z,200\n" * (n * 40_000)
    return "ride.csv.gz", gzip.compress(rows, 6)


def nested_tcx(n: int = 2_000_000) -> File:
    """A TCX whose elements lie in one another."""
    head = '<?xml version="1.0"?><TrainingCenterDatabase>'
    return "ride.tcx", (head + "<a>" * n).encode()


def many_trackpoints(n: int = 400_000) -> File:
    """A TCX of very many points without anything in them."""
    head = '<?xml version="1.0"?><TrainingCenterDatabase><Activities><Activity><Lap><Track>'
    point = "<Trackpoint><Time>2026-01-01T00:00:00Z</Time></Trackpoint>"
    return "ride.tcx", (head + point * n).encode()


ATTACKS: dict[str, Callable[[], File]] = {
    made.__name__: made
    for made in (
        *(far_cell, failed_formulas, unpacks_large, many_cells, one_text_many_times),
        *(repeated_cells, long_column, wide_csv, open_quotes, odd_quotes, empty_cells, long_cell),
        *(many_rows, wide_recording, packed_recording, nested_tcx, many_trackpoints),
    )
}
