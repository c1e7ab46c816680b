"""Cells of a workbook that the fast reader does not return as they are shown.

Failed formulas, which it returns as empty, and percentages: 1.5 % is 0.015 in the file.
"""

import io
import re
import zipfile

from lxml import etree

ShownCell = tuple[int, int, str]  # row from 1, column from 0, text

# No part of these patterns goes past a "<", so that their time is linear in the text's length.
_CELL = re.compile(
    rb"<(?:\w{1,20}:)?c\b([^<>]{0,400})(?<!/)>\s*"
    rb"(?:<(?:\w{1,20}:)?f\b[^<>]*(?:/>|>[^<]*</(?:\w{1,20}:)?f>)\s*)?"
    rb"<(?:\w{1,20}:)?v>([^<]*)<"
)
_REFERENCE = re.compile(rb'\br="([A-Z]{1,3})(\d{1,7})"')
_STYLE = re.compile(rb'\bs="(\d+)"')
_NUMBER = re.compile(rb"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_PERCENT_FORMATS = {9, 10}  # those every workbook has: 0 % and 0.00 %


def shown_differently(
    data: bytes, anchors: dict[str, tuple[int, int]]
) -> dict[str, list[ShownCell]]:
    """Return the failed formulas and the percentages of some sheets, by sheet.

    anchors   each sheet's header row, and the column that its first named cell was read as
              (the reader leaves out empty columns at the left)
    """
    with zipfile.ZipFile(io.BytesIO(data)) as box:
        parts, percent = _sheet_parts(box), _percent_styles(box)
        return {
            name: _shown(box.read(parts[name]), anchor, percent)
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


def _percent_styles(box: zipfile.ZipFile) -> set[bytes]:
    """Return the numbers of the cell styles that show a fraction in percent."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True)
    try:
        styles = etree.fromstring(box.read("xl/styles.xml"), parser)
    except (KeyError, etree.XMLSyntaxError):
        return set()
    own = {
        int(one.get("numFmtId", 0))
        for one in styles.iterfind(".//{*}numFmts/{*}numFmt")
        if "%" in one.get("formatCode", "")
    }
    formats = [int(xf.get("numFmtId", 0)) for xf in styles.iterfind(".//{*}cellXfs/{*}xf")]
    return {b"%d" % at for at, one in enumerate(formats) if one in own | _PERCENT_FORMATS}


def _shown(xml: bytes, anchor: tuple[int, int], percent: set[bytes]) -> list[ShownCell]:
    if not percent and b't="e"' not in xml:
        return []
    cells = ((m[1], _text_shown(m[1], m[2], percent)) for m in _CELL.finditer(xml))
    found = [(_REFERENCE.search(traits), text) for traits, text in cells if text is not None]
    if not found:
        return []
    shift = _columns_left_out(xml, anchor)
    return [
        (int(place[2]), _column_number(place[1]) - shift, text.decode("utf-8", "replace"))
        for place, text in found
        if place
    ]


def _text_shown(traits: bytes, value: bytes, percent: set[bytes]) -> bytes | None:
    """Return what a cell shows where the reader returns something else."""
    if b't="e"' in traits:
        return value
    style = _STYLE.search(traits) if percent else None
    if style is None or style[1] not in percent or (b' t="' in traits and b' t="n"' not in traits):
        return None
    return b"%.10g %%" % (100 * float(value)) if _NUMBER.fullmatch(value) else None


def _columns_left_out(xml: bytes, anchor: tuple[int, int]) -> int:
    row, read_as = anchor
    cell = rb'<(?:\w{1,20}:)?c\b[^<>]{0,400}?\br="([A-Z]{1,3})%d"[^<>]{0,400}(?<!/)>' % row
    first = re.search(cell, xml)
    return _column_number(first.group(1)) - read_as if first else 0


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - ord("A") + 1
    return number - 1
