"""What a keymap file says, before anybody asks what it means: a node for each statement, with its words.

Words keep their spelling: what they mean, numbers included, is `resolve.py`'s to say.

Nodes are named tuples: as frozen as dataclasses, and eight times as quick to define, which every command
pays for at its start.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from keyc.record import Record
from keyc.source import Source

if TYPE_CHECKING:
    from keyc.diagnostics import Diagnostic


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
