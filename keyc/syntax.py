"""Text → statements: one frozen node per statement, with the offsets of its words.

The grammar is `grammars/keymap.lark`; here are the nodes, the way from lark's reductions to them,
and the recovery at statement ends, which gives all mistakes of a file in one run.
Words keep their spelling: what they mean, numbers included, is `resolve.py`'s to say.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from keyc.record import Record
from keyc.source import Source

if TYPE_CHECKING:
    from keyc.diagnostics import Diagnostic


# ---- nodes ----------------------------------------------------------------------------------
#
# Named tuples: as frozen as dataclasses, and eight times as quick to define, which every command
# pays for at its start.


class Word(NamedTuple):
    """A word as it stands in the file: a name, a number, a text with its quotes, or a sign."""

    text: str
    start: int
    end: int


class Call(NamedTuple):
    """`name(argument, …)`."""

    name: Word
    arguments: tuple[Part, ...]
    start: int
    end: int


class Modified(NamedTuple):
    """`Control+Shift+Z`: the modifiers, the `+` signs, the key."""

    modifiers: tuple[Word, ...]
    signs: tuple[Word, ...]
    key: Word | Call
    start: int
    end: int


class Dual(NamedTuple):
    """`tap/hold`. More than two parts are a mistake that `resolve.py` tells."""

    parts: tuple[Part, ...]
    signs: tuple[Word, ...]
    start: int
    end: int


Part = Word | Call | Modified
Action = Word | Call | Modified | Dual


class Setting(NamedTuple):
    """A statement of one value in `keyboard`: `usb` and its like, `maker`, `host-layout`; `diodes`
    in `wiring`."""

    keyword: Word
    value: Word


class KeyboardBlock(NamedTuple):
    keyword: Word
    title: Word
    settings: tuple[Setting, ...]


class Columns(NamedTuple):
    keyword: Word
    pins: tuple[Word, ...]


class MatrixRow(NamedTuple):
    """`row PIN SWITCH… `; a place without a switch is the word `--`."""

    keyword: Word
    pin: Word
    switches: tuple[Word, ...]


class Direct(NamedTuple):
    keyword: Word
    pin: Word
    switch: Word


class DiodeName(NamedTuple):
    keyword: Word
    diode: Word
    switch: Word


class LightLine(NamedTuple):
    keyword: Word
    pin: Word
    indicator: Word
    lit_low: Word | None


class DialLine(NamedTuple):
    keyword: Word
    pin_a: Word
    pin_b: Word
    name: Word
    edges: Word | None


WiringLine = Setting | Columns | MatrixRow | Direct | DiodeName | LightLine | DialLine


class WiringBlock(NamedTuple):
    keyword: Word
    lines: tuple[WiringLine, ...]


class CapItem(NamedTuple):
    switch: Word
    size: Word | None


class Corner(NamedTuple):
    """`at X Y turned ANGLE`: where a line of caps starts, and what it's turned by about that corner."""

    keyword: Word
    x: Word
    y: Word
    turn: Word | None


class ShapeLine(NamedTuple):
    """A line of caps and gaps; a gap is a word in brackets."""

    corner: Corner | None
    items: tuple[CapItem | Word, ...]


class ShapeBlock(NamedTuple):
    keyword: Word
    lines: tuple[ShapeLine, ...]


class DebounceRule(NamedTuple):
    keyword: Word
    time: Word
    way: Word | None  # `after-quiet` or `at-once`


class TimingRule(NamedTuple):
    """Any other rule: its words, the first of which says which."""

    words: tuple[Word, ...]

    @property
    def keyword(self) -> Word:
        return self.words[0]


class TimingBlock(NamedTuple):
    keyword: Word
    switches: tuple[Word, ...]
    rules: tuple[DebounceRule | TimingRule, ...]


class Let(NamedTuple):
    keyword: Word
    name: Word
    action: Action


class Assignment(NamedTuple):
    switch: Word
    action: Action


class LayerBlock(NamedTuple):
    """A layer, as a grid (`rows`) or sparse (`assignments`); both empty for `{ }`."""

    keyword: Word
    name: Word
    when: tuple[Word, ...] | None
    rows: tuple[tuple[Action, ...], ...]
    assignments: tuple[Assignment, ...]


class Turn(NamedTuple):
    way: Word
    action: Action


class DialBlock(NamedTuple):
    keyword: Word
    dial: Word
    layer: Word
    turns: tuple[Turn, ...]


class Chord(NamedTuple):
    keyword: Word
    switches: tuple[Word, ...]
    layer: Word
    action: Action


class Pause(NamedTuple):
    keyword: Word
    time: Word


class SequenceStatement(NamedTuple):
    keyword: Word
    name: Word
    strokes: tuple[Action | Pause, ...]


class TapStep(NamedTuple):
    keyword: Word
    switch: Word
    time: Word | None


class SwitchStep(NamedTuple):
    """`down SWITCH` or `up SWITCH`."""

    keyword: Word
    switch: Word


class ExpectStep(NamedTuple):
    """`expect A Shift+B`, or `nothing` / `nothing-held` as the only word."""

    keyword: Word
    presses: tuple[Action, ...]
    nothing: Word | None


Step = TapStep | SwitchStep | Pause | ExpectStep


class ScenarioBlock(NamedTuple):
    keyword: Word
    title: Word
    steps: tuple[Step, ...]


Statement = (
    KeyboardBlock
    | WiringBlock
    | ShapeBlock
    | TimingBlock
    | Let
    | LayerBlock
    | DialBlock
    | Chord
    | SequenceStatement
    | ScenarioBlock
)


class Damage(Record):
    """Where a mistake was skipped, so that what is missing there isn't told a second time.

    `lines` are numbered from 1, `words` are all words skipped, `blocks` the kinds of statement
    concerned (`shape`, `layer`), `starts` the offsets at which those statements begin.
    """

    lines: frozenset[int] = frozenset()
    words: frozenset[str] = frozenset()
    blocks: frozenset[str] = frozenset()
    starts: frozenset[int] = frozenset()


class File(Record):
    source: Source
    statements: tuple[Statement, ...]
    damage: Damage
    diagnostics: tuple[Diagnostic, ...]


# ---- the words of the language ----------------------------------------------------------------

# Where each word of a statement may stand, and how the statement is written: for help lines.
FORMS: dict[str, dict[str, str]] = {
    "": {
        "keyboard": 'keyboard "My board" {',
        "wiring": "wiring {",
        "shape": "shape {",
        "timing": "timing {",
        "let": "let undo-it = Control+Z",
        "layer": "layer base {",
        "dial": "dial DIAL1 on base {",
        "chord": "chord SW2 SW3 on base = CapsLock",
        "sequence": 'sequence sign-off = "Kind regards," Enter',
        "scenario": 'scenario "what is tried" {',
    },
    "keyboard": {
        "usb": "usb 0x1209:0x0001",
        "bench-usb": "bench-usb 0x1209:0x0002",
        "trial-usb": "trial-usb 0x1209:0x0003",
        "maker": 'maker "Your name"',
        "host-layout": "host-layout linux-us",
    },
    "wiring": {
        "diodes": "diodes cathode-to-row",
        "columns": "columns GPIO6 GPIO7 GPIO8",
        "row": "row GPIO2 SW1 SW2 --",
        "direct": "direct GPIO10 SW12",
        "diode": "diode D17 of SW7",
        "light": "light GPIO25 CapsLock",
        "dial": "dial GPIO20 GPIO21 DIAL1",
    },
    "shape": {"at": "at 3.5u 4.25u turned 15deg SW40 SW41"},
    "timing": {
        "debounce": "debounce 5ms after-quiet",
        "hold-after": "hold-after 180ms",
        "chord-within": "chord-within 40ms",
        "taps-within": "taps-within 200ms",
        "hold-if": "hold-if another-key tapped",
        "tap-if": "tap-if typing-within 120ms",
        "repeat-if": "repeat-if tapped-within 150ms",
        "next-twice": "next-twice locks",
    },
    "layer": {},
    "dial": {
        "clockwise": "clockwise = AudioVolumeUp",
        "counter-clockwise": "counter-clockwise = AudioVolumeDown",
    },
    "scenario": {
        "tap": "tap SW5",
        "down": "down SW5",
        "up": "up SW5",
        "wait": "wait 300ms",
        "expect": "expect Tab",
    },
}

# Words that may name nothing: every word of the grammar, and those that actions are made of.
_OTHER_WORDS = """
    of lit-low edges-per-detent turned after-quiet at-once another-key tapped pressed typing-within
    tapped-within locks when and on nothing nothing-held off usb-boot usage next lock bottom taps
    pointer pointer-press wheel none cathode-to-row cathode-to-column set latch
"""
RESERVED = frozenset(word for forms in FORMS.values() for word in forms) | frozenset(_OTHER_WORDS.split())

LATCH_HELP = (
    "`latch` means one thing to keyboards and the opposite to switches: write next(x) for the next key "
    "only, lock(x) for until pressed again"
)

SET_HELP = (
    "`set` isn't used: a name for an action is given by let NAME = …, times stand in timing { }, what keys "
    "do in layer NAME { }"
)


# ---- reductions → nodes -----------------------------------------------------------------------


def extent(action: Action) -> tuple[int, int]:
    """The offsets where an action starts and ends."""
    return action.start, action.end


@cache
def _parser() -> Any:
    """lark's parser, with the nodes as its transformer."""
    from keyc.grammar import AlwaysAccepted, parser_module

    class Nodes:
        """One method per rule and terminal of the grammar, called by lark as it reduces."""

        def word(self, token: Any) -> Word:
            return Word(str(token), token.start_pos, token.end_pos)

        NAME = NUMBER = SIZE = GAP = TEXT = BENEATH = NO_SWITCH = SLASH = PLUS = RIGHT = word
        KEYBOARD = USB = MAKER = HOST_LAYOUT = WIRING = DIODES = COLUMNS = ROW = DIRECT = DIODE = word
        LIGHT = LIT_LOW = DIAL = SHAPE = AT = TIMING = DEBOUNCE = AFTER_QUIET = AT_ONCE = word
        HOLD_AFTER = CHORD_WITHIN = TAPS_WITHIN = HOLD_IF = TAPPED = PRESSED = TAP_IF = word
        REPEAT_IF = NEXT_TWICE = LOCKS = LET = LAYER = CLOCKWISE = COUNTER_CLOCKWISE = word
        CHORD = SEQUENCE = WAIT = SCENARIO = TAP = DOWN = UP = EXPECT = NOTHING = NOTHING_HELD = word

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

    return parser_module().Lark_StandAlone(transformer=Nodes(), postlex=AlwaysAccepted())


class _GridRow(NamedTuple):
    cells: tuple[Action, ...]

    @property
    def start(self) -> int:
        return self.cells[0].start


class _When(NamedTuple):
    layers: tuple[Word, ...]


def parsed(source: Source) -> File:
    """The file's statements, and what of it could not be understood."""
    from keyc.grammar import parser_module

    parser = _parser()
    try:
        return File(source, parser.parse(source.text + "\n"), Damage(), ())
    except parser_module().UnexpectedInput:
        from keyc.recovery import Recovery
        from keyc.spelling import respelt

    text, misspelt = respelt(source)
    recovery = Recovery(source, text)
    statements = parser.parse(text, on_error=recovery.mended)
    found, damage = (*misspelt, *recovery.diagnostics), recovery.damage()
    if recovery.diagnostics and len(found) > 1 and not statements and not damage.starts:
        found = (recovery.no_keymap(),)
    return File(source, statements, damage, found)
