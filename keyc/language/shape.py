"""`shape { }` → caps: where they lie, and which are in one another's way.

Lengths in key units, x to the right, y downwards, angles clockwise. Blanks never move a cap, only
sizes and gaps do. Each line lies one unit under the one before it, a tall cap hangs down from its
line; a line that begins with `at` starts at its own corner and takes no room among the others.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import ceil, cos, floor, hypot, radians, sin
from typing import NamedTuple

from keyc.diagnostics import Diagnostic, Label
from keyc.keyboard import Cap, Switch, Wiring
from keyc.language import measures
from keyc.language.measures import MM_PER_U
from keyc.language.mistakes import Mistakes
from keyc.language.statements import CapItem, File, ShapeBlock, ShapeLine, Word
from keyc.language.statements import Corner as WrittenCorner
from keyc.language.words import RESERVED
from keyc.source import Span

# Caps that overlap by less than a thousandth of a unit (19 µm) touch.
_TOUCH_U = 0.001
_MOST_DRAWN = 3  # pictures of overlapping caps; the next ones look alike
# Caps are made for pitches from 16 mm on (common practice); nearer ones overlap for another reason.
_LEAST_PITCH_U = 16 / MM_PER_U
_FEWEST_FOR_A_PITCH = 3  # overlaps


class Corner(NamedTuple):
    """Where a line of caps begins: its top left corner, and its turn about that corner."""

    x_u: float
    y_u: float
    turn_deg: float = 0.0

    def centre(self, x_u: float, y_u: float) -> tuple[float, float]:
        """A point of the line's own, unturned frame, in the keyboard's."""
        if not self.turn_deg:
            return round(self.x_u + x_u, 6), round(self.y_u + y_u, 6)
        angle = radians(self.turn_deg)
        # Clockwise, since y points downwards.
        return (
            round(self.x_u + x_u * cos(angle) - y_u * sin(angle), 6),
            round(self.y_u + x_u * sin(angle) + y_u * cos(angle), 6),
        )


def cap_at(
    switch: str, corner: Corner, x_u: float, size_u: tuple[float, float], line: int, span: Span
) -> Cap:
    """The cap whose left edge is `x_u` from its line's corner; a tall one hangs down from the line."""
    width, height = size_u
    x, y = corner.centre(x_u + width / 2, height / 2)
    return Cap(switch, x, y, width, height, corner.turn_deg, line, span)


def overlaps(caps: Sequence[Cap]) -> list[tuple[Cap, Cap]]:
    """The pairs of caps that cover the same place, in the order of the later one."""
    cells: dict[tuple[int, int], list[int]] = {}
    found: set[tuple[int, int]] = set()
    for index, cap in enumerate(caps):
        half_x, half_y = _half_extent(cap)
        left, right = floor(cap.x_u - half_x + _TOUCH_U), ceil(cap.x_u + half_x - _TOUCH_U)
        top, bottom = floor(cap.y_u - half_y + _TOUCH_U), ceil(cap.y_u + half_y - _TOUCH_U)
        for cell in ((x, y) for x in range(left, right) for y in range(top, bottom)):
            there = cells.setdefault(cell, [])
            for other in there:
                if (index, other) not in found and _overlap(caps[other], cap):
                    found.add((index, other))
            there.append(index)
    return [(caps[other], caps[index]) for index, other in sorted(found)]


def _half_extent(cap: Cap) -> tuple[float, float]:
    """Half the width and height of the upright rectangle around a cap."""
    if not cap.rotation_deg:
        return cap.width_u / 2, cap.height_u / 2
    c, s = abs(cos(radians(cap.rotation_deg))), abs(sin(radians(cap.rotation_deg)))
    return (cap.width_u * c + cap.height_u * s) / 2, (cap.width_u * s + cap.height_u * c) / 2


def _overlap(one: Cap, other: Cap) -> bool:
    """Whether no edge of either rectangle separates them (separating axis theorem)."""
    dx, dy = other.x_u - one.x_u, other.y_u - one.y_u
    for turn in {one.rotation_deg, other.rotation_deg}:
        for axis in (radians(turn), radians(turn + 90)):
            ax, ay = cos(axis), sin(axis)
            reach = _reach(one, ax, ay) + _reach(other, ax, ay)
            if abs(dx * ax + dy * ay) >= reach - _TOUCH_U:
                return False
    return True


def _reach(cap: Cap, ax: float, ay: float) -> float:
    """How far a cap reaches from its centre along an axis."""
    c, s = cos(radians(cap.rotation_deg)), sin(radians(cap.rotation_deg))
    return cap.width_u / 2 * abs(c * ax + s * ay) + cap.height_u / 2 * abs(-s * ax + c * ay)


# ---- statements → caps ------------------------------------------------------------------------


class Shape(NamedTuple):
    """The caps, and the lines of `shape` that hold any, as written: a layer's rows follow them.

    `is_sound`: no mistake in the block, so that a row that doesn't fit is the row's mistake; but for
    `missing` switches that have no cap, so that a row may well have so many cells more.
    """

    caps: tuple[Cap, ...]
    lines: tuple[tuple[Word, ...], ...]
    is_sound: bool
    missing: int = 0


def resolved_shape(block: ShapeBlock, wiring: Wiring | None, mistakes: Mistakes) -> Shape:
    """Every cap of a wired switch at its place; what is wrong with the rest is told."""
    return _Caps(block, wiring, mistakes).shape()


def shape_alone(file: File) -> tuple[tuple[Cap, ...], str, list[Diagnostic]]:
    """The caps of a file whose wiring nobody knows yet, the text of its `shape`, and what is wrong there.
    Without a `shape` there are no caps, and nothing is wrong."""
    from keyc.keyboard import Diodes

    mistakes = Mistakes(file)
    block = next((one for one in file.statements if isinstance(one, ShapeBlock)), None)
    if block is None:
        return (), "", []
    words = [item.switch for line in block.lines for item in line.items if isinstance(item, CapItem)]
    names = {word.text: mistakes.at(word) for word in words}
    switches = tuple(Switch(name, None, None, None, None, span) for name, span in names.items())
    shape = resolved_shape(block, Wiring(Diodes.NONE, (), (), switches), mistakes)
    text = file.source.text
    end = max((word.end for word in words), default=block.keyword.end)
    # What may follow the last cap: its size, gaps, comments.
    while end < len(text) and text[end] != "}":
        end = text.find("\n", end) if text[end] == "#" else end + 1
        if end < 0:
            end = len(text)
    return shape.caps, text[block.keyword.start : end + 1], mistakes.diagnostics


def _height_u(line: ShapeLine) -> float:
    """How far below a line the next one lies: a unit, but what a line of gaps alone says."""
    heights = [1.0]
    if not any(isinstance(item, CapItem) for item in line.items):
        heights = [height for height in map(_gap_height_u, line.items) if height is not None] or heights
    return max(heights)


def _gap_height_u(item: CapItem | Word) -> float | None:
    if isinstance(item, CapItem):
        return None
    try:
        return measures.gap_u(item.text)[1]
    except measures.Misread:
        return None  # told where the line is read


class _Caps:
    def __init__(self, block: ShapeBlock, wiring: Wiring | None, mistakes: Mistakes) -> None:
        self._block = block
        self._mistakes = mistakes
        self._switches = {switch.name: switch for switch in wiring.switches} if wiring else {}
        self._dials = {dial.name for dial in wiring.dials} if wiring else set()
        self._first_place: dict[str, Word] = {}
        self._unwired: list[Word] = []
        self._twice: list[Word] = []
        self._is_sound = mistakes.is_whole("shape")

    def shape(self) -> Shape:
        caps: list[Cap] = []
        lines: list[tuple[Word, ...]] = []
        row = 0.0
        for line in self._block.lines:
            if line.corner is None:
                corner = Corner(0.0, row)
                row = round(row + _height_u(line), 6)
            else:
                corner = self._corner(line.corner)
            caps += self._line(line, corner, len(lines))
            words = tuple(item.switch for item in line.items if isinstance(item, CapItem))
            if words:
                lines.append(words)
        if self._is_sound:
            self._tell_overlaps(caps)
        self._tell_unwired()
        missing = self._missing() if self._mistakes.is_whole("shape") else []
        self._tell_places(missing)
        return Shape(tuple(caps), tuple(lines), self._is_sound, len(missing))

    def _line(self, line: ShapeLine, corner: Corner, number: int) -> Iterable[Cap]:
        x_u = 0.0
        has_caps = any(isinstance(item, CapItem) for item in line.items)
        for item in line.items:
            if not isinstance(item, CapItem):
                width, height = self._gap(item)
                if height is not None and has_caps:
                    self._tell_height_beside_caps(item, width)
                x_u += width
                continue
            size = self._size(item.size)
            if self._is_new(item.switch):
                span = self._mistakes.at(item.switch)
                yield cap_at(item.switch.text, corner, x_u, size, number, span)
            x_u += size[0]

    def _misread(self, misread: measures.Misread, word: Word) -> None:
        self._mistakes.misread(misread, word)
        self._is_sound = False

    def _size(self, word: Word | None) -> tuple[float, float]:
        if word is not None:
            try:
                return measures.size_u(word.text)
            except measures.Misread as misread:
                self._misread(misread, word)
        return 1.0, 1.0

    def _gap(self, word: Word) -> tuple[float, float | None]:
        """A gap's width, and its height if it's written."""
        try:
            return measures.gap_u(word.text)
        except measures.Misread as misread:
            self._misread(misread, word)
            return 0.0, None

    def _tell_height_beside_caps(self, word: Word, width_u: float) -> None:
        self._mistakes.tell(
            "number-form",
            f"`{word.text}` has a height, but stands beside caps",
            word,
            f"write its width alone, [{width_u:g}u]; with a height a gap has the line to itself, and moves "
            "the lines below it down",
        )
        self._is_sound = False

    def _corner(self, written: WrittenCorner) -> Corner:
        values = [0.0, 0.0, 0.0]
        readers = (measures.offset_u, measures.offset_u, measures.angle_deg)
        for index, word in enumerate((written.x, written.y, written.turn)):
            if word is not None:
                try:
                    values[index] = readers[index](word.text)
                except measures.Misread as misread:
                    self._misread(misread, word)
        return Corner(*values)

    def _is_new(self, word: Word) -> bool:
        """Whether this is a wired switch, placed for the first time."""
        mistakes = self._mistakes
        name = word.text
        first = self._first_place.setdefault(name, word)
        if first is word and name in self._switches:
            return True
        self._is_sound = False
        if first is not word:
            self._twice.append(word)
        elif self._switches and mistakes.is_whole("wiring") and not mistakes.lost(name):
            self._unwired.append(word)
        return False

    def _tell_unwired(self) -> None:
        """Caps without a switch; but where `wiring` lacks as many, that has been told."""
        if len(self._unwired) <= self._mistakes.switches_short:
            return
        for word in self._unwired:
            name = word.text
            message = f"`{name}` is in `shape` but not wired"
            near = self._mistakes.nearest(name, self._switches)
            joined, _, size = name.rpartition("-")
            if name in RESERVED:
                message = f"`{name}` is a word of the language, and no switch"
                help = "a line of `shape` names its switches alone: SW1 SW2 1.5u SW3"
            elif name in self._dials:
                help = "a dial has no cap: take it out; a gap keeps its place free: [1u]"
            elif joined in self._switches and size[-1:] == "u" and size[:-1].isdigit():
                help = f"write {joined} {size}, with a blank between"
                self._first_place.setdefault(joined, word)
            elif near and near not in self._first_place:
                help = f"did you mean {near}?"
            else:
                help = f"wire {name} in `wiring`, or take it out"
            self._mistakes.tell("cap-without-switch", message, word, help)

    def _missing(self) -> list[Switch]:
        """The switches without a cap, but for those that more is wrong with, which is told."""
        mistakes = self._mistakes
        return [
            switch
            for name, switch in self._switches.items()
            if name not in self._first_place
            and name not in RESERVED
            and not mistakes.lost(name)
            and not mistakes.damaged(switch.span.start, switch.span.end)
        ]

    def _tell_places(self, missing: Sequence[Switch]) -> None:
        """What has two places, and what has none. One of each is one slip: the same name written again."""
        other = missing[0].name if len(missing) == len(self._twice) == 1 else None
        for word in self._twice:
            self._mistakes.tell(
                "cap-placed-twice",
                f"`{word.text}` lies in `shape` twice",
                word,
                f"write {other} for one of the two: it has no place yet"
                if other
                else "take one of the two out",
                Label("placed here first", self._mistakes.at(self._first_place[word.text])),
            )
        for switch in () if other else missing:
            self._mistakes.tell(
                "switch-without-cap",
                f"`{switch.name}` is wired but has no place in `shape`",
                switch.span,
                f"write {switch.name} into the line of `shape` where its cap lies",
                Label("the caps", self._mistakes.at(self._block.keyword)),
            )

    def _tell_overlaps(self, caps: Sequence[Cap]) -> None:
        pairs = overlaps(caps)
        apart_u = _common_pitch_u(pairs)
        if apart_u is not None:
            self._tell_pitch(*pairs[0], apart_u)
            return
        told: set[str] = set()
        for first, second in pairs:
            if second.switch in told:
                continue
            told.add(second.switch)
            if first.height_u > 1 and not first.rotation_deg and not second.rotation_deg:
                help = (
                    f"{first.switch} hangs down into this line: leave a gap for it, such as "
                    f"[{first.width_u:g}u], before {second.switch}"
                )
            else:
                help = (
                    "check the sizes, and the corners and turns after `at`; a gap such as [0.5u] moves a cap"
                )
            drawn = _drawn(first, second) if len(told) <= _MOST_DRAWN else ""
            self._mistakes.tell(
                "caps-overlap",
                f"the caps of `{first.switch}` and `{second.switch}` overlap",
                second.span,
                help + drawn,
                Label("the other cap", first.span),
            )

    def _tell_pitch(self, first: Cap, second: Cap, apart_u: float) -> None:
        """One mistake for all caps: places that count in another unit than the key unit."""
        self._mistakes.tell(
            "pitch-unlikely",
            f"caps lie {apart_u:g} u apart, which is {apart_u * MM_PER_U:.1f} mm: none of them has room",
            second.span,
            f"1 u is {MM_PER_U:g} mm from cap to cap; if the board's caps are nearer to one another, count "
            f"one of their steps as 1u, so that {apart_u:g}u is written 1u",
            Label("its neighbour", first.span),
        )


def _common_pitch_u(pairs: Sequence[tuple[Cap, Cap]]) -> float | None:
    """How far apart caps lie that all overlap their neighbours by the same little: the greater of at most
    two distances, across and down. None where overlaps have no such common cause."""
    caps = [cap for pair in pairs for cap in pair]
    if len(pairs) < _FEWEST_FOR_A_PITCH or any((cap.width_u, cap.height_u) != (1.0, 1.0) for cap in caps):
        return None
    near = [hypot(one.x_u - other.x_u, one.y_u - other.y_u) for one, other in pairs]
    steps = {round(apart_u, 2) for apart_u in near if apart_u < 1.0}
    # Caps too near across and down are too near to their neighbours' neighbours as well, by more than 1.
    if steps and min(steps) >= _LEAST_PITCH_U and len(steps) <= 2:
        return max(apart for apart in near if apart < 1.0)
    return None


def _drawn(first: Cap, second: Cap) -> str:
    from keyc.language.overlap import overlap_drawn

    return f"\n{overlap_drawn(first, second)}"
