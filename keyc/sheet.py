"""`keyc sheet`: pictures of every layer and of the matrix, as one SVG or as HTML to print.

Lengths are in millimetres on paper unless a name ends in `_u` (key units, 1 u = 19.05 mm). A figure is
never wider or higher than what A4 and Letter, lying, both have room for within margins of 10 mm; no
cap is drawn larger than it is.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape

from keyc import __version__
from keyc.caps import Laid, Placed, Side, laid_out
from keyc.files import shipped
from keyc.keyboard import Keyboard, Switch
from keyc.legends import Character, Kind, Legend, Way, legends, ways
from keyc.pins import module_pin_of_gpio, package_pin_of_gpio
from keyc.show import DIODES_IN_WORDS, pin_uses

# What both lying papers hold: A4 is 297 by 210 mm, Letter 279.4 by 215.9 (ISO 216; ANSI/ASME Y14.1).
PAPER_WIDTH, PAPER_HEIGHT = 279.4 - 2 * 10, 210.0 - 2 * 10
_HEADING = 9.0  # a figure's heading
_LARGEST_U = 19.05
_LARGEST_HEIGHT = PAPER_HEIGHT - _HEADING - 4

_INK, _QUIET, _RULE = "#1a1a1a", "#666666", "#b4b4b0"
# Okabe and Ito's colours, and pale tints of them that ink stays legible on.
_BLUE, _VERMILLION, _GREEN = "#0072B2", "#D55E00", "#009E73"
_SKY_TINT, _ORANGE_TINT, _NOTHING_TINT, _HELD_TINT = "#e4f2fb", "#fdf1d9", "#f1f1ee", "#cfe8f8"

FONTS = '"Liberation Sans", Arial, Helvetica, "Nimbus Sans", system-ui, sans-serif'

# Widths of Helvetica's characters 32 to 126 in thousandths of the size (Adobe Font Metrics, Core 14
# fonts). Arial and Liberation Sans have the same.
_WIDTHS = (
    *(278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278),
    *(556,) * 10,
    *(278, 278, 584, 584, 584, 556, 1015),
    *(667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833),
    *(722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611),
    *(278, 278, 278, 469, 556, 333),
    *(556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833),
    *(556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500),
    *(334, 260, 334, 584),
)
_BOLD = 1.08  # how much wider bold letters are, at most a little less than this
_CUT = "…"


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing with its heading. `body` is SVG in millimetres from the top left, without heading."""

    heading: str
    remark: str
    width: float
    height: float
    body: str
    in_full: tuple[str, ...] = ()  # what had to be cut in the drawing


@dataclass(frozen=True, slots=True)
class Table:
    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that is drawn of a keyboard: `layers`, `tables` of what has no cap, and the `matrix`."""

    title: str
    facts: str
    layers: tuple[Figure, ...]
    tables: tuple[Table, ...]
    matrix: tuple[Figure, ...]
    pins: Table

    @property
    def summary(self) -> str:
        count = len(self.layers)
        return f"{count} layer{'' if count == 1 else 's'}, and the matrix from both sides"


def sheet_of(keyboard: Keyboard) -> Sheet:
    """Pictures and tables of a keyboard, still without a document around them."""
    how = ways(keyboard)
    return Sheet(
        keyboard.title,
        _facts(keyboard),
        tuple(_layer_figure(keyboard, layer.name, how[layer.name]) for layer in keyboard.layers),
        tuple(table for table in (_dials(keyboard), _lights(keyboard)) if table.rows),
        tuple(_matrix_figure(keyboard, side) for side in _SIDES),
        _pins(keyboard),
    )


def _facts(keyboard: Keyboard) -> str:
    laid = laid_out(keyboard.caps)
    scale = _unit(laid) / _LARGEST_U
    facts = [f"made by {keyboard.maker}"] if keyboard.maker else []
    facts += [
        f"{len(keyboard.wiring.switches)} switches",
        f"host layout {keyboard.host_layout}",
        "true size" if scale > 0.999 else f"{scale:.0%} of its size",
    ]
    return ", ".join(facts)


def _unit(laid: Laid) -> float:
    """Millimetres on paper to one key unit."""
    return min(_LARGEST_U, PAPER_WIDTH / laid.width_u, _LARGEST_HEIGHT / laid.height_u)


# ---- text -------------------------------------------------------------------------------------


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """About how wide a text comes out, in the unit of `size`."""
    thousandths = 0
    for character in text:
        code = ord(character)
        if 32 <= code < 127:
            thousandths += _WIDTHS[code - 32]
        elif unicodedata.combining(character):
            continue
        else:
            thousandths += 1000 if unicodedata.east_asian_width(character) in "WF" else 720
    return thousandths / 1000 * size * (_BOLD if bold else 1.0)


def _text(
    x: float,
    y: float,
    text: str,
    size: float,
    *,
    anchor: str = "start",
    fill: str = _INK,
    bold: bool = False,
    italic: bool = False,
) -> str:
    more = "" if anchor == "start" else f' text-anchor="{anchor}"'
    more += ' font-weight="700"' if bold else ""
    more += ' font-style="italic"' if italic else ""
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}" fill="{fill}"{more}>{escape(text)}</text>'


def folded(
    text: str, room: float, sizes: Sequence[float], lines: Mapping[float, int]
) -> tuple[float, list[str]]:
    """A text at the largest of `sizes` at which it fits into its lines, each `room` wide; at the smallest
    it's cut. `lines`: how many lines there is room for at each size."""
    for size in sizes:
        found = _lines(text, room, size)
        if len(found) <= lines[size] and all(width_of(line, size, bold=True) <= room for line in found):
            return size, found
    size = sizes[-1]
    found = _lines(text, room, size)
    most = max(1, lines[size])
    found = [*found[: most - 1], "".join(found[most - 1 :])] if len(found) > most else found
    return size, [_cut(line, room, size) for line in found]


def _lines(text: str, room: float, size: float) -> list[str]:
    """Folded where a word ends: before a capital, after a hyphen, a sign, a blank."""
    found = [""]
    for piece in re.split(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Za-z])(?=[0-9])|(?<=[-+/(),])|(?<= )", text):
        if found[-1] and width_of((found[-1] + piece).rstrip(), size, bold=True) > room:
            found.append("")
        found[-1] += piece
    return [line.rstrip() for line in found]


def _cut(text: str, room: float, size: float) -> str:
    if width_of(text, size, bold=True) <= room:
        return text
    while text and width_of(text + _CUT, size, bold=True) > room:
        text = text[:-1]
    return text + _CUT


# ---- a layer ----------------------------------------------------------------------------------


def _layer_figure(keyboard: Keyboard, layer: str, way: Way) -> Figure:
    laid = laid_out(keyboard.caps)
    unit = _unit(laid)
    on_caps = legends(keyboard, layer)
    drawn = [_Cap(placed, unit).with_legend(on_caps[placed.cap.switch]) for placed in laid.caps]
    return Figure(
        f"Layer {layer}",
        _way_in_words(keyboard, way),
        laid.width_u * unit,
        laid.height_u * unit,
        "\n".join(cap.svg for cap in drawn),
        tuple(cap.in_full for cap in drawn if cap.in_full),
    )


def _way_in_words(keyboard: Keyboard, way: Way) -> str:
    if not way.is_reached:
        return "no key leads to it"
    if not way.held:
        return "at the bottom"
    return "while " + " and ".join(way.held) + (" is held" if len(way.held) == 1 else " are held")


class _Cap:
    """One cap as SVG. Legends stand where ISO/IEC 9995-1 puts them (from memory): a key's first level
    below its second, the third to the right of the first, the fourth above the third."""

    def __init__(self, placed: Placed, unit: float) -> None:
        gap = 0.05 * unit
        self._placed = placed
        self._unit = unit
        self.width = placed.cap.width_u * unit - gap
        self.height = placed.cap.height_u * unit - gap
        self.left, self.top = -self.width / 2, -self.height / 2
        self.right, self.bottom = self.width / 2, self.height / 2
        self.strip = min(max(0.2 * unit, 1.9), self.height / 3)
        self.pad = 0.08 * unit
        self.room = self.width - 2 * self.pad
        # Legends keep to the upper unit of a tall cap, as they do on real ones.
        self.face = min(self.height, unit * 0.95) - self.strip
        self._parts: list[str] = []
        self.in_full = ""

    @property
    def svg(self) -> str:
        x, y = self._placed.x_u * self._unit, self._placed.y_u * self._unit
        turn = f" rotate({self._placed.turn_deg:g})" if self._placed.turn_deg else ""
        name = escape(self._placed.cap.switch, quote=True)
        body = "".join(self._parts)
        return f'<g class="cap" data-switch="{name}" transform="translate({x:.2f} {y:.2f}){turn}">{body}</g>'

    def outline(self, fill: str, edge: str = _INK, weight: float = 0.25) -> None:
        self._parts.append(
            f'<rect x="{self.left:.2f}" y="{self.top:.2f}" width="{self.width:.2f}" '
            f'height="{self.height:.2f}" rx="{0.07 * self._unit:.2f}" fill="{fill}" stroke="{edge}" '
            f'stroke-width="{weight}"/>'
        )

    def add(self, part: str) -> None:
        self._parts.append(part)

    def with_legend(self, legend: Legend) -> _Cap:
        if legend.is_held:
            self.outline(_HELD_TINT, _BLUE, 0.7)
        else:
            self.outline("#ffffff" if legend.is_through else _TINTS.get(legend.kind, "#ffffff"))
        fill = _QUIET if legend.is_through else _INKS.get(legend.kind, _INK)
        self._strip(legend, fill)
        if legend.types:
            self._characters(legend, fill)
        else:
            self._words(legend, fill)
        return self

    def _strip(self, legend: Legend, fill: str) -> None:
        """The strip along the lower edge: on it what the key does while held, and the switch's name."""
        size = min(0.13 * self._unit, 2.2)
        y = self.bottom - self.strip / 2 + 0.36 * size
        name = _cut(self._placed.cap.switch, self.room, size)
        self.add(_text(self.right - self.pad, y, name, size, anchor="end", fill=_QUIET))
        hold = legend.hold or ("held" if legend.is_held else "")
        if not hold:
            return
        if legend.hold:
            rule = self.bottom - self.strip
            self.add(
                f'<path d="M{self.left:.2f} {rule:.2f}H{self.right:.2f}" stroke="{fill}" stroke-width="0.2"/>'
            )
        room = self.room - width_of(name, size) - 0.5 * size
        larger = min(0.16 * self._unit, 2.6)
        size = larger if width_of(hold, larger, bold=True) <= room else size
        shown = _cut(hold, room, size)
        if shown != hold:
            self.in_full = f"{self._placed.cap.switch} held: {hold}"
        y = self.bottom - self.strip / 2 + 0.36 * size
        self.add(
            _text(
                self.left + self.pad,
                y,
                shown,
                size,
                fill=_BLUE if legend.is_held else fill,
                bold=not legend.is_through,
                italic=legend.is_through,
            )
        )

    def _characters(self, legend: Legend, fill: str) -> None:
        alone, shifted, alt, both = legend.levels
        left, right = self.left + self.pad, self.right - self.pad
        # Wide caps have their legends at the left, like the others.
        right = min(right, left + 0.84 * self._unit)
        upper, lower = self.top + self.pad, self.top + self.face - 0.03 * self._unit
        if alone and shifted:
            self._character(left, upper, shifted, 0.27, fill, legend, hangs=True)
            self._character(left, lower, alone, 0.27, fill, legend)
        else:
            single = alone or shifted
            if single:
                self._character(left, upper, single, 0.36, fill, legend, hangs=True)
        if both:
            self._character(right, upper, both, 0.2, fill, legend, hangs=True, anchor="end")
        if alt:
            self._character(right, lower, alt, 0.2, fill, legend, anchor="end")
        if legend.note and not (alt or (alone and shifted)):
            size = min(0.13 * self._unit, 2.2)
            self.add(
                _text(
                    left,
                    lower,
                    _cut(legend.note, self.room, size),
                    size,
                    fill=_QUIET,
                    italic=legend.is_through,
                )
            )

    def _character(
        self,
        x: float,
        y: float,
        character: Character,
        size_u: float,
        fill: str,
        legend: Legend,
        *,
        hangs: bool = False,
        anchor: str = "start",
    ) -> None:
        size = size_u * self._unit
        if hangs:
            y += 0.74 * size
        self.add(
            _text(
                x,
                y,
                character.text,
                size,
                anchor=anchor,
                fill=fill,
                bold=size_u > 0.25,
                italic=legend.is_through,
            )
        )
        if character.is_accent:  # a dotted box, as standards draw accents that wait for their letter
            wide = max(width_of(character.text, size, bold=True), 0.4 * size)
            start = x - wide if anchor == "end" else x
            self.add(
                f'<rect x="{start - 0.04 * size:.2f}" y="{y - 0.78 * size:.2f}" width="{wide + 0.08 * size:.2f}" '
                f'height="{0.84 * size:.2f}" fill="none" stroke="{fill}" stroke-width="0.15" '
                'stroke-dasharray="0.3 0.4"/>'
            )

    def _words(self, legend: Legend, fill: str) -> None:
        unit = self._unit
        sizes = [unit * share for share in (0.24, 0.21, 0.185, 0.165, 0.15, 0.135)]
        note_size = min(0.13 * unit, 2.2)
        height = self.face - self.pad - (1.2 * note_size if legend.note else 0)
        lines = {size: max(1, int(height / (1.08 * size))) for size in sizes}
        size, found = folded(legend.words, self.room, sizes, lines)
        if any(line.endswith(_CUT) for line in found):
            self.in_full = self.in_full or f"{self._placed.cap.switch}: {legend.words}"
        y = self.top + self.pad + 0.76 * size
        for line in found:
            self.add(
                _text(
                    self.left + self.pad,
                    y,
                    line,
                    size,
                    fill=_QUIET if legend.kind is Kind.OFF else fill,
                    bold=legend.kind in (Kind.LAYER, Kind.USB_BOOT) and not legend.is_through,
                    italic=legend.is_through,
                )
            )
            y += 1.08 * size
        if legend.note:
            note = _cut(legend.note, self.room, note_size)
            y = y - 1.08 * size + 1.3 * note_size
            self.add(_text(self.left + self.pad, y, note, note_size, fill=_QUIET, italic=legend.is_through))


_TINTS = {Kind.LAYER: _SKY_TINT, Kind.OFF: _NOTHING_TINT, Kind.USB_BOOT: _ORANGE_TINT}
_INKS = {Kind.LAYER: _BLUE}


# ---- the matrix -------------------------------------------------------------------------------

_SIDES: tuple[Side, ...] = ("front", "back")


def _matrix_figure(keyboard: Keyboard, side: Side) -> Figure:
    """Every switch with its pins, and the lines that join them: rows whole, columns dashed."""
    laid = laid_out(keyboard.caps, side)
    unit = _unit(laid)
    switches = {switch.name: switch for switch in keyboard.wiring.switches}
    caps = [_Cap(placed, unit) for placed in laid.caps]
    for cap, placed in zip(caps, laid.caps, strict=True):
        cap.outline("#ffffff", _RULE)
    boxes = "\n".join(cap.svg for cap in caps)
    lines = "\n".join(_matrix_lines(laid.caps, switches, unit))
    texts = "\n".join(_pins_on_cap(placed, switches[placed.cap.switch], unit) for placed in laid.caps)
    where = "front" if side == "front" else "solder side"
    remark = DIODES_IN_WORDS[keyboard.wiring.diodes] if keyboard.wiring.rows else ""
    if side == "back":
        remark = "left and right exchanged" + (f"; {remark}" if remark else "")
    return Figure(
        f"Matrix, from the {where}",
        remark,
        laid.width_u * unit,
        laid.height_u * unit,
        "\n".join(part for part in (boxes, lines, texts) if part),
    )


def _matrix_lines(placed: Iterable[Placed], switches: Mapping[str, Switch], unit: float) -> Iterator[str]:
    rows: dict[int, list[tuple[float, float]]] = {}
    columns: dict[int, list[tuple[float, float]]] = {}
    for one in placed:
        switch = switches[one.cap.switch]
        x, y = one.x_u * unit, one.y_u * unit
        if switch.row is not None and switch.column is not None:
            point = (x + 0.3 * unit, y - 0.02 * unit)
            rows.setdefault(switch.row, []).append(point)
            columns.setdefault(switch.column, []).append(point)
    for line in rows.values():
        yield _line(sorted(line), _BLUE, "")
    for line in columns.values():
        yield _line(sorted(line, key=lambda point: (point[1], point[0])), _VERMILLION, "1.2 0.8")
    for x, y in (point for line in rows.values() for point in line):
        yield f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{0.035 * unit:.2f}" fill="{_INK}"/>'


def _line(points: Sequence[tuple[float, float]], colour: str, dashes: str) -> str:
    path = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points)
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return (
        f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="0.45" stroke-opacity="0.75"{dashed}/>'
    )


def _pins_on_cap(placed: Placed, switch: Switch, unit: float) -> str:
    """A switch's name, and below its pins in the colours of the lines."""
    cap = _Cap(placed, unit)
    size = 0.2 * unit
    name = _cut(switch.name, cap.room, size)
    left = cap.left + cap.pad
    cap.add(_text(left, cap.top + cap.pad + 0.76 * size, name, size, bold=True))
    small = min(0.15 * unit, 2.4)
    if switch.diode:
        diode = _cut(switch.diode, cap.room - width_of(name, size, bold=True), small)
        y = cap.top + cap.pad + 0.76 * size
        cap.add(_text(cap.right - cap.pad, y, diode, small, anchor="end", fill=_QUIET))
    floor = cap.top + min(cap.height, 0.95 * unit) - cap.pad
    if switch.direct is not None:
        cap.add(_text(left, floor - 1.15 * small, f"GPIO{switch.direct}", small, fill=_GREEN, bold=True))
        cap.add(_text(left, floor, "to ground", small, fill=_INK))
    else:
        cap.add(_text(left, floor - 1.15 * small, f"GPIO{switch.row}", small, fill=_BLUE, bold=True))
        cap.add(_text(left, floor, f"GPIO{switch.column}", small, fill=_VERMILLION, bold=True))
    return cap.svg


# ---- tables -----------------------------------------------------------------------------------


def _dials(keyboard: Keyboard) -> Table:
    rows = (
        (dial.name, f"GPIO{dial.pin_a}, GPIO{dial.pin_b}", str(dial.edges_per_detent))
        for dial in keyboard.wiring.dials
    )
    return Table("Dials", ("dial", "pins", "edges per detent"), tuple(rows))


def _lights(keyboard: Keyboard) -> Table:
    rows = (
        (light.name, f"GPIO{light.pin}", "low" if light.lit_low else "high")
        for light in keyboard.wiring.lights
    )
    return Table("Lights", ("indicator", "pin", "lit when the pin is"), tuple(rows))


def _pins(keyboard: Keyboard) -> Table:
    rows = []
    for gpio, use in pin_uses(keyboard.wiring):
        module = module_pin_of_gpio(gpio)
        rows.append((f"GPIO{gpio}", str(package_pin_of_gpio(gpio)), str(module or ""), use))
    return Table("Pins", ("pin", "package pin", "module pin", "use"), tuple(rows))


# ---- documents --------------------------------------------------------------------------------

HOW_TO_READ = (
    "On a cap: what it types alone; above that, with Shift; on the right, with AltGr and with both. "
    "On the strip along the lower edge: what it does while held, and its switch. "
    "Grey italics: nothing of this layer’s own, but what lies beneath. "
    "Blue: turns a layer on. A dotted box: an accent that waits for the next letter."
)


def html_of(sheet: Sheet) -> str:
    """A page for the screen and, lying, for A4 and Letter. It needs nothing else and runs no script."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(shipped("templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("sheet.html.j2").render(
        sheet=sheet,
        drawing=lambda figure: Markup(_figure_svg(figure)),
        fonts=Markup(FONTS),
        how_to_read=HOW_TO_READ,
        tool=f"keyc {__version__}",
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
    for line in _wrapped(HOW_TO_READ, PAPER_WIDTH, 3):
        page.line(line, 3, _QUIET)
    for figure in sheet.layers:
        page.figure(figure)
    for table in sheet.tables:
        page.table(table)
    for figure in sheet.matrix:
        page.figure(figure)
    page.table(sheet.pins)
    height = page.y + 2
    title = escape(sheet.title)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{PAPER_WIDTH + 4:.1f}mm" height="{height + 2:.1f}mm" '
        f'viewBox="-2 -2 {PAPER_WIDTH + 4:.1f} {height + 2:.1f}" font-family="{escape(FONTS, quote=True)}">\n'
        f"<title>{title}</title>\n<!-- keyc {__version__} -->\n"
        f'<rect x="-2" y="-2" width="{PAPER_WIDTH + 4:.1f}" height="{height + 2:.1f}" fill="#ffffff"/>\n'
        + "\n".join(page.parts)
        + "\n</svg>\n"
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
        shown = _cut(text, PAPER_WIDTH * 0.7, size)
        self.parts.append(_text(x, self.y, shown, size, bold=True))
        if remark:
            after = x + width_of(shown, size, bold=True) + 3
            self.parts.append(_text(after, self.y, _cut(remark, PAPER_WIDTH - after, 3), 3, fill=_QUIET))
        self.y += 2.4

    def line(self, text: str, size: float, fill: str = _INK, x: float = 0.0) -> None:
        self.y += 1.35 * size
        self.parts.append(_text(x, self.y, text, size, fill=fill))

    def figure(self, figure: Figure) -> None:
        below, left = self.y, 0.0
        # Beside the one before, where both have room.
        if self._row_left and self._row_left + figure.width <= PAPER_WIDTH:
            left, self.y = self._row_left, self._row_top
        self._row_top = self.y
        self.heading(figure.heading, figure.remark, x=left)
        self.parts.append(f'<g transform="translate({left:.2f} {self.y:.2f})">\n{figure.body}\n</g>')
        self.y += figure.height
        for line in _wrapped("; ".join(figure.in_full), max(figure.width, 60), 2.6):
            self.line(line, 2.6, _QUIET, x=left)
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
                self.parts.append(_text(x, self.y, text, 3.2, fill=_INK if number else _QUIET))
                x += width
        self.y += 2


def _wrapped(text: str, width: float, size: float) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and width_of(f"{lines[-1]} {word}", size) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines
