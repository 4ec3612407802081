"""A sheet as a document: a page of HTML to print, or all of it as one SVG. Lengths are in millimetres."""

from __future__ import annotations

from html import escape

from keyc import __version__
from keyc.pages import pages
from keyc.sheet.drawn_cap import ASIDE, INK, PAPER, WRITTEN
from keyc.sheet.figure import PAPER_WIDTH, Figure
from keyc.sheet.paper import FONTS, Ink, cut, text_svg, width_of, wrapped
from keyc.sheet.sheet import Sheet, Table


def html_of(sheet: Sheet) -> str:
    """A page for the screen and, lying, for A4 and Letter. It needs nothing else and runs no script."""
    from markupsafe import Markup

    return (
        pages()
        .get_template("sheet.html.j2")
        .render(
            sheet=sheet,
            drawing=lambda figure: Markup(_figure_svg(figure)),
            fonts=Markup(FONTS),
            tool=f"keyc {__version__}",
        )
    )


def _figure_svg(figure: Figure) -> str:
    """One figure as an `svg` element of its true size; a hair wider, for the edges of the outer caps."""
    width, height = figure.width + 1, figure.height + 1
    label = escape(figure.heading, quote=True)
    return (
        f'<svg role="img" aria-label="{label}" width="{width:.2f}mm" height="{height:.2f}mm" '
        f'viewBox="-0.5 -0.5 {width:.2f} {height:.2f}">\n{figure.body}\n</svg>'
    )


def svg_of(sheet: Sheet) -> str:
    """All figures and tables as one picture, as wide as the lying papers hold, one below the other."""
    page = _Page()
    page.heading(sheet.title, sheet.facts, size=6)
    for line in wrapped(sheet.how_to_read, PAPER_WIDTH, 3):
        page.aside(line, 3)
    for figure in (*sheet.layers, *sheet.matrix):
        page.figure(figure)
    for table in sheet.tables:
        page.table(table)
    width, height = PAPER_WIDTH + 4, page.y + 4
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.1f}mm" height="{height:.1f}mm" '
            f'viewBox="-2 -2 {width:.1f} {height:.1f}" font-family="{escape(FONTS, quote=True)}">',
            f"<title>{escape(sheet.title)}</title>",
            f"<!-- keyc {__version__} -->",
            f'<rect x="-2" y="-2" width="{width:.1f}" height="{height:.1f}" fill="{PAPER}"/>',
            *page.parts,
            "</svg>\n",
        )
    )


class _Page:
    """Lines and figures one below the other; small figures stand side by side."""

    def __init__(self) -> None:
        self.parts: list[str] = []
        self.y = 0.0
        self._row_left = 0.0  # where the next figure of a row of small ones comes
        self._row_top = 0.0

    def heading(self, text: str, remark: str, size: float = 4.2, x: float = 0.0) -> None:
        self.y += 1.6 * size
        shown = cut(text, PAPER_WIDTH * 0.7, size, bold=True)
        self.parts.append(text_svg(x, self.y, shown, size, Ink(INK, bold=True)))
        if remark:
            after = x + width_of(shown, size, bold=True) + 3
            self.parts.append(text_svg(after, self.y, cut(remark, PAPER_WIDTH - after, 3), 3, ASIDE))
        self.y += 2.4

    def aside(self, text: str, size: float, x: float = 0.0) -> None:
        self.y += 1.35 * size
        self.parts.append(text_svg(x, self.y, text, size, ASIDE))

    def figure(self, figure: Figure) -> None:
        below, left = self.y, 0.0
        # Beside the one before, where both have room.
        if self._row_left and self._row_left + figure.width <= PAPER_WIDTH:
            left, self.y = self._row_left, self._row_top
        self._row_top = self.y
        self.heading(figure.heading, figure.remark, x=left)
        self.parts.append(f'<g transform="translate({left:.2f} {self.y:.2f})">\n{figure.body}\n</g>')
        self.y += figure.height
        for line in wrapped("; ".join(figure.in_full), max(figure.width, 60), 2.6):
            self.aside(line, 2.6, x=left)
        heading_width = width_of(figure.heading, 4.2, bold=True) + 3 + width_of(figure.remark, 3)
        self._row_left = left + max(figure.width, heading_width) + 8
        self.y = max(self.y + 2, below)

    def table(self, table: Table) -> None:
        self._row_left = 0.0
        self.heading(table.heading, "")
        columns = list(zip(table.columns, *table.rows, strict=True))
        widths = [max(width_of(text, 3.2) for text in column) + 6 for column in columns]
        for number, row in enumerate((table.columns, *table.rows)):
            self.y += 4.6
            x = 0.0
            for text, width in zip(row, widths, strict=True):
                self.parts.append(text_svg(x, self.y, text, 3.2, WRITTEN if number else ASIDE))
                x += width
        self.y += 2
