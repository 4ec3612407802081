"""A layer as it lies under the hand: what stands on each cap, and which caps make chords."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from keyc.keyboard import Keyboard
from keyc.sheet.caps import Placed, laid_out
from keyc.sheet.chord_marks import Mark, left_of_another, marks_on
from keyc.sheet.drawn_cap import (
    ASIDE,
    BLUE,
    INK,
    NOTHING_TINT,
    ORANGE_TINT,
    PAPER,
    PURPLE_TINT,
    QUIET,
    SKY_TINT,
    WRITTEN,
    DrawnCap,
)
from keyc.sheet.figure import Figure, unit_of
from keyc.sheet.legends import Character, Kind, Legend, Way, legends
from keyc.sheet.paper import Ink, cut, folded, is_cut, leading, width_of

_TINTS = {Kind.LAYER: SKY_TINT, Kind.OFF: NOTHING_TINT, Kind.USB_BOOT: ORANGE_TINT}
_BOLD_KINDS = (Kind.LAYER, Kind.USB_BOOT)


def layer_figure(keyboard: Keyboard, layer: str, way: Way) -> Figure:
    laid = laid_out(keyboard.caps)
    unit = unit_of(laid)
    on_caps = legends(keyboard, layer)
    marks = marks_on(keyboard, layer, on_caps)
    caps = [_labelled(DrawnCap(placed, unit), on_caps[placed.cap.switch], marks) for placed in laid.caps]
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
            _, top, right, _ = DrawnCap(left, unit).edges
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
            cap = DrawnCap(placed, unit)
            ink = _mark_ink(all(mark.is_through for mark in own))
            leaves_corner = on_caps[cap.switch].levels[3] is not None
            cap.mark([mark.number for mark in own], ink, leaves_corner=leaves_corner)
            yield cap.svg


def _mark_ink(is_through: bool) -> Ink:
    return ASIDE if is_through else WRITTEN


def _labelled(cap: DrawnCap, legend: Legend, marks: Iterable[Mark]) -> DrawnCap:
    if legend.is_held:
        cap.outline(SKY_TINT, BLUE, 0.7)
    else:
        cap.outline(PAPER if legend.is_through else _TINTS.get(legend.kind, PAPER))
    if legend.is_through:
        ink = Ink(QUIET, italic=True)
    elif legend.kind is Kind.OFF:
        ink = Ink(QUIET)
    else:
        ink = Ink(BLUE if legend.kind is Kind.LAYER else INK, bold=legend.kind in _BOLD_KINDS)
    _write_strip(cap, legend, ink)
    if legend.types:
        _write_characters(cap, legend, ink)
    else:
        if any(cap.switch in mark.members for mark in marks):
            cap.top += 0.75 * cap.small  # below the plate
        _write_words(cap, legend, ink)
    return cap


def _write_strip(cap: DrawnCap, legend: Legend, ink: Ink) -> None:
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
        ink = Ink(BLUE if is_blue else ink.fill, bold=not legend.is_through, italic=legend.is_through)
    else:
        ink = Ink(BLUE, bold=True)
    if hold:
        has_name = width_of(hold, cap.small, bold=ink.bold) <= beside_name
        sizes = [cap.unit * share / 1000 for share in range(160, 114, -5)]
        size, (shown,) = folded(hold, beside_name if has_name else cap.room, 0, sizes, bold=ink.bold)
        cap.write(cap.left, middle + 0.36 * size, shown, size, ink)
        if is_cut(shown):
            cap.tell_in_full(f"{cap.switch} held {hold}")
        if not has_name:
            return
    cap.write(cap.right, middle + 0.36 * cap.small, name, cap.small, ASIDE, is_end=True)


def _write_characters(cap: DrawnCap, legend: Legend, ink: Ink) -> None:
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
    cap: DrawnCap,
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
            f'fill="{PURPLE_TINT}"/>'
        )
    cap.write(x, y, character.text, size, ink, is_end=is_end)


def _write_words(cap: DrawnCap, legend: Legend, ink: Ink) -> None:
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


def _write_note(cap: DrawnCap, legend: Legend, y: float, room: float, ink: Ink) -> None:
    note = cut(legend.note, room, cap.small)
    cap.write(cap.left, y, note, cap.small, replace(ASIDE, italic=ink.italic))
    if is_cut(note):
        cap.tell_in_full(f"{cap.switch} {legend.words} is {legend.note}")
