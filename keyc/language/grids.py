"""`layer { }` → `Layer`: which cell belongs to which switch, in a grid as in the sparse form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from keyc.diagnostics import Label
from keyc.keyboard import Cell, Layer, Off, Switch, Through
from keyc.language.actions import Actions
from keyc.language.calls import HOW_CALLED
from keyc.language.given_names import GivenNames
from keyc.language.mistakes import Mistakes, cut
from keyc.language.shape import Shape
from keyc.language.statements import Action, Assignment, Dual, LayerBlock, Modified, Word
from keyc.usages import modifier_of, usage_of

_DRAWN_COLUMNS = 68


def resolved_layer(
    block: LayerBlock,
    switches: Mapping[str, Switch],
    shape: Shape | None,
    actions: Actions,
    mistakes: Mistakes,
) -> Layer:
    """The layer with a cell for each switch. What a sparse layer doesn't name lets through."""
    when = tuple(word.text for word in block.when or () if word.text in actions.names.layers)
    for word in block.when or ():
        if word.text not in actions.names.layers and not mistakes.lost(word.text):
            actions.names.unknown_layer(word)
    is_sparse = not block.rows
    written = (
        _sparse(block, switches, actions, mistakes) if is_sparse else _grid(block, shape, actions, mistakes)
    )
    where = mistakes.at(block.name)
    # What a grid lacks is a mistake that has been told: nothing more is to follow from it.
    is_through = is_sparse and mistakes.is_untouched(block.keyword)
    other = Cell(Through() if is_through else Off(), "..", None, where)
    return Layer(block.name.text, {name: written.get(name, other) for name in switches}, where, when)


def _sparse(
    block: LayerBlock, switches: Mapping[str, Switch], actions: Actions, mistakes: Mistakes
) -> dict[str, Cell]:
    cells: dict[str, Cell] = {}
    seen: dict[str, Word] = {}
    for written in block.assignments:
        assignment = _switch_first(written, switches, actions, mistakes)
        cell = actions.cell(assignment.action)
        if mistakes.names_switch(assignment.switch, switches) and mistakes.once(seen, assignment.switch):
            cells[assignment.switch.text] = cell
    return cells


def _switch_first(
    written: Assignment, switches: Mapping[str, Switch], actions: Actions, mistakes: Mistakes
) -> Assignment:
    """`Escape = SW1` the other way round, which is told."""
    action, switch = written.switch, written.action
    if not isinstance(switch, Word) or switch.text not in switches or action.text in switches:
        return written
    if usage_of(action.text) is None and action.text not in actions.names:
        return written
    mistakes.tell(
        "misplaced",
        f"`{cut(action.text)}` stands where a switch is due",
        action,
        f"the switch comes first: {cut(switch.text)} = {cut(action.text)}",
    )
    return Assignment(switch, action)


def _grid(block: LayerBlock, shape: Shape | None, actions: Actions, mistakes: Mistakes) -> dict[str, Cell]:
    """Cells by switch, line for line and cap for cap as `shape` has them."""
    cells: dict[str, Cell] = {}
    lines = shape.lines if shape else ()
    is_sound = shape is not None and shape.is_sound and bool(lines)
    partner = _partners([len(row) for row in block.rows], [len(line) for line in lines])
    for index, written in enumerate(block.rows):
        number = partner[index]
        row = written
        if number is not None and len(row) > len(lines[number]):
            row = _in_one_piece(row, len(lines[number]), actions, mistakes)
        in_row = [actions.cell(action) for action in row]
        if number is None:
            continue
        cells.update((word.text, cell) for word, cell in zip(lines[number], in_row, strict=False))
        if not is_sound or len(row) == len(lines[number]):
            continue
        if _is_meant_otherwise(row, len(lines[number]), actions.names):
            continue
        if shape is not None and 0 < len(row) - len(lines[number]) <= shape.missing:
            continue  # for caps that `shape` lacks, as is told there
        _tell_row_length(block, index, lines[number], mistakes)
        if len(row) > len(lines[number]) and _runs_on(row, mistakes):
            return cells  # it has swallowed the row after it: no further row is where it was meant
    if is_sound and len(block.rows) != len(lines):
        _tell_row_count(block, lines, partner, mistakes)
    return cells


def _is_meant_otherwise(row: Sequence[Action], due: int, names: GivenNames) -> bool:
    """Whether a row's length is right, or may be, once what is told of its words is mended: `12` to `1 2`,
    `next Shift` to next(Shift)."""
    from keyc.language.unknown_keys import cells_meant_by

    if any(isinstance(one, Word) and one.text in HOW_CALLED for one in row):
        return True
    return sum(cells_meant_by(one, names) for one in row) == due


def _in_one_piece(
    row: tuple[Action, ...], due: int, actions: Actions, mistakes: Mistakes
) -> tuple[Action, ...]:
    """A row that is too long, with `Page Up` as one cell if that makes it fit, which is told."""
    from keyc.language.unknown_keys import in_one_piece, names_in_pieces

    pieces = names_in_pieces(row, actions.names)
    if not pieces or len(row) - len(pieces) != due:
        return row
    return in_one_piece(row, pieces, mistakes)


def _runs_on(row: Sequence[Action], mistakes: Mistakes) -> bool:
    """Whether a row goes on in the next line, through a `\\`."""
    return "\n" in mistakes.source.text[row[0].start : row[-1].end]


def _partners(rows: Sequence[int], lines: Sequence[int]) -> list[int | None]:
    """For each row of a grid its line of `shape`, by number, from how many cells and caps they have.

    Where one too many or too few makes all the others match, it's that one that has no partner; else the
    first row belongs to the first line, and so on.
    """
    in_order = [number if number < len(lines) else None for number in range(len(rows))]
    if len(rows) + 1 == len(lines):
        for missing in reversed(range(len(lines))):
            if [*lines[:missing], *lines[missing + 1 :]] == rows:
                return [number + (number >= missing) for number in range(len(rows))]
    elif len(rows) == len(lines) + 1:
        for extra in reversed(range(len(rows))):
            if [*rows[:extra], *rows[extra + 1 :]] == lines:
                before = list(range(extra))
                return [*before, None, *range(extra, len(lines))]
    return in_order


def _tell_row_length(block: LayerBlock, number: int, line: Sequence[Word], mistakes: Mistakes) -> None:
    row = block.rows[number]
    if mistakes.damaged(row[0].start, row[-1].end) or any(_is_spread(one, mistakes) for one in row):
        return
    many, due = len(row), len(line)
    message = (
        f"row {number + 1} of `{cut(block.name.text)}` has {many} cell{'' if many == 1 else 's'}, "
        f"but its line of `shape` has {due} cap{'' if due == 1 else 's'}"
    )
    if many > due:
        code, where = "row-too-long", mistakes.span(row[due].start, row[-1].end)
        help = _taken_apart(row, many - due) or "take out what is too much; a gap has no cell"
    else:
        code, where = "row-too-short", mistakes.span(row[-1].end, row[-1].end)
        help = "add what is missing: `..` lets through to what lies beneath, `off` does nothing"
    if _runs_on(row, mistakes):
        help = "the `\\` at the line's end runs the row on: the key is written Backslash"
    drawn = _cap_over_cell(line, row, mistakes)
    mistakes.tell(code, message, where, f"{help}\n{drawn}", Label("its line of caps", mistakes.words(line)))


def _taken_apart(row: Sequence[Action], too_many: int) -> str:
    """Help for `Control Z`, if such cells would make a row fit that were meant as one."""
    pairs = [
        f"{one.text}+{other.text}"
        for one, other in pairwise(row)
        if isinstance(one, Word)
        and isinstance(other, Word)
        and modifier_of(one.text) is not None
        and modifier_of(other.text) is None
        and usage_of(other.text) is not None
    ]
    if len(pairs) != too_many:
        return ""
    return f"take out what is too much; if one key is to do it all, write {pairs[0]} in one piece"


def _is_spread(action: Action, mistakes: Mistakes) -> bool:
    """Whether blanks around `+` or `/`, which are told, made one cell of several words."""
    text = mistakes.source.text[action.start : action.end]
    return isinstance(action, (Modified, Dual)) and len(text.split()) > 1


def _tell_row_count(
    block: LayerBlock, lines: Sequence[Sequence[Word]], partner: Sequence[int | None], mistakes: Mistakes
) -> None:
    if not mistakes.is_untouched(block.keyword):
        return
    many, due = len(block.rows), len(lines)
    message = (
        f"`{cut(block.name.text)}` has {many} row{'' if many == 1 else 's'}, "
        f"but `shape` has {due} line{'' if due == 1 else 's'} of caps"
    )
    label = Label("the layer", mistakes.at(block.name))
    if many > due:
        row = block.rows[partner.index(None)]
        where = mistakes.span(row[0].start, row[-1].end)
        help = "take this row out: a layer has one row for each line of `shape`"
        mistakes.tell("rows-too-many", message, where, help, label)
    else:
        missing = next(number for number in range(due) if number not in partner)
        names = cut(" ".join(word.text for word in lines[missing]), 50)
        help = f"add a row for {names}; `..` lets a cell through to what lies beneath"
        place = block.rows[missing - 1][-1].end if missing else block.rows[0][0].start
        mistakes.tell("rows-missing", message, mistakes.span(place, place), help, label)


def _cap_over_cell(line: Sequence[Word], row: Sequence[Action], mistakes: Mistakes) -> str:
    """The line of `shape` drawn above the row, each cap over its cell; `?` where one is missing."""
    caps = [cut(word.text, 16) for word in line]
    text = mistakes.source.text
    cells = [cut(" ".join(text[one.start : one.end].split()), 16) for one in row]
    above, below, used = "caps ", "cells", len("cells")
    for index in range(max(len(caps), len(cells))):
        cap = caps[index] if index < len(caps) else "?"
        cell = cells[index] if index < len(cells) else "?"
        width = max(len(cap), len(cell))
        used += 2 + width
        if used > _DRAWN_COLUMNS:
            above, below = above + "  …", below + "  …"
            break
        above, below = f"{above}  {cap:{width}}", f"{below}  {cell:{width}}"
    return f"  {above.rstrip()}\n  {below.rstrip()}"
