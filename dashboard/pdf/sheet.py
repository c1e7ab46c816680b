"""A sheet of paper as PDF: headings, paragraphs, facts, tables, in letters that hold every sign.

The fonts lie beside this module; nothing is fetched. The same content gives the same bytes.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

FONTS = Path(__file__).parent / "fonts"
LETTERS = "DejaVu"
INK, FAINT = (20, 27, 30), (88, 98, 104)
EDGE_MM = 16.0


class Paper(FPDF):
    """A4, or any size in mm, written from top to bottom."""

    def __init__(self, title: str, *, made_at: datetime, size: tuple[float, float] | None = None):
        super().__init__(unit="mm", format=size or "A4")
        self.add_font(LETTERS, "", FONTS / "DejaVuSans.ttf")
        self.add_font(LETTERS, "B", FONTS / "DejaVuSans-Bold.ttf")
        self.set_title(title)
        self.set_creator("Slopewatch")
        self.set_lang("en")
        self.set_creation_date(made_at.astimezone(UTC))
        self.set_text_color(*INK)
        self.foot = ""
        edge = EDGE_MM if size is None else 2.5
        self.set_margins(edge, edge)
        self.set_auto_page_break(size is None, margin=edge)
        self.add_page()

    def footer(self) -> None:
        """Write what the sheet is and the page number, on every page of a document."""
        if not self.foot:
            return
        self.set_y(-12)
        self.letters(7, colour=FAINT)
        self.cell(0, 4, f"{self.foot} · page {self.page_no()} of {{nb}}")

    def letters(
        self, size: float, *, bold: bool = False, colour: tuple[int, int, int] = INK
    ) -> None:
        """Set the letters of what is written next; size in points."""
        self.set_font(LETTERS, "B" if bold else "", size)
        self.set_text_color(*colour)

    def heading(self, text: str, size: float = 11) -> None:
        """Write a heading, kept with what follows it."""
        if self.will_page_break(22):
            self.add_page()
        self.ln(2.5)
        self.letters(size, bold=True)
        self.line_of(text, size * 0.52)
        self.ln(0.6)

    def line_of(self, text: str, height: float) -> None:
        """Write one line, or several where it is long; height of a line in mm."""
        self.multi_cell(0, height, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")

    def prose(self, text: str, size: float = 8.5) -> None:
        """Write a paragraph; size in points."""
        self.letters(size)
        self.line_of(text, size * 0.5)

    def facts(self, pairs: Sequence[tuple[str, str]], *, across: int = 2) -> None:
        """Write pairs of label and value, `across` pairs in a row."""
        self.letters(8.5)
        widths = (3, 5) * across
        with self.table(
            col_widths=widths,
            borders_layout=TableBordersLayout.NONE,
            first_row_as_headings=False,
            line_height=4.6,
            text_align="LEFT",
            padding=(0.25, 1, 0.25, 0),
        ) as table:
            for start in range(0, len(pairs), across):
                row = table.row()
                for label, value in (*pairs[start : start + across], *[("", "")] * across)[:across]:
                    row.cell(label, style=FontFace(color=FAINT))
                    row.cell(value)

    def rows(
        self,
        titles: Sequence[str],
        rows: Sequence[Sequence[str]],
        *,
        widths: Sequence[float],
        numbers: Sequence[int] = (),
    ) -> None:
        """Write a table; widths: relative; numbers: columns that are set to the right."""
        self.letters(8)
        align = ["RIGHT" if k in numbers else "LEFT" for k in range(len(titles))]
        with self.table(
            col_widths=tuple(widths),
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis="BOLD", color=INK),
            line_height=4.2,
            text_align=tuple(align),
            padding=(0.4, 1),
        ) as table:
            for cells in (titles, *rows):
                row = table.row()
                for cell in cells:
                    row.cell(cell)

    def made(self) -> bytes:
        """Return the finished PDF."""
        return bytes(self.output())
