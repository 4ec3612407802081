"""Pictures as SVG text: the keyboard with what is known of each switch, and the chip's package.

Every state has a shape and a word of its own; colour (Okabe and Ito's palette, safe for colour-blind
eyes) only helps. Names from the keymap file are escaped.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from hil.result import BAD_LINES, LineVerdict, PositionVerdict
from hil.views.markup import xml_text
from keyc.keyboard import Diodes
from keyc.pins import package_pins
from keyc.sheet.caps import Side, laid_out

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from hil.result import Line, Position
    from keyc.keyboard import Keyboard, Switch

_UNIT = 72.0  # SVG units to one key unit
_GAP = 4.0
_INK = "#222222"
_PALE = "#8a8a8a"

_GREEN, _VERMILLION, _BLUE = "#009E73", "#D55E00", "#0072B2"
_ORANGE, _PURPLE, _SKY = "#E69F00", "#CC79A7", "#56B4E9"


@dataclass(frozen=True, slots=True)
class _Look:
    """How a verdict is drawn: the colour of its edge, the tint of its cap, the mark in its corner."""

    colour: str
    tint: str
    mark: str  # an SVG path in a box from -7 to 7
    filled: bool = False


_LOOKS: Mapping[PositionVerdict, _Look] = {
    PositionVerdict.PROVEN: _Look(_GREEN, "#eaf6f1", "M-6 0 L-2 5 L6 -5"),
    PositionVerdict.ANSWERS: _Look(_SKY, "#eef7fd", "M-4 0 A4 4 0 1 0 4 0 A4 4 0 1 0 -4 0 Z", filled=True),
    PositionVerdict.OPEN: _Look(_VERMILLION, "#fcefe6", "M-7 0 H-3 M3 0 H7 M-3 -5 V5 M3 -5 V5"),
    PositionVerdict.REVERSED: _Look(_VERMILLION, "#fcefe6", "M7 0 H-6 M-1 -5 L-6 0 L-1 5"),
    PositionVerdict.SHORTED: _Look(_VERMILLION, "#fcefe6", "M-6 -3 H6 M-6 3 H6"),
    PositionVerdict.SWAPPED: _Look(_PURPLE, "#faf0f5", "M-6 -3 H6 L2 -7 M6 3 H-6 L-2 7"),
    PositionVerdict.STUCK: _Look(_ORANGE, "#fdf5e3", "M-6 5 H6 M0 -7 V1 M-4 -3 L0 1 L4 -3"),
    PositionVerdict.INTERMITTENT: _Look(_ORANGE, "#fdf5e3", "M-7 0 H-4 L-2 -5 L2 5 L4 0 H7"),
    PositionVerdict.CHATTERING: _Look(_ORANGE, "#fdf5e3", "M-7 3 L-4 -4 L-1 3 L2 -4 L5 3"),
    PositionVerdict.UNTESTED: _Look(_PALE, "#ffffff", "M-4 -2 A4 4 0 1 1 0 2 V3 M0 6 V6.5"),
}


_POINTER = "M-6 -6 H6 L0 6 Z"  # down, as a finger


def mark_svg(verdict: PositionVerdict) -> str:
    """A verdict's mark alone, for a legend."""
    return (
        '<svg class="mark" viewBox="-9 -9 18 18" width="16" height="16" aria-hidden="true">'
        f"{_mark(_LOOKS[verdict])}</svg>"
    )


def keyboard_svg(keyboard: Keyboard, positions: Sequence[Position], side: Side = "front") -> str:
    """The keyboard with these verdicts; empty without caps."""
    return KeyboardPicture(keyboard, side).svg({one.switch: one.verdict for one in positions})


class KeyboardPicture:
    """The keyboard as its caps lie, seen from the front or, mirrored, from the solder side."""

    def __init__(self, keyboard: Keyboard, side: Side = "front") -> None:
        self._keyboard = keyboard
        self._switches = {switch.name: switch for switch in keyboard.wiring.switches}
        self._laid = laid_out(keyboard.caps, side)
        self._placed = {placed.cap.switch: placed for placed in self._laid.caps}
        self._side = side

    def svg(self, verdicts: Mapping[str, PositionVerdict]) -> str:
        """The whole picture. The caps come in the order of the shape, each a `<g>` of its own."""
        if not self._laid.caps:
            return ""
        width, height = self._laid.width_u * _UNIT, self._laid.height_u * _UNIT
        from_where = "front" if self._side == "front" else "solder side (left and right are exchanged)"
        title = escape(xml_text(f"{self._keyboard.title}, seen from the {from_where}"))
        drawn = [self.cap(name, verdicts.get(name, PositionVerdict.UNTESTED)) for name in self._placed]
        return (
            f'<svg class="keyboard" viewBox="-6 -6 {width + 12:.1f} {height + 12:.1f}" role="img" '
            f'aria-label="{title}"><title>{title}</title>\n' + "\n".join(drawn) + "\n</svg>"
        )

    def cap(self, name: str, verdict: PositionVerdict, *, is_next: bool = False) -> str:
        """One cap at its place. `is_next`: the one to press now, whatever is known of it."""
        placed, switch = self._placed[name], self._switches[name]
        look = _LOOKS[verdict]
        width, height = placed.cap.width_u * _UNIT - _GAP, placed.cap.height_u * _UNIT - _GAP
        turn = f" rotate({placed.turn_deg:g})" if placed.turn_deg else ""
        left, top = f"{-width / 2:.1f}", f"{-height / 2:.1f}"
        shown = name if len(name) <= _fits(width) else name[: _fits(width) - 1] + "…"
        told = f"{name}: {verdict.value}{', press it now' if is_next else ''} ({_pins_of(switch)})"
        if is_next:
            edge, word = f'stroke="{_INK}" stroke-width="7"', "press"
        else:
            heavy = 1.5 if verdict in (PositionVerdict.PROVEN, PositionVerdict.UNTESTED) else 3
            dash = ' stroke-dasharray="5 4"' if verdict is PositionVerdict.UNTESTED else ""
            edge, word = f'stroke="{look.colour}" stroke-width="{heavy}"{dash}', verdict.value
        weight = ' font-weight="700"' if is_next else ""
        return (
            f'<g transform="translate({placed.x_u * _UNIT:.1f} {placed.y_u * _UNIT:.1f}){turn}">'
            f"<title>{escape(xml_text(told))}</title>"
            f'<rect x="{left}" y="{top}" width="{width:.1f}" height="{height:.1f}" rx="7" '
            f'fill="{"#fff6c9" if is_next else look.tint}" {edge}/>'
            f'<text x="{-width / 2 + 6:.1f}" y="{-height / 2 + 16:.1f}" font-size="12" font-weight="600" '
            f'fill="{_INK}">{escape(xml_text(shown))}</text>'
            f'<g transform="translate({width / 2 - 11:.1f} {-height / 2 + 12:.1f}) scale(.8)">'
            f"{_path(_POINTER, _INK, fill=_INK) if is_next else _mark(look)}</g>"
            f'<g transform="translate(0 4)">{_symbol(switch, verdict, self._keyboard.wiring.diodes)}</g>'
            f'<text y="{height / 2 - 6:.1f}" font-size="11" text-anchor="middle" fill="{_INK}"{weight}>'
            f"{word}</text></g>"
        )


def _fits(width: float) -> int:
    """How many letters of a name there is room for beside the mark."""
    return max(2, int((width - 28) / 7.5))


def _pins_of(switch: Switch) -> str:
    if switch.direct is not None:
        return f"GPIO{switch.direct} to ground"
    return f"row GPIO{switch.row}, column GPIO{switch.column}"


def _mark(look: _Look) -> str:
    fill = look.colour if look.filled else "none"
    return (
        f'<path d="{look.mark}" fill="{fill}" stroke="{look.colour}" stroke-width="2.4" '
        'stroke-linecap="round" stroke-linejoin="round"/>'
    )


def _symbol(switch: Switch, verdict: PositionVerdict, diodes: Diodes) -> str:
    """A switch and its diode as in a schematic, with what is wrong drawn wrong."""
    untested = verdict is PositionVerdict.UNTESTED
    ink = _PALE if untested else _INK
    bad = _LOOKS[verdict].colour
    has_diode = switch.direct is None and diodes is not Diodes.NONE
    parts = ["M-26 0 H-17"]
    closed = verdict is PositionVerdict.STUCK
    lever = "M-17 0 H-5" if closed else "M-17 0 L-6 -6"
    parts.append("M-5 0 H2" if has_diode or switch.direct is None else "M-5 0 H10")
    drawn = []
    if has_diode:
        parts.append("M14 0 H26")
        if verdict is PositionVerdict.REVERSED:
            drawn.append(_path("M14 -5 V5 L2 0 Z M2 -5 V5", bad, width=1.8, fill="#ffffff"))
        else:
            drawn.append(_path("M2 -5 V5 L14 0 Z M14 -5 V5", ink, fill="#ffffff"))
        if verdict is PositionVerdict.SHORTED:
            drawn.append(_path("M-1 0 V-9 H17 V0", bad, width=2.6))
    elif switch.direct is None:
        parts.append("M2 0 H26")
    else:
        parts.append("M10 -6 V6 M14 -4 V4 M18 -2 V2")  # ground
    drawn.append(_path(" ".join(parts), ink))
    drawn.append(_path(lever, bad if closed else ink, width=2.6 if closed else 1.4))
    if verdict is PositionVerdict.OPEN:
        drawn.append(_path("M-24 -5 L-18 5 M-18 -5 L-24 5", bad, width=2))
    dots = f'<circle cx="-17" r="1.9" fill="{ink}"/><circle cx="-5" r="1.9" fill="{ink}"/>'
    return "".join(drawn) + dots


def _path(d: str, colour: str, *, width: float = 1.4, fill: str = "none") -> str:
    return (
        f'<path d="{d}" fill="{fill}" stroke="{colour}" stroke-width="{width}" stroke-linecap="round" '
        'stroke-linejoin="round"/>'
    )


# -- the package -------------------------------------------------------------------------------------

_BODY, _PITCH, _LEG, _BROAD = 300.0, 19.0, 16.0, 9.0


def package_svg(lines: Sequence[Line], concerned: Iterable[int] = ()) -> str:
    """The chip from above, pin 1 at its dot. `concerned`: package pins to point at; lines with a fault,
    and what they are joined to, are pointed at anyway, but for one that is broken: where, its fault says."""
    bad = {
        line.package_pin
        for line in lines
        if line.verdict in BAD_LINES and line.verdict is not LineVerdict.OPEN
    }
    joined = {
        other.package_pin
        for line in lines
        for other in line.joined
        if other.package_pin is not None and line.verdict is LineVerdict.BRIDGED
    }
    pointed = bad | joined | set(concerned)
    used = {line.package_pin for line in lines if line.role != "unused"}
    half = _BODY / 2
    drawn = [
        f'<rect x="{-half}" y="{-half}" width="{_BODY}" height="{_BODY}" rx="6" fill="#f4f4f2" '
        f'stroke="{_INK}" stroke-width="1.5"/>',
        f'<circle cx="{-half + 22}" cy="{-half + 22}" r="6" fill="{_INK}"/>',
        f'<text x="0" y="-4" font-size="15" text-anchor="middle" fill="{_INK}">RP2040</text>',
        f'<text x="0" y="15" font-size="11" text-anchor="middle" fill="{_INK}">from above</text>',
    ]
    for number, pin in package_pins().items():
        if number <= 56:
            drawn.append(_leg(number, pin.name, number in pointed, number in used))
    room = half + _LEG + 92
    return (
        f'<svg class="package" viewBox="{-room} {-room} {2 * room} {2 * room}" role="img" '
        'aria-label="The chip from above; the dot is at pin 1"><title>The chip from above; the dot is at '
        "pin 1</title>\n" + "\n".join(drawn) + "\n</svg>"
    )


def _leg(number: int, name: str, pointed: bool, used: bool) -> str:
    """One pin: 1 to 14 down the left side, then round the body against the clock."""
    side, place = divmod(number - 1, 14)
    along = (place - 6.5) * _PITCH
    half = _BODY / 2
    x, y = ((-half, along), (along, half), (half, -along), (-along, -half))[side]
    is_upright = side in (1, 3)
    width, height = (_BROAD, _LEG) if is_upright else (_LEG, _BROAD)
    out_x, out_y = ((-1, 0), (0, 1), (1, 0), (0, -1))[side]
    centre_x, centre_y = x + out_x * _LEG / 2, y + out_y * _LEG / 2
    fill = _VERMILLION if pointed else (_SKY if used else "#d8d8d4")
    label_x, label_y = x + out_x * (_LEG + 5), y + out_y * (_LEG + 5)
    # Labels read outwards; on the left and bottom they end at the pin.
    anchor = "start" if side in (2, 3) else "end"
    turn = f' transform="rotate(-90 {label_x:.1f} {label_y:.1f})"' if is_upright else ""
    weight = ' font-weight="700"' if pointed else ""
    colour = _VERMILLION if pointed else (_INK if used else "#666666")
    shown = f"{number} {name}" if side in (2, 3) else f"{name} {number}"
    pointer = ""
    if pointed:
        tip_x, tip_y = x - out_x * 6, y - out_y * 6
        dx, dy = -out_x * 12, -out_y * 12
        pointer = _path(
            f"M{tip_x:.1f} {tip_y:.1f} l{dx - dy / 3:.1f} {dy - dx / 3:.1f} "
            f"l{2 * dy / 3:.1f} {2 * dx / 3:.1f} Z",
            _VERMILLION,
            fill=_VERMILLION,
        )
    return (
        f'<rect x="{centre_x - width / 2:.1f}" y="{centre_y - height / 2:.1f}" width="{width}" '
        f'height="{height}" fill="{fill}" stroke="{_INK}" stroke-width="0.8"/>{pointer}'
        f'<text x="{label_x:.1f}" y="{label_y:.1f}" font-size="11" dominant-baseline="central" '
        f'text-anchor="{anchor}" fill="{colour}"{weight}{turn}>{escape(shown)}</text>'
    )
