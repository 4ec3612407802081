"""`keyc tidy`: a keymap file with its grids lined up. What it means, and every comment, stays.

A file is words on lines. Lines are parted at the braces of a block that has several, never joined;
besides that only blanks change, and the spelling of the few words that have two. So comments, blank
lines and lines that run on through `\\` are kept by construction, and what comes out depends on
nothing that tidying changes: twice is the same as once. Offsets and widths are in characters.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, groupby
from typing import TYPE_CHECKING

from keyc.language import measures
from keyc.language.statements import (
    Action,
    Call,
    CapItem,
    Chord,
    Columns,
    DialBlock,
    DialLine,
    DiodeName,
    Direct,
    ExpectStep,
    File,
    KeyboardBlock,
    LayerBlock,
    Let,
    LightLine,
    MatrixRow,
    Modified,
    Pause,
    ScenarioBlock,
    SequenceStatement,
    ShapeBlock,
    ShapeLine,
    TimingBlock,
    WiringBlock,
    WiringLine,
    Word,
)
from keyc.language.syntax import parsed
from keyc.source import Source

if TYPE_CHECKING:
    from keyc.diagnostics import Diagnostic

_INDENT = 4
_DRAWN_WIDTH = 80
_TOUCH = 1e-6  # places nearer than this are one
_LONG = 76  # a line from here on doesn't push the other lines' comments to the right

_PIECE = re.compile(
    r'(?P<text>"(?:[^"\\\n]|\\[^\n])*")'
    r"|(?P<comment>#[^\n]*)"
    r"|(?P<end>\n)"
    r"|(?P<sign>[{}=(),\\])"
    # A number with a comma is a mistake, but one word.
    r"|(?P<word>[0-9.]+,[0-9.]+(?:u|ms|us|s|deg)\b|\[[^\]\n]*\]|[^\s{}=(),\\\"#\[]+)"
)


@dataclass(frozen=True, slots=True)
class _Piece:
    """A word, a sign, a text, a comment or the end of a line, and where it stands in the file."""

    kind: str
    text: str
    start: int

    def is_sign(self, text: str) -> bool:
        return self.kind == "sign" and self.text == text


@dataclass(frozen=True, slots=True)
class _Place:
    """Where in a table something stands: from `x0` up to `x1`, in whatever the table measures in."""

    table: str
    x0: float
    x1: float
    gap: int = 2  # blanks to what comes next
    is_drawn: bool = False  # in key units, as caps lie


_Column = tuple[str, _Place | None]


@dataclass(slots=True)
class _Line:
    """A line to be: its columns, and the comment behind them."""

    depth: int
    group: int  # lines of one group have their comments under one another
    runs_on: bool = False  # the line before ran on into this one
    columns: list[_Column] = field(default_factory=list)
    comment: str = ""
    code: str = ""

    @property
    def is_closing(self) -> bool:
        return bool(self.columns) and self.columns[0][0] == "}"


@dataclass(frozen=True, slots=True)
class Tidied:
    """A file as it is and as it would be."""

    name: str
    before: str
    after: str


def tidied_file(path: str) -> Tidied | list[Diagnostic]:
    """A file tidied (`-`: what comes in), or, where its grammar is wrong, why it isn't. Raises UserError
    where it can't be read."""
    from keyc.compile import read_source, source_of

    is_stream = path == "-"
    source = source_of("what came in", sys.stdin.buffer.read()) if is_stream else read_source(path)
    file = parsed(source)
    if file.diagnostics:
        return list(file.diagnostics)
    return Tidied(source.name, source.text, tidied(file))


def tidied_text(text: str) -> str:
    """A text that was written by `keyc` itself, lined up."""
    return tidied(parsed(Source("", text)))


def tidied(file: File) -> str:
    """The text of a file without mistakes in its grammar, lined up. Lines end as most of them did."""
    spelt = _respelt(file)
    if spelt != file.source.text:
        file = parsed(Source(file.source.name, spelt))
    pieces = _parted(_pieces(spelt))
    lines = _lines(pieces, _places(file))
    _write(lines)
    written = [f"{line.code}{line.comment}" for line in lines]
    while written and not written[-1]:
        written.pop()
    while written and not written[0]:
        written.pop(0)
    end = "\r\n" if 2 * spelt.count("\r\n") > spelt.count("\n") else "\n"
    result = "".join(line + end for line in written)
    # A blank too many or too few would make other words: better to stop than to write that.
    if _words(_parted(_pieces(result))) != _words(pieces):
        raise AssertionError("tidying changed a word")
    return result


def _pieces(text: str) -> list[_Piece]:
    return [
        _Piece(match.lastgroup or "", match[0].rstrip("\r"), match.start()) for match in _PIECE.finditer(text)
    ]


def _words(pieces: Sequence[_Piece]) -> list[tuple[str, str]]:
    """What must be the same before and after: everything but blanks and the file's outer line ends."""
    found = [(piece.kind, piece.text.rstrip()) for piece in pieces]
    while found and found[-1][0] == "end":
        found.pop()
    while found and found[0][0] == "end":
        found.pop(0)
    return found


def _parted(pieces: Sequence[_Piece]) -> list[_Piece]:
    """The pieces with a line end after `{` and before `}` of a block that has several lines, and after
    every `}`."""
    closes = _closes(pieces)
    multiple = {
        brace
        for opens, shuts in closes.items()
        if any(piece.kind == "end" for piece in pieces[opens:shuts])
        for brace in (opens, shuts)
    }
    found: list[_Piece] = []
    for index, piece in enumerate(pieces):
        is_first = not found or found[-1].kind == "end"
        if piece.is_sign("}") and index in multiple and not is_first:
            found.append(_Piece("end", "\n", piece.start))
        found.append(piece)
        is_brace = piece.is_sign("}") or (piece.is_sign("{") and index in multiple)
        following = pieces[index + 1] if index + 1 < len(pieces) else None
        if (
            is_brace
            and following
            and following.kind not in ("end", "comment")
            and not following.is_sign("\\")
        ):
            found.append(_Piece("end", "\n", following.start))
    return found


def _closes(pieces: Sequence[_Piece]) -> dict[int, int]:
    """The index of each `{`, and of the `}` that belongs to it."""
    waiting: list[int] = []
    found = {}
    for index, piece in enumerate(pieces):
        if piece.is_sign("{"):
            waiting.append(index)
        elif piece.is_sign("}") and waiting:
            found[waiting.pop()] = index
    return found


# ---- spelling ---------------------------------------------------------------------------------


def _respelt(file: File) -> str:
    """The file's text with large bare letters, large hexadecimal digits, and pins called GPIO."""
    parts, done = [], 0
    for start, end, text in sorted(_spellings(file)):
        parts += [file.source.text[done:start], text]
        done = end
    return "".join((*parts, file.source.text[done:]))


def _spellings(file: File) -> Iterator[tuple[int, int, str]]:
    """The words that have another spelling: from where to where they stand, and that spelling."""
    # A letter that the file gives as a name is a mistake, to be told by the name it has.
    names = {
        one.name.text for one in file.statements if isinstance(one, Let | LayerBlock | SequenceStatement)
    }
    for word in _words_of_actions(file):
        if len(word.text) == 1 and word.text in "abcdefghijklmnopqrstuvwxyz" and word.text not in names:
            yield word.start, word.end, word.text.upper()
        elif re.fullmatch("0x[0-9A-Fa-f]+", word.text):
            yield word.start, word.end, f"0x{word.text[2:].upper()}"
    for statement in file.statements:
        if isinstance(statement, KeyboardBlock):
            for setting in statement.settings:
                if re.fullmatch("0x[0-9A-Fa-f]+:0x[0-9A-Fa-f]+", setting.value.text):
                    value = setting.value
                    yield value.start, value.end, value.text.upper().replace("0X", "0x")
        elif isinstance(statement, WiringBlock):
            for line in statement.lines:
                for pin in _pins_of(line):
                    yield pin.start, pin.end, re.sub(r"^GP(?=[0-9]+$)", "GPIO", pin.text)


def _pins_of(line: WiringLine) -> tuple[Word, ...]:
    if isinstance(line, Columns):
        return line.pins
    if isinstance(line, MatrixRow | Direct | LightLine):
        return (line.pin,)
    return (line.pin_a, line.pin_b) if isinstance(line, DialLine) else ()


def _words_of_actions(file: File) -> Iterator[Word]:
    for statement in file.statements:
        if isinstance(statement, Let | Chord):
            yield from _words_in(statement.action)
        elif isinstance(statement, LayerBlock):
            for action in (*chain(*statement.rows), *(one.action for one in statement.assignments)):
                yield from _words_in(action)
        elif isinstance(statement, DialBlock):
            for turn in statement.turns:
                yield from _words_in(turn.action)
        elif isinstance(statement, SequenceStatement):
            for stroke in statement.strokes:
                if not isinstance(stroke, Pause):
                    yield from _words_in(stroke)
        elif isinstance(statement, ScenarioBlock):
            for step in statement.steps:
                if isinstance(step, ExpectStep):
                    for press in step.presses:
                        yield from _words_in(press)


def _words_in(action: Action) -> Iterator[Word]:
    if isinstance(action, Word):
        yield action
    elif isinstance(action, Call):
        for argument in action.arguments:
            yield from _words_in(argument)
    elif isinstance(action, Modified):
        yield from _words_in(action.key)
    else:
        for part in action.parts:
            yield from _words_in(part)


# ---- what starts where ------------------------------------------------------------------------


def _places(file: File) -> dict[int, _Place | None]:
    """For each offset where a column starts its place in a table, or None for one that just follows."""
    found: dict[int, _Place | None] = {}
    shapes = [one for one in file.statements if isinstance(one, ShapeBlock)]
    shape = _rows_of(shapes[0]) if len(shapes) == 1 else []
    for number, statement in enumerate(file.statements):
        table = str(number)
        found[statement.keyword.start] = None
        if isinstance(statement, KeyboardBlock):
            found.update((setting.keyword.start, None) for setting in statement.settings)
        elif isinstance(statement, TimingBlock):
            found.update((rule.keyword.start, None) for rule in statement.rules)
        elif isinstance(statement, WiringBlock):
            for line in statement.lines:
                found.update(_places_in_wiring(line, table, file.source.text))
        elif isinstance(statement, ShapeBlock):
            for shape_line in statement.lines:
                found.update(_places_in_shape(shape_line, table))
        elif isinstance(statement, LayerBlock):
            found.update(_places_in_grid(statement, table, shape))
            starts = [one.switch.start for one in statement.assignments]
            found.update(_side_by_side(starts, f"{table} sparse", file.source))
        elif isinstance(statement, DialBlock):
            starts = [one.way.start for one in statement.turns]
            found.update(_side_by_side(starts, f"{table} turns", file.source))
        elif isinstance(statement, ScenarioBlock):
            found.update(_places_in_scenario(statement, table, file.source))
    return found


def _row(table: str, starts: Sequence[int], gap: int = 2) -> Iterator[tuple[int, _Place]]:
    """Columns by number, from left to right."""
    for number, start in enumerate(starts):
        yield start, _Place(table, number, number + 1, gap)


def _side_by_side(starts: Sequence[int], table: str, source: Source) -> Iterator[tuple[int, _Place]]:
    """Things of one kind, several to a line: the first under the first, the second under the second."""
    for _, in_line in groupby(starts, lambda start: source.place(start)[0]):
        yield from _row(table, list(in_line))


def _places_in_wiring(line: WiringLine, table: str, text: str) -> Iterator[tuple[int, _Place | None]]:
    first = line.keyword.start
    if isinstance(line, Columns):
        yield from _row(f"{table} matrix", [first, *(pin.start for pin in line.pins)])
    elif isinstance(line, MatrixRow):
        yield from _row(f"{table} matrix", [first, *(switch.start for switch in line.switches)])
    elif isinstance(line, Direct):
        yield from _row(f"{table} matrix", [first, line.switch.start])
    elif isinstance(line, DiodeName):
        yield from _row(f"{table} diodes", [first, text.index("of", line.diode.end)], gap=1)
    elif isinstance(line, LightLine):
        more = [line.lit_low.start] if line.lit_low else []
        yield from _row(f"{table} lights", [first, line.indicator.start, *more])
    elif isinstance(line, DialLine):
        yield from _row(f"{table} dials", [first, line.name.start])
    else:
        yield first, None


def _places_in_shape(line: ShapeLine, table: str) -> Iterator[tuple[int, _Place]]:
    x_u = 0.0
    if line.corner is not None:
        table += " at"
        yield line.corner.keyword.start, _Place(table, -1, 0)
    for item in line.items:
        start = item.switch.start if isinstance(item, CapItem) else item.start
        width_u = _width_u(item)
        yield start, _Place(table, x_u, x_u + width_u, is_drawn=True)
        x_u += width_u


def _places_in_grid(
    layer: LayerBlock, table: str, shape: Sequence[Sequence[tuple[float, float]]]
) -> Iterator[tuple[int, _Place]]:
    """Cells under one another as their caps are; where rows don't follow `shape`, by number."""
    if [len(row) for row in layer.rows] == [len(caps) for caps in shape]:
        for row, caps in zip(layer.rows, shape, strict=True):
            for cell, (x0, x1) in zip(row, caps, strict=True):
                yield cell.start, _Place(table, x0, x1, is_drawn=True)
    else:
        for row in layer.rows:
            yield from _row(table, [cell.start for cell in row])


def _places_in_scenario(
    scenario: ScenarioBlock, table: str, source: Source
) -> Iterator[tuple[int, _Place | None]]:
    """Steps follow one another; the first `expect` that comes after others in its line has a column."""
    for _, steps in groupby(scenario.steps, lambda step: source.place(step.keyword.start)[0]):
        in_line = list(steps)
        yield from ((step.keyword.start, None) for step in in_line)
        expect = next((step for step in in_line[1:] if isinstance(step, ExpectStep)), None)
        if expect is not None:
            yield from _row(table, [in_line[0].keyword.start, expect.keyword.start])


def _rows_of(shape: ShapeBlock) -> list[list[tuple[float, float]]]:
    """For each line of caps from where to where they reach, in key units. A line with a corner of its own
    starts there, whatever it's turned by."""
    rows = []
    for line in shape.lines:
        x_u = _read(measures.offset_u, line.corner.x) if line.corner else 0.0
        row = []
        for item in line.items:
            width_u = _width_u(item)
            if isinstance(item, CapItem):
                row.append((x_u, x_u + width_u))
            x_u += width_u
        if row:
            rows.append(row)
    return rows


def _width_u(item: CapItem | Word) -> float:
    if isinstance(item, CapItem):
        return _read(lambda text: measures.size_u(text)[0], item.size) if item.size else 1.0
    return _read(lambda text: measures.gap_u(text)[0], item)


def _read(reader: Callable[[str], float], word: Word) -> float:
    """A number as it's written; 1 for one that isn't written rightly, which `keyc check` tells."""
    try:
        return reader(word.text)
    except measures.Misread:
        return 1.0


# ---- lines ------------------------------------------------------------------------------------


def _lines(pieces: Sequence[_Piece], places: Mapping[int, _Place | None]) -> list[_Line]:
    """The lines as they will be, still without their blanks."""
    lines: list[_Line] = []
    line = _Line(0, 0)
    depth = group = 0
    before: _Piece | None = None
    for piece in pieces:
        if piece.kind == "end":
            lines.append(line)
            is_apart = not (line.columns or line.comment) or line.is_closing
            group += 1 if depth == 0 and is_apart else 0
            line = _Line(depth, group, runs_on=before is not None and before.is_sign("\\"))
            before = None
        elif piece.kind == "comment":
            line.comment = piece.text.rstrip()
        else:
            depth -= piece.is_sign("}")
            _add(line, piece, before, places)
            depth += piece.is_sign("{")
            before = piece
    lines.append(line)
    return lines


def _add(line: _Line, piece: _Piece, before: _Piece | None, places: Mapping[int, _Place | None]) -> None:
    """Puts a piece behind those of its line."""
    starts_column = piece.start in places
    if before is None:
        if piece.is_sign("}"):
            line.depth -= 1
        elif line.runs_on and not starts_column:
            line.depth += 1
    if before is None or starts_column or before.is_sign("{"):
        line.columns.append((piece.text, places.get(piece.start)))
    else:
        text, place = line.columns[-1]
        line.columns[-1] = (text + _blank(before, piece) + piece.text, place)


def _blank(left: _Piece, right: _Piece) -> str:
    """What stands between two pieces of one column."""
    if right.kind == "sign" and right.text in "(),":
        return ""
    if left.is_sign("("):
        return ""
    is_sign = (left.kind == "word" and left.text[-1] in "+/") or (
        right.kind == "word" and right.text[0] in "+/"
    )
    # Blanks beside `+` and `/` are a mistake, which `keyc check` tells; it isn't to be hidden here.
    return "" if is_sign and left.start + len(left.text) == right.start else " "


def _write(lines: Sequence[_Line]) -> None:
    """Fills in each line's code, with its blanks, and the blanks before its comment."""
    tables: dict[str, list[tuple[_Place, int]]] = {}
    for line in lines:
        line.columns = _joined(line.columns)
        for text, place in line.columns:
            if place is not None:
                tables.setdefault(place.table, []).append((place, len(text)))
    stops = {table: _stops(columns) for table, columns in tables.items()}
    for line in lines:
        code = ""
        for text, place in line.columns:
            if place is not None:
                code = code.ljust(max(stops[place.table][place.x0], len(code) + place.gap if code else 0))
            code += text
        line.code = " " * (_INDENT * line.depth) + code if code else ""
    _place_comments(lines)


def _joined(columns: Sequence[_Column]) -> list[_Column]:
    """The columns, with those that just follow put behind the one before. A block on one line has no
    other ones."""
    is_block = bool(columns) and columns[0][0].endswith("{")
    found: list[_Column] = []
    for text, place in columns:
        if found and (place is None or is_block):
            before, where = found[-1]
            blanks = " " if before.endswith("{") or text == "}" else "  "
            found[-1] = (before + blanks + text, where)
        else:
            found.append((text, place))
    return found


def _stops(columns: Sequence[tuple[_Place, int]]) -> dict[float, int]:
    """Where in the line each `x0` of a table stands: to the right of all that ends up to there, as in
    the picture that the table is; a drawn one is drawn to scale as far as lines of 80 have room."""
    by_end = sorted((place.x1, place.x0, width + place.gap) for place, width in columns)
    drawn = [(place, width) for place, width in columns if place.is_drawn]
    left = min((place.x0 for place, _ in drawn), default=0.0)
    scale = _columns_per_unit(drawn, left)
    stops: dict[float, int] = {}
    reach = taken = 0
    for x0 in sorted({place.x0 for place, _ in columns}):
        while taken < len(by_end) and by_end[taken][0] <= x0 + _TOUCH:
            _, start, width = by_end[taken]
            reach = max(reach, stops[start] + width)
            taken += 1
        if x0 > left:
            reach = max(reach, stops.get(left, 0) + round((x0 - left) * scale))
        stops[x0] = reach
        reach += 1  # what starts further right stands further right
    return stops


def _columns_per_unit(drawn: Sequence[tuple[_Place, int]], left: float) -> float:
    """How many columns a unit of a drawn table has room for, if not more than it needs."""
    needed = max(
        ((width + place.gap) / (place.x1 - place.x0) for place, width in drawn if place.x1 > place.x0),
        default=0.0,
    )
    whole = max((place.x1 for place, _ in drawn), default=left) - left
    return min(needed, (_DRAWN_WIDTH - _INDENT) / whole) if whole > 0 else 0.0


def _place_comments(lines: Sequence[_Line]) -> None:
    """Comments of one group stand under one another; one with a line to itself has that line's depth."""
    column: dict[int, int] = {}
    for line in lines:
        if line.comment and len(line.code) < _LONG and line.code:
            column[line.group] = max(column.get(line.group, 0), len(line.code))
    for line in lines:
        if line.comment and line.code:
            line.comment = " " * max(column.get(line.group, 0) - len(line.code), 0) + "  " + line.comment
        elif line.comment:
            line.comment = " " * (_INDENT * line.depth) + line.comment
