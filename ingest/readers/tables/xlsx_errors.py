"""Failed formulas of a workbook, which the fast reader returns as empty cells."""

import io
import re
import zipfile

from lxml import etree

ErrorCell = tuple[int, int, str]  # row from 1, column from 0, text

_CELL = re.compile(rb'<(?:\w+:)?c\b([^>]*\bt="e"[^>]*)>.*?<(?:\w+:)?v>([^<]*)<', re.DOTALL)
_REFERENCE = re.compile(rb'\br="([A-Z]+)(\d+)"')


def error_cells(data: bytes, anchors: dict[str, tuple[int, int]]) -> dict[str, list[ErrorCell]]:
    """Return the failed formulas of some sheets, by sheet.

    anchors   each sheet's header row, and the column that its first named cell was read as
              (the reader leaves out empty columns at the left)
    """
    with zipfile.ZipFile(io.BytesIO(data)) as box:
        parts = _sheet_parts(box)
        return {
            name: _errors(box.read(parts[name]), anchor)
            for name, anchor in anchors.items()
            if name in parts
        }


def _sheet_parts(box: zipfile.ZipFile) -> dict[str, str]:
    """Return each sheet's name with the part of the archive it lies in."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True)
    try:
        book = etree.fromstring(box.read("xl/workbook.xml"), parser)
        links = etree.fromstring(box.read("xl/_rels/workbook.xml.rels"), parser)
    except (KeyError, etree.XMLSyntaxError):
        return {}
    targets = {link.get("Id"): link.get("Target", "") for link in links}
    parts = {}
    for sheet in book.iterfind(".//{*}sheet"):
        ids = [value for key, value in sheet.attrib.items() if str(key).endswith("}id")]
        target = targets.get(ids[0], "") if ids else ""
        part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
        if part in box.namelist():
            parts[str(sheet.get("name"))] = part
    return parts


def _errors(xml: bytes, anchor: tuple[int, int]) -> list[ErrorCell]:
    if b't="e"' not in xml:
        return []
    shift = _columns_left_out(xml, anchor)
    found = []
    for attributes, text in _CELL.findall(xml):
        place = _REFERENCE.search(attributes)
        if place:
            column = _column_number(place.group(1)) - shift
            found.append((int(place.group(2)), column, text.decode("utf-8", "replace")))
    return found


def _columns_left_out(xml: bytes, anchor: tuple[int, int]) -> int:
    row, read_as = anchor
    first = re.search(rb'<(?:\w+:)?c\b[^>]*\br="([A-Z]+)%d"[^>]*[^/]>' % row, xml)
    return _column_number(first.group(1)) - read_as if first else 0


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - ord("A") + 1
    return number - 1
