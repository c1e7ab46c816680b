"""From a file's bytes to text: byte-order marks, UTF-16 without one, old code pages."""

import codecs

from ingest.readers.tables.raw import UnreadableError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_TEXT_EXPECTED = "a table as text (CSV), in UTF-8 or UTF-16"
_TEXT_FIX = "open the file in the program that made it and save it as CSV (UTF-8), or as .xlsx"
OLD_CODE_PAGE = (
    "the text is not UTF-8; it was read as Windows-1252. "
    "Look at names with accents, or save the file as CSV (UTF-8)."
)


def decoded(data: bytes) -> tuple[str, list[str]]:
    """Return the text of a file, and notices; UnreadableError for bytes that are no text."""
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return _strict(data[len(mark) :], encoding), []
    wide = _utf16_without_mark(data)
    if wide:
        return _strict(data, wide), []
    if _is_binary(data):
        raise _not_text(data)
    try:
        return data.decode("utf-8"), []
    except UnicodeDecodeError:
        return _old_code_page(data), [OLD_CODE_PAGE]


def _strict(data: bytes, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError:
        raise _not_text(data) from None


def _utf16_without_mark(data: bytes) -> str | None:
    """Return the encoding of UTF-16 without a mark: every second byte of western text is 0."""
    sample = data[:4000]
    if len(sample) < 4 or len(data) % 2:
        return None
    pairs = len(sample) // 2
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    if odd > 0.7 * pairs and even < 0.05 * pairs:
        return "utf-16-le"
    if even > 0.7 * pairs and odd < 0.05 * pairs:
        return "utf-16-be"
    return None


def _is_binary(data: bytes) -> bool:
    sample = data[:8000]
    control = sum(sample.count(byte) for byte in range(32) if byte not in (9, 10, 12, 13))
    return b"\x00" in sample or control > 0.02 * len(sample)


def _old_code_page(data: bytes) -> str:
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        raise _not_text(data) from None
    strange = sum(not (c.isprintable() or c in "\r\n\t") for c in text[:8000])
    high = sum(ord(c) > 127 for c in text[:8000])
    if strange or high > 0.3 * min(len(text), 8000):
        raise _not_text(data)
    return text


def _not_text(data: bytes) -> UnreadableError:
    return UnreadableError(
        found=f"{len(data)} bytes that are not text", expected=_TEXT_EXPECTED, fix=_TEXT_FIX
    )
