"""`keyc sheet`: pictures of every layer and of the matrix, as one SVG or as HTML to print.

Lengths are in millimetres on paper unless a name ends in `_u` (key units, 1 u = 19.05 mm). A figure is
never wider or higher than what A4 and Letter, lying, both have room for within margins of 10 mm; no
cap is drawn larger than it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from math import dist

from keyc import __version__
from keyc.caps import Laid, Placed, Side, laid_out
from keyc.chord_marks import Mark, left_of_another, marks_on
from keyc.keyboard import Keyboard, Switch
from keyc.layouts import layout
from keyc.legends import Character, Kind, Legend, Way, legends, sequence_in_words, sequences, ways
from keyc.pages import pages
from keyc.paper import FONTS, Ink, cut, folded, is_cut, leading, text_svg, width_of, wrapped
from keyc.pins import module_pin_of_gpio, package_pin_of_gpio
from keyc.show import DIODES_IN_WORDS, pin_uses

# What both lying papers hold: A4 is 297 by 210 mm (ISO 216), Letter 279.4 by 215.9 (ANSI/ASME Y14.1).
PAPER_WIDTH, PAPER_HEIGHT = 279.4 - 2 * 10, 210.0 - 2 * 10
_HEADING = 14.0  # a figure's heading, and the room below it
_FIRST_PAGE = PAPER_HEIGHT - 26.0  # what the title leaves
_LARGEST_U = 19.05
_LARGEST_HEIGHT = _FIRST_PAGE - _HEADING

_INK, _QUIET, _RULE, _PAPER = "#1a1a1a", "#666666", "#b4b4b0", "#ffffff"
# Okabe and Ito's colours, and pale tints of them that ink stays legible on.
_BLUE, _VERMILLION, _GREEN = "#0072B2", "#D55E00", "#009E73"
_SKY_TINT, _ORANGE_TINT, _PURPLE_TINT, _NOTHING_TINT = "#e4f2fb", "#fdf1d9", "#f3d9e7", "#f1f1ee"
_TINTS = {Kind.LAYER: _SKY_TINT, Kind.OFF: _NOTHING_TINT, Kind.USB_BOOT: _ORANGE_TINT}
_WRITTEN = Ink(_INK)
_ASIDE = Ink(_QUIET)


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
    """All that is drawn of a keyboard: its `layers`, its `matrix`, and `tables` of what has no cap."""

    title: str
    facts: str
    layers: tuple[Figure, ...]
    matrix: tuple[Figure, ...]
    tables: tuple[Table, ...]

    @property
    def how_to_read(self) -> str:
        has_chords = any(table.heading == "Chords" for table in self.tables)
        return _HOW_TO_READ + (_HOW_TO_READ_CHORDS if has_chords else "")

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
        tuple(_matrix_figure(keyboard, side) for side in _SIDES),
        tuple(
            table
            for table in (
                _chords(keyboard),
                _dials(keyboard),
                _sequences(keyboard),
                _lights(keyboard),
                _pins(keyboard),
            )
            if table.rows
        ),
    )


def _facts(keyboard: Keyboard) -> str:
    scale = unit_of(laid_out(keyboard.caps)) / _LARGEST_U
    facts = [f"made by {keyboard.maker}"] if keyboard.maker else []
    facts += [
        f"{len(keyboard.wiring.switches)} switches",
        f"host layout {keyboard.host_layout}",
        "true size" if scale > 0.999 else f"{scale:.0%} of its size",
    ]
    return ", ".join(facts)


def unit_of(laid: Laid) -> float:
    """Millimetres on paper to one key unit: as large as the paper allows and caps are, or a little smaller
    where that gets one more figure onto each page."""
    largest = min(_LARGEST_U, PAPER_WIDTH / laid.width_u, _LARGEST_HEIGHT / laid.height_u)
    to_a_page = int(_FIRST_PAGE / (largest * laid.height_u + _HEADING))
    smaller = (_FIRST_PAGE / (to_a_page + 1) - _HEADING) / laid.height_u
    return smaller if smaller >= 0.85 * largest else largest


# ---- a cap ------------------------------------------------------------------------------------


class _Cap:
    """One cap as SVG, drawn about its centre."""

    def __init__(self, placed: Placed, unit: float) -> None:
        gap = 0.05 * unit
        self._placed = placed
        self._parts: list[str] = []
        self.unit = unit
        self.switch = placed.cap.switch
        width, height = placed.cap.width_u * unit - gap, placed.cap.height_u * unit - gap
        pad = 0.08 * unit
        self.edges = (-width / 2, -height / 2, width / 2, height / 2)
        # Where text may stand; it keeps to the upper unit of a tall cap, as on real ones.
        self.left, self.right = pad - width / 2, width / 2 - pad
        self.room = self.right - self.left
        self.top = pad - height / 2
        self.strip = min(0.22 * unit, height / 3)
        self.floor = min(height, 0.95 * unit) - height / 2
        self.small = min(0.14 * unit, 2.3)  # the size of what is only looked up
        self.in_full: tuple[str, ...] = ()

    @property
    def svg(self) -> str:
        x, y = self._placed.x_u * self.unit, self._placed.y_u * self.unit
        turn = f" rotate({self._placed.turn_deg:g})" if self._placed.turn_deg else ""
        name = escape(self.switch, quote=True)
        body = "".join(self._parts)
        return f'<g class="cap" data-switch="{name}" transform="translate({x:.2f} {y:.2f}){turn}">{body}</g>'

    def draw(self, part: str) -> None:
        self._parts.append(part)

    def outline(self, fill: str, edge: str = _INK, weight: float = 0.25) -> None:
        left, top, right, bottom = self.edges
        self.draw(
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}" '
            f'rx="{0.07 * self.unit:.2f}" fill="{fill}" stroke="{edge}" stroke-width="{weight}"/>'
        )

    def write(self, x: float, y: float, text: str, size: float, ink: Ink, *, is_end: bool = False) -> None:
        self.draw(text_svg(x, y, text, size, ink, is_end=is_end))

    def mark(self, numbers: Sequence[int], ink: Ink, *, leaves_corner: bool) -> None:
        """A plate with chords' numbers on the upper edge, at its right or left of what stands there."""
        text = ",".join(map(str, numbers))
        size = 1.15 * self.small
        wide = width_of(text, size, bold=True) + 0.7 * size
        right = self.left + 0.64 * self.unit if leaves_corner else self.right
        top = self.edges[1] - 0.15 * size
        self.draw(
            f'<rect x="{right - wide:.2f}" y="{top:.2f}" width="{wide:.2f}" height="{1.2 * size:.2f}" '
            f'rx="{0.3 * size:.2f}" fill="{ink.fill}"/>'
        )
        paper = Ink(_PAPER, bold=True)
        self.write(right - 0.35 * size, top + 0.96 * size, text, size, paper, is_end=True)

    def tell_in_full(self, text: str) -> None:
        """What had to be cut on the cap stands below the figure."""
        self.in_full += (text,)


# ---- a layer ----------------------------------------------------------------------------------


def _layer_figure(keyboard: Keyboard, layer: str, way: Way) -> Figure:
    laid = laid_out(keyboard.caps)
    unit = unit_of(laid)
    on_caps = legends(keyboard, layer)
    marks = marks_on(keyboard, layer, on_caps)
    caps = [_labelled(_Cap(placed, unit), on_caps[placed.cap.switch], marks) for placed in laid.caps]
    return Figure(
        f"Layer {layer}",
        _way_in_words(way),
        laid.width_u * unit,
        laid.height_u * unit,
        "\n".join(
            (
                *(cap.svg for cap in caps),
                *_bars(marks, laid.caps, unit),
                *_plates(marks, laid.caps, unit, on_caps),
            )
        ),
        tuple(text for cap in caps for text in cap.in_full),
    )


def _way_in_words(way: Way) -> str:
    if not way.is_reached:
        return "no key leads to it"
    held = [key for step in way.steps if step.is_held for key in step.keys]
    pressed = [" with ".join(step.keys) for step in way.steps if not step.is_held]
    words = [f"while {_listed(held)} {'is' if len(held) == 1 else 'are'} held"] if held else []
    words += [f"after {_listed(pressed)}"] if pressed else []
    return ", ".join(words) or "at the bottom"


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _bars(marks: Iterable[Mark], caps: Iterable[Placed], unit: float) -> Iterator[str]:
    """Where members of a chord lie side by side, a bar from one upper edge to the other."""
    for mark in marks:
        members = [placed for placed in caps if placed.cap.switch in mark.members]
        for left in left_of_another(members):
            _, top, right, _ = _Cap(left, unit).edges
            start, end = right - 0.3 * unit, right + 0.35 * unit
            place = f"translate({left.x_u * unit:.2f} {left.y_u * unit:.2f})"
            place += f" rotate({left.turn_deg:g})" if left.turn_deg else ""
            yield (
                f'<path d="M{start:.2f} {top:.2f}H{end:.2f}" transform="{place}" stroke-width="0.9" '
                f'stroke="{_mark_ink(mark.is_through).fill}" stroke-linecap="round"/>'
            )


def _plates(
    marks: Sequence[Mark], caps: Iterable[Placed], unit: float, on_caps: Mapping[str, Legend]
) -> Iterator[str]:
    for placed in caps:
        own = [mark for mark in marks if placed.cap.switch in mark.members]
        if own:
            cap = _Cap(placed, unit)
            ink = _mark_ink(all(mark.is_through for mark in own))
            leaves_corner = on_caps[cap.switch].levels[3] is not None
            cap.mark([mark.number for mark in own], ink, leaves_corner=leaves_corner)
            yield cap.svg


def _mark_ink(is_through: bool) -> Ink:
    return _ASIDE if is_through else _WRITTEN


def _labelled(cap: _Cap, legend: Legend, marks: Iterable[Mark]) -> _Cap:
    if legend.is_held:
        cap.outline(_SKY_TINT, _BLUE, 0.7)
    else:
        cap.outline(_PAPER if legend.is_through else _TINTS.get(legend.kind, _PAPER))
    if legend.is_through:
        ink = Ink(_QUIET, italic=True)
    elif legend.kind is Kind.OFF:
        ink = Ink(_QUIET)
    else:
        ink = Ink(_BLUE if legend.kind is Kind.LAYER else _INK, bold=legend.kind in _BOLD_KINDS)
    _write_strip(cap, legend, ink)
    if legend.types:
        _write_characters(cap, legend, ink)
    else:
        if any(cap.switch in mark.members for mark in marks):
            cap.top += 0.75 * cap.small  # below the plate
        _write_words(cap, legend, ink)
    return cap


_BOLD_KINDS = (Kind.LAYER, Kind.USB_BOOT)


def _write_strip(cap: _Cap, legend: Legend, ink: Ink) -> None:
    """The strip along the lower edge: on it what the key does while held, and the switch's name if there is
    room for both."""
    left, _, right, bottom = cap.edges
    middle = bottom - cap.strip / 2
    name = cut(cap.switch, cap.room, cap.small)
    beside_name = cap.room - width_of(name, cap.small) - 0.5 * cap.small
    hold = legend.hold or ("held" if legend.is_held else "")
    if legend.hold:
        rule = bottom - cap.strip
        cap.draw(f'<path d="M{left:.2f} {rule:.2f}H{right:.2f}" stroke="{ink.fill}" stroke-width="0.2"/>')
        is_blue = legend.holds_layer and not legend.is_through
        ink = Ink(_BLUE if is_blue else ink.fill, bold=not legend.is_through, italic=legend.is_through)
    else:
        ink = Ink(_BLUE, bold=True)
    if hold:
        has_name = width_of(hold, cap.small, bold=ink.bold) <= beside_name
        sizes = [cap.unit * share / 1000 for share in range(160, 114, -5)]
        size, (shown,) = folded(hold, beside_name if has_name else cap.room, 0, sizes, bold=ink.bold)
        cap.write(cap.left, middle + 0.36 * size, shown, size, ink)
        if is_cut(shown):
            cap.tell_in_full(f"{cap.switch} held {hold}")
        if not has_name:
            return
    cap.write(cap.right, middle + 0.36 * cap.small, name, cap.small, _ASIDE, is_end=True)


def _write_characters(cap: _Cap, legend: Legend, ink: Ink) -> None:
    """Characters as keytops bear them: the first level below the second, the third to the right of the
    first, the fourth above the third.

    So they stand in the pictures of layouts in xkeyboard-config (`symbols/latin`, `symbols/fr`); that it is
    ISO/IEC 9995-1 that puts them there is from memory, and so is one capital for both cases of a letter.
    """
    alone, shifted, alt, both = legend.levels
    right = min(cap.right, cap.left + 0.84 * cap.unit)  # together at the left of a wide cap
    lower = cap.floor - cap.strip - 0.05 * cap.unit
    strong = replace(ink, bold=True)
    if alone and shifted:
        _write_character(cap, cap.left, cap.top, shifted, 0.27, strong, hangs=True)
        _write_character(cap, cap.left, lower, alone, 0.27, strong)
    elif alone or shifted:
        _write_character(cap, cap.left, cap.top, alone or shifted, 0.36, strong, hangs=True)
        if legend.note:
            _write_note(cap, legend, lower, cap.room - (0.3 * cap.unit if alt else 0), ink)
    _write_character(cap, right, cap.top, both, 0.22, ink, hangs=True, is_end=True)
    _write_character(cap, right, lower, alt, 0.22, ink, is_end=True)


def _write_character(
    cap: _Cap,
    x: float,
    y: float,
    character: Character | None,
    size_u: float,
    ink: Ink,
    *,
    hangs: bool = False,
    is_end: bool = False,
) -> None:
    """A character on the line at `y`, or hanging from it."""
    if character is None:
        return
    size = size_u * cap.unit
    y += 0.74 * size if hangs else 0
    if character.is_accent:  # a tinted box tells an accent that waits from the sign of that shape
        wide = max(width_of(character.text, size, bold=ink.bold), 0.6 * size)
        left = x - wide if is_end else x
        cap.draw(
            # Taller than a letter: there are accents that stand above one, and below.
            f'<rect x="{left:.2f}" y="{y - 0.92 * size:.2f}" width="{wide:.2f}" height="{1.2 * size:.2f}" '
            f'fill="{_PURPLE_TINT}"/>'
        )
    cap.write(x, y, character.text, size, ink, is_end=is_end)


def _write_words(cap: _Cap, legend: Legend, ink: Ink) -> None:
    sizes = [cap.unit * share / 1000 for share in range(240, 134, -5)]
    height = cap.floor - cap.strip - cap.top - (1.2 * cap.small if legend.note else 0)
    size, lines = folded(legend.words, cap.room, height, sizes, bold=ink.bold)
    if any(map(is_cut, lines)):
        cap.tell_in_full(f"{cap.switch} {legend.words}")
    y = cap.top + 0.76 * size
    for number, line in enumerate(lines):
        cap.write(cap.left, y + number * leading(size), line, size, ink)
    if legend.note:
        y += (len(lines) - 1) * leading(size) + 1.3 * cap.small
        _write_note(cap, legend, y, cap.room, ink)


def _write_note(cap: _Cap, legend: Legend, y: float, room: float, ink: Ink) -> None:
    note = cut(legend.note, room, cap.small)
    cap.write(cap.left, y, note, cap.small, replace(_ASIDE, italic=ink.italic))
    if is_cut(note):
        cap.tell_in_full(f"{cap.switch} {legend.words} is {legend.note}")


# ---- the matrix -------------------------------------------------------------------------------

_SIDES: tuple[Side, ...] = ("front", "back")


def _matrix_figure(keyboard: Keyboard, side: Side) -> Figure:
    """Every switch with its pins, and the lines that join them: rows whole, columns dashed."""
    laid = laid_out(keyboard.caps, side)
    unit = unit_of(laid)
    switches = {switch.name: switch for switch in keyboard.wiring.switches}
    outlines, texts = [], []
    for placed in laid.caps:
        outline = _Cap(placed, unit)
        outline.outline(_PAPER, _RULE)
        outlines.append(outline.svg)
        texts.append(_with_pins(_Cap(placed, unit), switches[placed.cap.switch]).svg)
    remark = DIODES_IN_WORDS[keyboard.wiring.diodes] if keyboard.wiring.rows else "no matrix"
    if side == "back":
        remark = f"left and right exchanged; {remark}"
    # Letters have an edge of paper, so that a line behind them doesn't spoil them.
    halo = f'<g stroke="{_PAPER}" stroke-width="0.7" stroke-linejoin="round" paint-order="stroke">'
    body = [*outlines, *_matrix_lines(laid.caps, switches, unit), halo, *texts, "</g>"]
    return Figure(
        "Matrix, from the front" if side == "front" else "Matrix, from the solder side",
        remark,
        laid.width_u * unit,
        laid.height_u * unit,
        "\n".join(body),
    )


def _matrix_lines(placed: Iterable[Placed], switches: Mapping[str, Switch], unit: float) -> Iterator[str]:
    rows: dict[int, list[tuple[float, float]]] = {}
    columns: dict[int, list[tuple[float, float]]] = {}
    for one in placed:
        switch = switches[one.cap.switch]
        if switch.row is not None and switch.column is not None:
            point = (one.x_u + 0.3) * unit, one.y_u * unit
            rows.setdefault(switch.row, []).append(point)
            columns.setdefault(switch.column, []).append(point)
    for points in rows.values():
        yield _tree(points, _BLUE, "")
    for points in columns.values():
        yield _tree(points, _VERMILLION, "1.2 0.8")
    for x, y in (point for points in rows.values() for point in points):
        yield f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{0.035 * unit:.2f}" fill="{_INK}"/>'


def _tree(points: Sequence[tuple[float, float]], colour: str, dashes: str) -> str:
    """All points joined by as little line as possible: a minimum spanning tree (Prim's algorithm)."""
    nearest = dict.fromkeys(points[1:], points[0])
    path = []
    while nearest:
        new, old = min(nearest.items(), key=lambda pair: (dist(*pair), pair))
        path.append(f"M{old[0]:.2f} {old[1]:.2f}L{new[0]:.2f} {new[1]:.2f}")
        del nearest[new]
        for point, joined in nearest.items():
            if dist(point, new) < dist(point, joined):
                nearest[point] = new
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="{"".join(path)}" fill="none" stroke="{colour}" stroke-width="0.4"{dashed}/>'


def _with_pins(cap: _Cap, switch: Switch) -> _Cap:
    """A switch's name and its diode's, and below its pins in the colours of the lines."""
    size, small = 0.2 * cap.unit, min(0.15 * cap.unit, 2.4)
    y = cap.top + 0.76 * size
    cap.write(cap.left, y, cut(switch.name, cap.room, size, bold=True), size, Ink(_INK, bold=True))
    if switch.diode:
        cap.write(cap.left, y + 1.3 * small, cut(switch.diode, cap.room, small), small, _ASIDE)
    if switch.direct is not None:
        lines = ((f"GPIO{switch.direct}", Ink(_GREEN, bold=True)), ("to ground", _WRITTEN))
    else:
        lines = (
            (f"GPIO{switch.row}", Ink(_BLUE, bold=True)),
            (f"GPIO{switch.column}", Ink(_VERMILLION, bold=True)),
        )
    floor = cap.floor - 0.08 * cap.unit
    for number, (text, ink) in enumerate(lines):
        cap.write(cap.left, floor - (1 - number) * 1.15 * small, text, small, ink)
    return cap


# ---- tables -----------------------------------------------------------------------------------


def _chords(keyboard: Keyboard) -> Table:
    rows = (
        (str(number), " with ".join(one.members), one.layer, one.cell.text)
        for number, one in enumerate(keyboard.chords, start=1)
    )
    return Table("Chords", ("number", "together", "on layer", "do"), tuple(rows))


def _dials(keyboard: Keyboard) -> Table:
    rows = []
    for dial in keyboard.wiring.dials:
        what = (dial.name, f"GPIO{dial.pin_a}, GPIO{dial.pin_b}", str(dial.edges_per_detent))
        turns = [one for one in keyboard.dials if one.dial == dial.name]
        rows += [(*what, one.layer, one.clockwise.text, one.counter_clockwise.text) for one in turns]
        rows += [] if turns else [(*what, "", "", "")]
    columns = ("dial", "pins", "edges per detent", "on layer", "clockwise", "counter-clockwise")
    return Table("Dials", columns, tuple(rows))


def _sequences(keyboard: Keyboard) -> Table:
    host = layout(keyboard.host_layout)
    rows = ((one.name or "a text", sequence_in_words(one, host)) for one in sequences(keyboard))
    return Table("Sequences", ("name", "types"), tuple(rows))


def _lights(keyboard: Keyboard) -> Table:
    rows = (
        (light.name, f"GPIO{light.pin}", "low" if light.lit_low else "high")
        for light in keyboard.wiring.lights
    )
    return Table("Lights", ("indicator", "pin", "lit when the pin is"), tuple(rows))


def _pins(keyboard: Keyboard) -> Table:
    rows = (
        (f"GPIO{gpio}", str(package_pin_of_gpio(gpio)), str(module_pin_of_gpio(gpio) or ""), use)
        for gpio, use in pin_uses(keyboard.wiring)
    )
    return Table("Pins", ("pin", "package pin", "module pin", "use"), tuple(rows))


# ---- documents --------------------------------------------------------------------------------

_HOW_TO_READ = (
    "On a cap: what it types alone; above that, with Shift; on the right, with AltGr (Option) and with both. "
    "On the strip along the lower edge: what it does while held, and its switch. "
    "Grey italics: nothing of this layer’s own, but what lies beneath. "
    "Blue: turns a layer on. In a tinted box: an accent that waits for the next letter."
)
_HOW_TO_READ_CHORDS = (
    " A number on the upper edge: with the other caps of that number it is a chord of the table at the end."
)


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
            f'<rect x="-2" y="-2" width="{width:.1f}" height="{height:.1f}" fill="{_PAPER}"/>',
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
        self.parts.append(text_svg(x, self.y, shown, size, Ink(_INK, bold=True)))
        if remark:
            after = x + width_of(shown, size, bold=True) + 3
            self.parts.append(text_svg(after, self.y, cut(remark, PAPER_WIDTH - after, 3), 3, _ASIDE))
        self.y += 2.4

    def aside(self, text: str, size: float, x: float = 0.0) -> None:
        self.y += 1.35 * size
        self.parts.append(text_svg(x, self.y, text, size, _ASIDE))

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
                self.parts.append(text_svg(x, self.y, text, 3.2, _WRITTEN if number else _ASIDE))
                x += width
        self.y += 2
