"""Text → statements: from what lark reduces by `grammars/keymap.lark` to the nodes of `statements`.

All mistakes of a file come in one run: where it doesn't parse, `recovery` goes on at the next statement.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

from keyc.language.statements import (
    Action,
    Assignment,
    Call,
    CapItem,
    Chord,
    Columns,
    Corner,
    Damage,
    DebounceRule,
    DialBlock,
    DialLine,
    DiodeName,
    Direct,
    Dual,
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
    Setting,
    ShapeBlock,
    ShapeLine,
    Statement,
    SwitchStep,
    TapStep,
    TimingBlock,
    TimingRule,
    Turn,
    WiringBlock,
    Word,
)
from keyc.source import Source


class _GridRow(NamedTuple):
    cells: tuple[Action, ...]


class _When(NamedTuple):
    layers: tuple[Word, ...]


class _Nodes:
    """A method for each rule of the grammar, called by lark as it reduces; every terminal that it keeps, by
    any name in capitals, is a word."""

    def __getattr__(self, terminal: str) -> Callable[[Any], Word]:
        if terminal.startswith("_") or not terminal.isupper():
            raise AttributeError(terminal)
        return lambda token: Word(str(token), token.start_pos, token.end_pos)

    def start(self, found: list[Any]) -> tuple[Statement, ...]:
        return tuple(found)

    def keyboard(self, found: list[Any]) -> KeyboardBlock:
        return KeyboardBlock(found[0], found[1], tuple(found[2:]))

    def setting(self, found: list[Any]) -> Setting:
        return Setting(*found)

    usb = maker = host_layout = diodes = setting

    def wiring(self, found: list[Any]) -> WiringBlock:
        return WiringBlock(found[0], tuple(found[1:]))

    def columns(self, found: list[Any]) -> Columns:
        return Columns(found[0], tuple(found[1:]))

    def matrix_row(self, found: list[Any]) -> MatrixRow:
        return MatrixRow(found[0], found[1], tuple(found[2:]))

    def direct(self, found: list[Any]) -> Direct:
        return Direct(*found)

    def diode(self, found: list[Any]) -> DiodeName:
        return DiodeName(*found)

    def light(self, found: list[Any]) -> LightLine:
        keyword, pin, indicator, *lit_low = found
        return LightLine(keyword, pin, indicator, lit_low[0] if lit_low else None)

    def dial_pins(self, found: list[Any]) -> DialLine:
        keyword, pin_a, pin_b, name, *edges = found
        return DialLine(keyword, pin_a, pin_b, name, edges[0] if edges else None)

    def shape(self, found: list[Any]) -> ShapeBlock:
        return ShapeBlock(found[0], tuple(found[1:]))

    def shape_line(self, found: list[Any]) -> ShapeLine:
        if isinstance(found[0], Corner):
            return ShapeLine(found[0], tuple(found[1:]))
        return ShapeLine(None, tuple(found))

    def corner(self, found: list[Any]) -> Corner:
        keyword, x, y, *turn = found
        return Corner(keyword, x, y, turn[0] if turn else None)

    def cap(self, found: list[Any]) -> CapItem:
        return CapItem(found[0], found[1] if len(found) > 1 else None)

    def timing(self, found: list[Any]) -> TimingBlock:
        switches = tuple(one for one in found[1:] if isinstance(one, Word))
        return TimingBlock(found[0], switches, tuple(found[1 + len(switches) :]))

    def debounce(self, found: list[Any]) -> DebounceRule:
        return DebounceRule(found[0], found[1], found[2] if len(found) > 2 else None)

    def timing_rule(self, found: list[Any]) -> TimingRule:
        return TimingRule(tuple(found))

    duration = hold_if = tap_if = repeat_if = next_twice = timing_rule

    def let(self, found: list[Any]) -> Let:
        return Let(*found)

    def layer(self, found: list[Any]) -> LayerBlock:
        when = None
        rows: list[tuple[Action, ...]] = []
        assignments: list[Assignment] = []
        for one in found[2:]:
            if isinstance(one, _GridRow):
                rows.append(one.cells)
            elif isinstance(one, Assignment):
                assignments.append(one)
            else:
                when = one.layers
        return LayerBlock(found[0], found[1], when, tuple(rows), tuple(assignments))

    def when(self, found: list[Any]) -> _When:
        return _When(tuple(found))

    def grid_row(self, found: list[Any]) -> _GridRow:
        return _GridRow(tuple(found))

    def assignment(self, found: list[Any]) -> Assignment:
        return Assignment(*found)

    def dial(self, found: list[Any]) -> DialBlock:
        return DialBlock(found[0], found[1], found[2], tuple(found[3:]))

    def turn(self, found: list[Any]) -> Turn:
        return Turn(*found)

    def chord(self, found: list[Any]) -> Chord:
        return Chord(found[0], tuple(found[1:-2]), found[-2], found[-1])

    def sequence(self, found: list[Any]) -> SequenceStatement:
        return SequenceStatement(found[0], found[1], tuple(found[2:]))

    def pause(self, found: list[Any]) -> Pause:
        return Pause(*found)

    wait = pause

    def cell(self, found: list[Any]) -> Action:
        action: Action = found[0]
        return action

    def dual(self, found: list[Any]) -> Dual:
        return Dual(tuple(found[::2]), tuple(found[1::2]), found[0].start, found[-1].end)

    def modified(self, found: list[Any]) -> Modified:
        return Modified(tuple(found[:-1:2]), tuple(found[1::2]), found[-1], found[0].start, found[-1].end)

    def call(self, found: list[Any]) -> Call:
        return Call(found[0], tuple(found[1:-1]), found[0].start, found[-1].end)

    def scenario(self, found: list[Any]) -> ScenarioBlock:
        return ScenarioBlock(found[0], found[1], tuple(found[2:]))

    def tap(self, found: list[Any]) -> TapStep:
        return TapStep(found[0], found[1], found[2] if len(found) > 2 else None)

    def down(self, found: list[Any]) -> SwitchStep:
        return SwitchStep(*found)

    up = down

    def expect(self, found: list[Any]) -> ExpectStep:
        return ExpectStep(found[0], tuple(found[1:]), None)

    def expect_nothing(self, found: list[Any]) -> ExpectStep:
        return ExpectStep(found[0], (), found[1])


@cache
def _parser() -> Any:
    """lark's parser, with the nodes as its transformer."""
    from keyc.language.grammar import AlwaysAccepted, parser_module

    return parser_module().Lark_StandAlone(transformer=_Nodes(), postlex=AlwaysAccepted())


def parsed(source: Source) -> File:
    """The file's statements, and what of it could not be understood."""
    from keyc.language.grammar import parser_module

    parser = _parser()
    try:
        return File(source, parser.parse(source.text + "\n"), Damage(), ())
    except parser_module().UnexpectedInput:
        from keyc.language.recovery import Recovery
        from keyc.language.spelling import respelt

    text, misspelt = respelt(source)
    recovery = Recovery(source, text)
    statements = parser.parse(text, on_error=recovery.mended)
    told = recovery.told
    found, damage = (*misspelt, *told.diagnostics), told.damage()
    if told.diagnostics and len(found) > 1 and not statements and not damage.starts:
        found = (told.no_keymap(),)
    return File(source, statements, damage, found)
