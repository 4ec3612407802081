"""What the tables hold, row by row, as plain integers: `struct keyc_tables` of `keyc_engine.h`.

Lines are GPIO numbers, times microseconds. Switches have the numbers of their wiring order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from collections.abc import Sequence as Rows

from keyc.keyboard import AnotherKey, Press, Rules
from keyc.record import Record
from keyc.usages import FIRST_MODIFIER

TABLES_VERSION = 3
NO_SWITCH = 0xFF

# A cell, as the top of `keyc_engine.h` has it: its kind in the upper bits.
KIND_SHIFT = 13
KIND_KEY = 1
KIND_ACTION = 2
KIND_LAYER = 3
KIND_DUAL = 4
KIND_TAPS = 5
KIND_TYPING = 6
KIND_MODE = 7
CELL_BENEATH = 0
CELL_OFF = 1
CELL_USB_BOOT = 2

MODE_NEXT, MODE_LOCK, MODE_BOTTOM, MODE_POINTER = (mode << 11 for mode in range(4))
MODE_MODIFIERS = 0x400
POINTER_WHEEL = 4

SECOND_NONE, SECOND_CONTROLS, SECOND_POINTER = range(3)

STROKES_END = 0
TEXT_BEGINS = 0x6001
TEXT_ENDS = 0x6000

# Sizes on the chip, where a pointer has four bytes; a test compares them with what the compiler says.
_TABLES_BYTES = 44
_ACTION_BYTES = 4
_TIMING_BYTES = 8
_STATE_BYTES = 964
_SLOT_BYTES = 8
_FURTHER_TABLES_BYTES = 108
_RULES_BYTES = 24
_FURTHER_BYTES = 124


class TimingRow(Record):
    """How long one group of switches bounces, in µs, and whether a press is told at once."""

    debounce_us: int
    at_once: bool


class DualRow(Record):
    """The cells of a key that does one thing tapped and another held."""

    tap: int
    hold: int


class ChordRow(Record):
    """One chord: its switches in wiring order, its layer, its cell."""

    members: tuple[int, ...]
    layer: int
    cell: int


class ChordSets(Record):
    """What of the chords the engine looks up: each one's switches as words of bits, where bit n stands for
    `switches[n]`; each switch's place there, or NO_SWITCH; and for each place the chords with it."""

    switches: tuple[int, ...]
    place_of: tuple[int, ...]
    words: tuple[tuple[int, ...], ...]
    chords_at: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, chords: Rows[ChordRow], switch_count: int) -> ChordSets:
        """The sets of these chords, on a keyboard of so many switches; all empty without a chord."""
        if not chords:
            return cls((), (), (), ())
        switches = tuple(sorted({member for chord in chords for member in chord.members}))
        place = {switch: n for n, switch in enumerate(switches)}
        sets = [sum(1 << place[member] for member in chord.members) for chord in chords]
        return cls(
            switches,
            tuple(place.get(number, NO_SWITCH) for number in range(switch_count)),
            tuple(
                tuple(members >> bit & 0xFFFFFFFF for bit in range(0, len(switches), 32)) for members in sets
            ),
            tuple(
                tuple(number for number, chord in enumerate(chords) if switch in chord.members)
                for switch in switches
            ),
        )

    @property
    def flash_bytes(self) -> int:
        """With `struct keyc_chord`, of 4 bytes."""
        if not self.words:
            return 0
        lists = sum(map(len, self.chords_at)) + len(self.chords_at) + 1
        words = sum(map(len, self.words))
        return 4 * (len(self.words) + words) + len(self.switches) + len(self.place_of) + 2 * lists


class WhenRow(Record):
    layer: int
    others: tuple[int, ...]


class Further(Record):
    """What keymaps need that use more than keys and layers while held: `struct keyc_further_tables`.

    `taps` and `sequences` hold each one's cells and strokes; in C they lie one after the other.
    `texts` says for comments how the rows of `duals`, `taps` and `sequences` are first written.
    """

    rules: tuple[Rules, ...]
    rules_of: tuple[int, ...] | None
    duals: tuple[DualRow, ...]
    taps: tuple[tuple[int, ...], ...]
    chords: tuple[ChordRow, ...]
    chord_sets: ChordSets
    whens: tuple[WhenRow, ...]
    sequences: tuple[tuple[int, ...], ...]
    uses_modes: bool
    uses_pointer: bool
    first_turn: int
    dials: tuple[DialRow, ...]
    lights: tuple[LightRow, ...]
    texts: Mapping[str, tuple[str, ...]]

    @property
    def flash_bytes(self) -> int:
        return (
            _FURTHER_TABLES_BYTES
            + _RULES_BYTES * len(self.rules)
            + len(self.rules_of or ())
            + 4 * len(self.duals)
            + sum(4 + 2 * len(cells) for cells in self.taps)
            + self.chord_sets.flash_bytes
            + sum(4 + len(when.others) for when in self.whens)
            + sum(2 + 2 * len(strokes) for strokes in self.sequences)
            + 4 * (len(self.dials) + len(self.lights))
        )


class DialRow(Record):
    """A dial that does something. Its two ways are switches of their own, behind all others."""

    name: str
    pin_a: int
    pin_b: int
    edges_per_detent: int


class LightRow(Record):
    """`indicator` is an LED usage, 1 to 5, or 0 where the light shows the layer."""

    pin: int
    lit_low: bool
    indicator: int
    layer: int


class Tables(Record):
    """One keyboard's tables. `cells[layer][switch]` and `switch_at` (a row a driven line, then the
    direct switches) are as in C; `timing_of` is None when every switch has `timings[0]`.
    """

    driven: tuple[int, ...]
    sensed: tuple[int, ...]
    direct: tuple[int, ...]
    switch_at: tuple[tuple[int, ...], ...]
    cells: tuple[tuple[int, ...], ...]
    actions: tuple[Press, ...]
    timings: tuple[TimingRow, ...]
    timing_of: tuple[int, ...] | None
    second_reports: int
    dials: tuple[DialRow, ...] = ()
    further: Further | None = None

    @property
    def switch_count(self) -> int:
        return len(self.cells[0])

    @property
    def layer_count(self) -> int:
        return len(self.cells)

    @property
    def flash_bytes(self) -> int:
        """Bytes of all tables on the chip."""
        bytes_each = (self.driven, self.sensed, self.direct, self.timing_of or (), *self.switch_at)
        return (
            _TABLES_BYTES
            + sum(map(len, bytes_each))
            + 2 * self.layer_count * self.switch_count
            + _ACTION_BYTES * len(self.actions)
            + _TIMING_BYTES * len(self.timings)
            + (self.further.flash_bytes if self.further else 0)
        )

    @property
    def state_bytes(self) -> int:
        """Bytes of the engine's state on the chip: KEYC_KEYBOARD_BYTES, and KEYC_FURTHER_BYTES if need be."""
        further = _FURTHER_BYTES + self.layer_count if self.further else 0
        return _STATE_BYTES + _SLOT_BYTES * self.switch_count + further


def modifier_bits(modifiers: Iterable[int]) -> int:
    """Bit n for usage 0xE0 + n, as a report has them."""
    return sum(1 << (modifier - FIRST_MODIFIER) for modifier in modifiers)


def rule_flags(rules: Rules) -> int:
    """`flags` of `struct keyc_rules`."""
    another = {None: 0, AnotherKey.TAPPED: 1, AnotherKey.PRESSED: 2}[rules.hold_if_another_key]
    return another | rules.next_twice_locks << 2
