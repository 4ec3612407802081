"""A keymap file and a board's netlist, two witnesses of one wiring: where they differ, the file corrected.

Switches are matched by name, and where the file has names of its own by their pins. Which lines are called
rows is the file's choice, so the board has to be traced with the file's rows and columns.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from statistics import median

from keyc.compile import Checked
from keyc.diagnostics import BoardPlace, Diagnostic, Label, Mend
from keyc.keyboard import Cap, Diodes, Keyboard, Switch
from keyc.language.statements import Columns, DialLine, DiodeName, Direct, File, MatrixRow, WiringBlock, Word
from keyc.language.syntax import parsed
from keyc.netlist.boards import ReadBoard, read_board
from keyc.netlist.cap_lines import PlacedCap
from keyc.netlist.wired_board import Contact, Key, Side
from keyc.source import Source, Span

_PLACE_U = 0.1  # a cap that lies off by more is told; places are written to 0.05 u
_TURN_DEG = 2.0


@dataclass(frozen=True, slots=True)
class _Wired:
    """A switch as the board has it."""

    name: str
    contact: Contact
    row: int | None
    column: int | None
    direct: int | None
    diode: str | None

    @property
    def pins(self) -> tuple[int | None, int | None, int | None]:
        return self.row, self.column, self.direct


@dataclass(frozen=True, eq=False)
class Comparison:
    """Both witnesses, and which switch of the file is which of the board."""

    keyboard: Keyboard
    file: File
    read: ReadBoard
    board: Mapping[str, _Wired]  # by the name that the netlist's text gives it
    match: Mapping[str, _Wired]  # by the file's name
    block: WiringBlock

    @property
    def unread(self) -> set[str]:
        """Switches that the board has, but that can't be read there."""
        return _unread(self.read)


@dataclass(frozen=True, slots=True)
class Agreement:
    """What a netlist says about a keymap file: all that is wrong, and for people a line, with the mend."""

    found: list[Diagnostic]
    summary: str


def agreement(
    checked: Checked, netlist: str, controller: str | None = None, pin_map: str | None = None
) -> Agreement:
    """A checked file held against its board. Raises UserError where the netlist can't be read."""
    keyboard = checked.keyboard
    if keyboard is None:
        return Agreement([], f"not compared with {netlist}: mend the mistakes above first")
    comparison = comparison_with(keyboard, netlist, controller, pin_map)
    read = comparison.read
    differing = findings(comparison)
    found = [*differing, *(one for one in read.found if one.severity != "note")]
    board = f"{netlist} (board {read.fingerprint})"
    if not differing:
        return Agreement(found, f"agrees with {board}: {len(comparison.match)} switches")
    mend = correction(comparison)
    summary = f"differs from {board}"
    if mend is None:
        return Agreement(found, summary)
    # One mend for all that differs: it hangs on the first of them.
    found = [found[0].replaced(mend=mend), *found[1:]]
    return Agreement(found, f"{summary}; {mend.what}:\n{mend.difference}".rstrip())


def comparison_with(
    keyboard: Keyboard, netlist: str, controller: str | None = None, pin_map: str | None = None
) -> Comparison:
    """A keyboard and its board's netlist, traced in the file's own words for rows and columns.

    Raises UserError where the netlist can't be read.
    """
    wiring = keyboard.wiring
    called = dict.fromkeys(wiring.rows, Side.ROW) | dict.fromkeys(wiring.columns, Side.COLUMN)
    intended = None if wiring.diodes is Diodes.NONE else wiring.diodes
    read = read_board(netlist, controller=controller, pin_map=pin_map, intended=intended, called=called)
    return compared(keyboard, parsed(keyboard.span.source), read)


def compared(keyboard: Keyboard, file: File, read: ReadBoard) -> Comparison:
    """The two laid side by side. The file must have been checked without errors."""
    board = {wired.name: wired for wired in _wired(read)}
    switches = keyboard.wiring.switches
    by_name = {switch.name: board[switch.name] for switch in switches if switch.name in board}
    if len(by_name) * 2 < min(len(switches), len(board)):
        by_name = {}  # the file's names are its own: SW1 here needn't be SW1 there
    taken = {wired.name for wired in by_name.values()}
    by_pins = {wired.pins: wired for wired in board.values() if wired.name not in taken}
    unread = _unread(read)
    match = dict(by_name)
    for switch in switches:
        pins = (switch.row, switch.column, switch.direct)
        if switch.name not in match and switch.name not in unread and pins in by_pins:
            match[switch.name] = by_pins.pop(pins)
    block = next(one for one in file.statements if isinstance(one, WiringBlock))
    return Comparison(keyboard, file, read, board, match, block)


def _wired(read: ReadBoard) -> Iterator[_Wired]:
    board, names = read.board, read.text.names
    for key in read.text.keys:
        diode = names[key.diode.part.name] if key.diode else None
        yield _Wired(names[key.name], key.contact, board.gpio(key.row), board.gpio(key.column), None, diode)
    for one in read.text.directs:
        yield _Wired(names[one.contact.name], one.contact, None, None, one.gpio, None)


def _unread(read: ReadBoard) -> set[str]:
    """Switches that the board has, but that can't be read there: its own findings tell of them."""
    board = read.board
    keys: list[Key] = [*board.keys, *board.odd, *(twin for key in board.keys for twin in key.twins)]
    written = {key.name for key in read.text.keys}
    return {key.name for key in keys if key.name not in written} | {one.name for one in board.loose}


def findings(comparison: Comparison) -> list[Diagnostic]:
    """Where the file says something else than the board."""
    return [
        *_lines(comparison),
        *_switches(comparison),
        *_missing(comparison),
        *_diodes(comparison),
        *_dials(comparison),
        *_places(comparison),
    ]


# ---- pins -------------------------------------------------------------------------------------


def _moved(comparison: Comparison) -> dict[int, int]:
    """Lines of the file of which most switches are on another pin on the board: that pin, by the file's."""
    votes: dict[int, Counter[int]] = {}
    for switch in comparison.keyboard.wiring.switches:
        wired = comparison.match.get(switch.name)
        if wired is None or switch.direct is not None or wired.direct is not None:
            continue
        for here, there in ((switch.row, wired.row), (switch.column, wired.column)):
            if here is not None and there is not None:
                votes.setdefault(here, Counter())[there] += 1
    moved = {}
    for here, counts in votes.items():
        there, count = counts.most_common(1)[0]
        moved[here] = there if count * 2 > counts.total() else here
    if len(set(moved.values())) < len(moved):
        return {here: here for here in moved}  # two lines can't have gone to one pin
    return moved


def _pin_words(block: WiringBlock) -> Iterator[Word]:
    for line in block.lines:
        if isinstance(line, Columns):
            yield from line.pins
        elif isinstance(line, MatrixRow):
            yield line.pin


def _gpio(word: Word) -> int:
    return int(word.text.removeprefix("GP").removeprefix("IO"))


def _span(comparison: Comparison, word: Word) -> Span:
    return Span(comparison.file.source, word.start, word.end)


def _board_place(wired: _Wired) -> BoardPlace:
    pads = next(iter(wired.contact.part.pads.values()))
    x_mm, y_mm = wired.contact.part.centre_mm
    return BoardPlace(wired.contact.part.name, pads[0].pin, x_mm, y_mm)


def _lines(comparison: Comparison) -> Iterator[Diagnostic]:
    moved = _moved(comparison)
    for word in _pin_words(comparison.block):
        here = _gpio(word)
        there = moved.get(here, here)
        if there != here:
            yield Diagnostic(
                "pins-differ",
                "error",
                f"the switches of this line are on GPIO{there} on the board, not on GPIO{here}",
                _span(comparison, word),
                f"write GPIO{there}, unless the board was changed by hand",
            )


def _switches(comparison: Comparison) -> Iterator[Diagnostic]:
    moved = _moved(comparison)
    unread = comparison.unread
    for switch in comparison.keyboard.wiring.switches:
        wired = comparison.match.get(switch.name)
        if wired is None:
            if switch.name not in unread:
                yield Diagnostic(
                    "switch-not-on-board",
                    "error",
                    f"the board has no switch `{switch.name}`, and none on {_pins(switch)}",
                    switch.span,
                    "take it out, or check whether this netlist is of the same board",
                )
            continue
        here = (_there(moved, switch.row), _there(moved, switch.column), switch.direct)
        if here != wired.pins:
            yield Diagnostic(
                "pins-differ",
                "error",
                f"`{switch.name}` is on {_pins(switch)} here, on the board on {_pins(wired)}",
                switch.span,
                "write it where the board has it, unless the board was changed by hand",
                board=(_board_place(wired),),
            )


def _there(moved: Mapping[int, int], pin: int | None) -> int | None:
    return None if pin is None else moved.get(pin, pin)


def _pins(switch: Switch | _Wired) -> str:
    if switch.direct is not None:
        return f"GPIO{switch.direct} alone"
    return f"GPIO{switch.row} and GPIO{switch.column}"


def _missing(comparison: Comparison) -> Iterator[Diagnostic]:
    matched = {wired.name for wired in comparison.match.values()}
    for wired in comparison.board.values():
        if wired.name not in matched:
            yield Diagnostic(
                "switch-not-in-file",
                "error",
                f"the board has `{wired.name}` on {_pins(wired)}, and this file hasn't",
                _span(comparison, comparison.block.keyword),
                "add it to `wiring`, its cap to `shape`, and a cell to each layer",
                (Label(str(_board_place(wired)), _span(comparison, comparison.block.keyword)),),
                (_board_place(wired),),
            )


def _dials(comparison: Comparison) -> Iterator[Diagnostic]:
    board, names = comparison.read.board, comparison.read.text.names
    there = {names[dial.part.name]: dial.gpios for dial in board.dials if None not in dial.gpios}
    for line in comparison.block.lines:
        if isinstance(line, DialLine) and line.name.text in there:
            first, second = there[line.name.text]
            if {_gpio(line.pin_a), _gpio(line.pin_b)} != {first, second}:
                yield Diagnostic(
                    "pins-differ",
                    "error",
                    f"the dial `{line.name.text}` is on GPIO{first} and GPIO{second} on the board",
                    _span(comparison, line.name),
                    f"write dial GPIO{first} GPIO{second} {line.name.text}, unless a hand changed the board",
                )


# ---- diodes -----------------------------------------------------------------------------------


def _diodes(comparison: Comparison) -> Iterator[Diagnostic]:
    """Whether there are any, and their names. Which way they point the board's own findings say."""
    wiring, board = comparison.keyboard.wiring, comparison.read.board
    has_matrix = any(switch.direct is None for switch in wiring.switches) and comparison.read.text.keys
    if has_matrix and (wiring.diodes is Diodes.NONE) != (board.pointing is Diodes.NONE):
        setting = next(line for line in comparison.block.lines if line.keyword.text == "diodes")
        has = "has diodes" if wiring.diodes is Diodes.NONE else "has no diodes"
        yield Diagnostic(
            "diodes-differ",
            "error",
            f"the file says `diodes {wiring.diodes.value}`, but the board {has}",
            Span(comparison.file.source, setting.keyword.start, setting.keyword.end),
            f"write diodes {board.pointing.value}",
        )
        return
    for line in comparison.block.lines:
        if isinstance(line, DiodeName):
            wired = comparison.match.get(line.switch.text)
            if wired is not None and wired.diode is not None and wired.diode != line.diode.text:
                yield Diagnostic(
                    "diode-name-differs",
                    "warning",
                    f"the diode of `{line.switch.text}` is {wired.diode} on the board",
                    _span(comparison, line.diode),
                    f"write diode {wired.diode} of {line.switch.text}",
                    board=(_board_place(wired),),
                )


# ---- places -----------------------------------------------------------------------------------


def _places(comparison: Comparison) -> Iterator[Diagnostic]:
    placed = {comparison.read.text.names[cap.name]: cap for cap in comparison.read.text.layout.caps}
    pairs = [
        (cap, placed[wired.name])
        for cap in comparison.keyboard.caps
        if (wired := comparison.match.get(cap.switch)) is not None
    ]
    if len(pairs) < 2:
        return
    off = _offsets(pairs)
    mirrored = _offsets([(cap, _mirrored(place)) for cap, place in pairs])
    if _spread(mirrored) * 4 < _spread(off) > _PLACE_U:
        yield Diagnostic(
            "shape-mirrored",
            "warning",
            "`shape` is drawn from the solder side: on the board left and right are changed over",
            pairs[0][0].span,
            "write each line from its other end; the layers follow it",
        )
        return
    lines: dict[int, list[tuple[Cap, float, float]]] = {}
    for (cap, place), (dx, dy) in zip(pairs, off, strict=True):
        turn = (cap.rotation_deg - place.turn_deg + 45) % 90 - 45
        if max(abs(dx), abs(dy)) > _PLACE_U or abs(turn) > _TURN_DEG:
            lines.setdefault(cap.line, []).append((cap, dx, dy))
    for caps in lines.values():
        first, dx, dy = max(caps, key=lambda one: max(abs(one[1]), abs(one[2])))
        others = len(caps) - 1
        more = f", and {others} more of this line lie elsewhere" if others else ""
        yield Diagnostic(
            "place-differs",
            "warning",
            f"on the board `{first.switch}` lies {_direction(-dx, -dy)}{more}",
            first.span,
            "check the sizes and gaps before it, or the corner and turn of its line",
        )


def _offsets(pairs: Sequence[tuple[Cap, PlacedCap]]) -> list[tuple[float, float]]:
    """How far each cap of the file lies off from the board's, the two laid over one another."""
    x = median(cap.x_u - place.x_u for cap, place in pairs)
    y = median(cap.y_u - place.y_u for cap, place in pairs)
    return [(cap.x_u - place.x_u - x, cap.y_u - place.y_u - y) for cap, place in pairs]


def _spread(offsets: Sequence[tuple[float, float]]) -> float:
    return sum(abs(dx) + abs(dy) for dx, dy in offsets) / len(offsets)


def _mirrored(place: PlacedCap) -> PlacedCap:
    return PlacedCap(place.name, -place.x_u, place.y_u, 1, 1, -place.turn_deg)


def _direction(dx: float, dy: float) -> str:
    words = []
    if abs(dx) > _PLACE_U / 2:
        words.append(f"{abs(dx):.2f} u to the {'right' if dx > 0 else 'left'}")
    if abs(dy) > _PLACE_U / 2:
        words.append(f"{abs(dy):.2f} u further {'down' if dy > 0 else 'up'}")
    return " and ".join(words) or "turned by another angle"


# ---- the corrected text -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Edit:
    start: int
    end: int
    text: str


def correction(comparison: Comparison) -> Mend | None:
    """The file's wiring made to agree with the board; None if it does.

    Caps and cells of switches that are new, or gone, are left to the hand. A block most of whose lines were
    lined up is so again.
    """
    from keyc.language.tidy import tidied, tidied_text

    source = comparison.file.source
    new = source.text
    for edit in sorted(_edits(comparison), key=lambda edit: edit.start, reverse=True):
        new = new[: edit.start] + edit.text + new[edit.end :]
    if new == source.text:
        return None
    start, end = _extent(comparison.file)
    block = new[start : len(new) - (len(source.text) - end)]
    aligned = _wiring_of(tidied_text(new))
    was_lined_up = _is_mostly(source.text[start:end], _wiring_of(tidied(comparison.file)))
    if was_lined_up or _is_mostly(block, aligned):
        block = aligned
    return Mend("the wiring as on the board", Span(source, start, end), block)


def _extent(file: File) -> tuple[int, int]:
    """Where the `wiring` block begins, and where its `}` ends: the first one outside a comment."""
    block = next(one for one in file.statements if isinstance(one, WiringBlock))
    signs = re.finditer(r"#[^\n]*|\}", file.source.text[block.keyword.end :])
    brace = next(sign for sign in signs if sign[0] == "}")
    return block.keyword.start, block.keyword.end + brace.end()


def _is_mostly(text: str, other: str) -> bool:
    """Whether half of a text's lines are the other's, whose lines are the same words."""
    lines = text.split("\n")
    same = sum(line.rstrip() == tidy for line, tidy in zip(lines, other.split("\n"), strict=False))
    return 2 * same >= len(lines)


def _wiring_of(text: str) -> str:
    start, end = _extent(parsed(Source("", text)))
    return text[start:end]


def _edits(comparison: Comparison) -> list[_Edit]:
    block = comparison.block
    moved = _moved(comparison)
    own_name = {wired.name: name for name, wired in comparison.match.items()}
    at = {
        (wired.row, wired.column): own_name.get(wired.name, wired.name)
        for wired in comparison.board.values()
        if wired.direct is None
    }
    unread = comparison.unread
    edits = [
        _Edit(word.start, word.end, f"GPIO{moved[_gpio(word)]}")
        for word in _pin_words(block)
        if moved.get(_gpio(word), _gpio(word)) != _gpio(word)
    ]
    rows = [line for line in block.lines if isinstance(line, MatrixRow)]
    heads = [line for line in block.lines if isinstance(line, Columns)]
    columns = [_gpio(word) for word in chain.from_iterable(line.pins for line in heads)]
    columns = [moved.get(pin, pin) for pin in columns]
    row_pins = [moved.get(_gpio(line.pin), _gpio(line.pin)) for line in rows]
    new_columns = sorted({c for r, c in at if c is not None and c not in columns})
    new_rows = sorted({r for r, _ in at if r is not None and r not in row_pins})
    for head in heads:
        end = head.pins[-1].end
        edits.append(_Edit(end, end, "".join(f"  GPIO{pin}" for pin in new_columns)))
    for line, row in zip(rows, row_pins, strict=True):
        for word, column in zip(line.switches, columns, strict=True):
            want = at.get((row, column), word.text if word.text in unread else "--")
            if want != word.text:
                edits.append(_Edit(word.start, word.end, want))
        end = (line.switches[-1] if line.switches else line.pin).end
        edits.append(_Edit(end, end, "".join("  " + at.get((row, pin), "--") for pin in new_columns)))
    if rows and new_rows:
        last = rows[-1].switches[-1] if rows[-1].switches else rows[-1].pin
        source = comparison.file.source
        end = source.text.find("\n", last.end)
        written = ""
        for row in new_rows:
            cells = "  ".join(at.get((row, column), "--") for column in [*columns, *new_columns])
            written += f"\n    row GPIO{row}  {cells}"
        edits.append(_Edit(end, end, written))
    edits += _edits_of_single_lines(comparison, own_name)
    return [edit for edit in edits if edit.text or edit.start != edit.end]


def _edits_of_single_lines(comparison: Comparison, own_name: Mapping[str, str]) -> Iterator[_Edit]:
    """Direct switches that have another pin, or none; those that are missing; diodes' names."""
    source = comparison.file.source
    for line in comparison.block.lines:
        if isinstance(line, Direct):
            wired = comparison.match.get(line.switch.text)
            if wired is not None and wired.direct is None:
                start = source.text.rfind("\n", 0, line.keyword.start) + 1
                end = source.text.find("\n", line.switch.end) + 1 or len(source.text)
                if not source.text[start : line.keyword.start].strip():
                    yield _Edit(start, end, "")
            elif wired is not None and wired.direct != _gpio(line.pin):
                yield _Edit(line.pin.start, line.pin.end, f"GPIO{wired.direct}")
        elif isinstance(line, DiodeName):
            wired = comparison.match.get(line.switch.text)
            if wired is not None and wired.diode is not None and wired.diode != line.diode.text:
                yield _Edit(line.diode.start, line.diode.end, wired.diode)
    there = {line.switch.text for line in comparison.block.lines if isinstance(line, Direct)}
    missing = [
        wired
        for wired in comparison.board.values()
        if wired.direct is not None and own_name.get(wired.name, wired.name) not in there
    ]
    if missing:
        brace = source.text.index("{", comparison.block.keyword.end) + 1
        written = "".join(
            f"\n    direct GPIO{wired.direct} {own_name.get(wired.name, wired.name)}" for wired in missing
        )
        yield _Edit(brace, brace, written)
