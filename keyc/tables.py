"""Keyboard → plain integers: exactly what `struct keyc_tables` of `keyc_engine.h` holds.

Lines are GPIO numbers, times microseconds. Switches have the numbers of their wiring order.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from collections.abc import Sequence as Rows
from typing import TypeVar

from keyc.keyboard import (
    Action,
    AnotherKey,
    Bottom,
    ByTaps,
    Cell,
    Diodes,
    Direction,
    Keyboard,
    LayerHeld,
    NextOnly,
    Off,
    PointerMove,
    PointerPress,
    Press,
    Rules,
    Sequence,
    Stroke,
    TapOrHold,
    Target,
    Through,
    Typing,
    UntilPressedAgain,
    Usage,
    UsbBoot,
    Wheel,
    Wiring,
)
from keyc.record import Record

TABLES_VERSION = 3
NO_SWITCH = 0xFF

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
_DIRECTIONS = (Direction.LEFT, Direction.RIGHT, Direction.UP, Direction.DOWN)

SECOND_NONE, SECOND_CONTROLS, SECOND_POINTER = range(3)

STROKES_END = 0
TEXT_BEGINS = 0x6001
TEXT_ENDS = 0x6000
_PAUSE_MOST_MS = (1 << KIND_SHIFT) - 1

PAGE_DESKTOP = 0x01
PAGE_KEYBOARD = 0x07
PAGE_BUTTON = 0x09
PAGE_CONSUMER = 0x0C
FIRST_MODIFIER = 0xE0
LAST_MODIFIER = 0xE7

# Sizes on the chip, where a pointer has four bytes; a test compares them with what the compiler says.
_TABLES_BYTES = 44
_ACTION_BYTES = 4
_TIMING_BYTES = 8
_STATE_BYTES = 964
_SLOT_BYTES = 8
_FURTHER_TABLES_BYTES = 108
_RULES_BYTES = 24
_FURTHER_BYTES = 124

# What one report can say: the system controls of the desktop page, keys and modifiers without the
# error codes, five buttons, consumer usages (USB HID Usage Tables, pages 0x01, 0x07, 0x09, 0x0C).
_REPORTABLE = {
    PAGE_DESKTOP: range(0x81, 0xB8),
    PAGE_KEYBOARD: range(0x04, LAST_MODIFIER + 1),
    PAGE_BUTTON: range(1, 6),
    PAGE_CONSUMER: range(0x01, 0x1000),  # up to what the report descriptor declares
}


_Row = TypeVar("_Row", bound=Hashable)


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


class Fingerprints(Record):
    """Twelve lower-case hexadecimal digits each: the first 6 bytes of a SHA-256."""

    wiring: str
    keymap: str
    engine: str


def is_reportable(usage: Usage) -> bool:
    """Whether a report to the host can say this usage."""
    return usage.id in _REPORTABLE.get(usage.page, ())


def tables_of(keyboard: Keyboard) -> Tables:
    """The tables of a checked keyboard. ValueError if it says what no table can hold."""
    wiring = keyboard.wiring
    switches = wiring.switches
    if len(switches) >= NO_SWITCH or not switches or len(keyboard.layers) > 255:
        raise ValueError("tables hold 1 to 254 switches and 255 layers")
    cells = _Cells(keyboard)
    turns = {(turn.dial, turn.layer): turn for turn in keyboard.dials}
    turned = {turn.dial for turn in keyboard.dials}
    dials = tuple(
        DialRow(dial.name, dial.pin_a, dial.pin_b, dial.edges_per_detent)
        for dial in wiring.dials
        if dial.name in turned
    )
    rows = []
    for number, layer in enumerate(keyboard.layers):
        row = [cells.of(layer.cells[switch.name]) for switch in switches]
        for dial in dials:
            turn = turns.get((dial.name, layer.name))
            if turn is None:
                row += [CELL_BENEATH if number else CELL_OFF] * 2
            else:
                row += [cells.of(turn.clockwise), cells.of(turn.counter_clockwise)]
        rows.append(tuple(row))
    if len(rows[0]) >= NO_SWITCH:
        raise ValueError("tables hold 254 switches; a dial counts as two")
    timing = keyboard.timing
    debounces, timing_of = _numbered(
        timing.debounce,
        [timing.for_switch.get(switch.name, timing.debounce) for switch in switches]
        + [timing.debounce] * (2 * len(dials)),
    )
    further = cells.further(dials)
    return Tables(
        driven=wiring.driven,
        sensed=wiring.sensed,
        direct=wiring.direct_pins,
        switch_at=_switch_at(wiring),
        cells=tuple(rows),
        actions=tuple(cells.actions),
        timings=tuple(TimingRow(one.time_us, one.at_once) for one in debounces),
        timing_of=timing_of,
        second_reports=cells.second_reports(),
        dials=dials,
        further=further,
    )


class _Cells:
    """Actions → cells, and what cells refer to by number: each different one once, in file order."""

    def __init__(self, keyboard: Keyboard) -> None:
        self._keyboard = keyboard
        self._layers = {layer.name: number for number, layer in enumerate(keyboard.layers)}
        self._known: dict[Action, int] = {}
        self.actions: dict[Press, int] = {}
        self._duals: dict[DualRow, int] = {}
        self._taps: dict[tuple[int, ...], int] = {}
        self._sequences: dict[tuple[int, ...], int] = {}
        self._text = ""  # of the cell that is being done
        self._texts: dict[int, list[str]] = {KIND_DUAL: [], KIND_TAPS: [], KIND_TYPING: []}

    def of(self, cell: Cell) -> int:
        self._text = cell.text
        return self.cell(cell.action)

    def cell(self, action: Action) -> int:
        cell = self._known.get(action)
        if cell is None:
            cell = self._known[action] = self._cell(action)
        return cell

    def _cell(self, action: Action) -> int:
        match action:
            case Through():
                return CELL_BENEATH
            case Off():
                return CELL_OFF
            case UsbBoot():
                return CELL_USB_BOOT
            case LayerHeld(layer):
                return KIND_LAYER << KIND_SHIFT | self._layers[layer]
            case Press():
                return self._press(action)
            case TapOrHold(tap, hold):
                return self._indexed(KIND_DUAL, self._duals, DualRow(self.cell(tap), self._held(hold)))
            case ByTaps(actions):
                return self._indexed(KIND_TAPS, self._taps, tuple(map(self.cell, actions)))
            case Typing(sequence):
                return self._indexed(KIND_TYPING, self._sequences, self._strokes(sequence), sequence.name)
            case NextOnly(target):
                return _mode(MODE_NEXT, self._target(target))
            case UntilPressedAgain(target):
                return _mode(MODE_LOCK, self._target(target))
            case Bottom(layer):
                return _mode(MODE_BOTTOM, self._layers[layer])
            case PointerPress(button):
                return self._press(Press(Usage(PAGE_BUTTON, button)))
            case PointerMove(direction):
                return _mode(MODE_POINTER, _DIRECTIONS.index(direction))
            case Wheel(direction):
                return _mode(MODE_POINTER, POINTER_WHEEL | _DIRECTIONS.index(direction))

    def _press(self, press: Press) -> int:
        usage, modifiers = press.usage, press.modifiers
        if not is_reportable(usage):
            raise ValueError(f"no report can say usage {usage.page:#04x}:{usage.id:#04x}")
        hands = {modifier >= FIRST_MODIFIER + 4 for modifier in modifiers}
        if usage.page == PAGE_KEYBOARD and len(hands) < 2:
            bits = sum(1 << (modifier - FIRST_MODIFIER) % 4 for modifier in modifiers)
            return KIND_KEY << KIND_SHIFT | (True in hands) << 12 | bits << 8 | usage.id
        return self._indexed(KIND_ACTION, self.actions, press)

    def _indexed(self, kind: int, rows: dict[_Row, int], row: _Row, name: str | None = None) -> int:
        number = rows.setdefault(row, len(rows))
        if number >= 1 << KIND_SHIFT:
            raise ValueError(f"tables hold {1 << KIND_SHIFT} different actions of a kind")
        if kind in self._texts and number == len(self._texts[kind]):
            self._texts[kind].append(name or self._text)
        return kind << KIND_SHIFT | number

    def _target(self, target: Target) -> int:
        return self._layers[target] if isinstance(target, str) else MODE_MODIFIERS | modifier_bits(target)

    def _held(self, target: Target) -> int:
        """The cell of what is on while held: a layer, or modifiers alone."""
        if isinstance(target, str):
            return self.cell(LayerHeld(target))
        *others, last = target
        return self.cell(Press(Usage(PAGE_KEYBOARD, last), tuple(others)))

    def _strokes(self, sequence: Sequence) -> tuple[int, ...]:
        strokes = []
        in_text = False
        for step in sequence.steps:
            if isinstance(step, Stroke):
                if step.in_text != in_text:
                    in_text = step.in_text
                    strokes.append(TEXT_BEGINS if in_text else TEXT_ENDS)
                strokes.append(self.cell(step.press))
                continue
            left_ms = -(-step.time_us // 1000)
            while left_ms:
                part_ms = min(left_ms, _PAUSE_MOST_MS)
                strokes.append(part_ms)
                left_ms -= part_ms
        if in_text:
            strokes.append(TEXT_ENDS)
        return (*strokes, STROKES_END)

    def second_reports(self) -> int:
        """What goes out on the second interface: KEYC_SECOND_..."""
        pages = {press.usage.page for press in self.actions} - {PAGE_KEYBOARD}
        if self._moves or PAGE_BUTTON in pages:
            return SECOND_POINTER
        return SECOND_CONTROLS if pages else SECOND_NONE

    @property
    def _moves(self) -> bool:
        return any(isinstance(action, PointerMove | Wheel) for action in self._known)

    def further(self, dials: tuple[DialRow, ...]) -> Further | None:
        """None for a keymap that uses nothing of it. After every cell has been asked for."""
        keyboard = self._keyboard
        numbers = {switch.name: number for number, switch in enumerate(keyboard.wiring.switches)}
        chords = tuple(
            ChordRow(
                tuple(numbers[name] for name in chord.members),
                self._layers[chord.layer],
                self.of(chord.cell),
            )
            for chord in keyboard.chords
        )
        whens = tuple(
            WhenRow(number, tuple(self._layers[name] for name in layer.when))
            for number, layer in enumerate(keyboard.layers)
            if layer.when
        )
        uses_modes = bool(whens) or any(
            isinstance(action, NextOnly | UntilPressedAgain | Bottom) for action in self._known
        )
        lights = tuple(
            LightRow(
                light.pin,
                light.lit_low,
                light.indicator or 0,
                0 if light.indicator else self._layers[light.name],
            )
            for light in keyboard.wiring.lights
        )
        parts = (chords, uses_modes, self._duals, self._taps, self._sequences, self._moves, dials, lights)
        if not any(parts):
            return None
        timing = keyboard.timing
        rules, rules_of = _numbered(
            timing.rules,
            [timing.rules_for.get(name, timing.rules) for name in numbers]
            + [timing.rules] * (2 * len(dials)),
        )
        strokes_many = sum(map(len, self._sequences))
        cells_many = sum(map(len, self._taps))
        if strokes_many > 0xFFFF or cells_many > 0xFFFF:
            raise ValueError("tables hold 65,535 strokes, and as many actions of `taps`")
        return Further(
            rules=rules,
            rules_of=rules_of,
            duals=tuple(self._duals),
            taps=tuple(self._taps),
            chords=chords,
            chord_sets=ChordSets.of(chords, len(numbers) + 2 * len(dials)),
            whens=whens,
            sequences=tuple(self._sequences),
            uses_modes=uses_modes,
            uses_pointer=self._moves,
            first_turn=len(numbers),
            dials=dials,
            lights=lights,
            texts={
                "duals": tuple(self._texts[KIND_DUAL]),
                "taps": tuple(self._texts[KIND_TAPS]),
                "sequences": tuple(self._texts[KIND_TYPING]),
            },
        )


def _numbered(general: _Row, of_switches: Iterable[_Row]) -> tuple[tuple[_Row, ...], tuple[int, ...] | None]:
    """The different rows, the general one first, and each switch's row by its number; None if all have
    the first."""
    numbers = {general: 0}
    row_of = tuple(numbers.setdefault(row, len(numbers)) for row in of_switches)
    return tuple(numbers), row_of if len(numbers) > 1 else None


def _mode(mode: int, of: int) -> int:
    return KIND_MODE << KIND_SHIFT | mode | of


def modifier_bits(modifiers: Iterable[int]) -> int:
    """Bit n for usage 0xE0 + n, as a report has them."""
    return sum(1 << (modifier - FIRST_MODIFIER) for modifier in modifiers)


def _switch_at(wiring: Wiring) -> tuple[tuple[int, ...], ...]:
    at = {}
    direct = []
    driven_are_columns = wiring.diodes is Diodes.CATHODE_TO_COLUMN
    for number, switch in enumerate(wiring.switches):
        if switch.direct is not None:
            direct.append(number)
        else:
            crossing = (switch.row, switch.column)
            at[crossing[::-1] if driven_are_columns else crossing] = number
    rows = [tuple(at.get((d, s), NO_SWITCH) for s in wiring.sensed) for d in wiring.driven]
    return (*rows, tuple(direct))


def fingerprints(keyboard: Keyboard) -> Fingerprints:
    """What a board's image says about itself, so that the bench knows what it has before it.

    `wiring` covers what is soldered (pins, switches, diodes), in whatever order the file says it;
    `keymap` what the keys do, as numbers, without any name or text; `engine` the C that ships.
    """
    return Fingerprints(
        _wiring_fingerprint(keyboard.wiring), _keymap_fingerprint(keyboard), engine_fingerprint()
    )


def _wiring_fingerprint(wiring: Wiring) -> str:
    return _digest(
        wiring.diodes.value,
        sorted(wiring.rows),
        sorted(wiring.columns),
        sorted((s.name, s.row, s.column, s.direct) for s in wiring.switches),
        sorted((light.pin, light.lit_low) for light in wiring.lights),
        sorted((dial.pin_a, dial.pin_b, dial.edges_per_detent) for dial in wiring.dials),
    )


def _keymap_fingerprint(keyboard: Keyboard) -> str:
    tables = tables_of(keyboard)
    return _digest(
        tables.cells,
        [(action.usage.page, action.usage.id, action.modifiers) for action in tables.actions],
        [(timing.debounce_us, timing.at_once) for timing in tables.timings],
        tables.timing_of,
        _further_without_text(tables.further),
    )


def _further_without_text(further: Further | None) -> Further | None:
    return further and further.replaced(sequences=tuple(map(_without_text, further.sequences)), texts={})


def rule_flags(rules: Rules) -> int:
    """`flags` of `struct keyc_rules`."""
    another = {None: 0, AnotherKey.TAPPED: 1, AnotherKey.PRESSED: 2}[rules.hold_if_another_key]
    return another | rules.next_twice_locks << 2


def _without_text(strokes: tuple[int, ...]) -> tuple[int, ...]:
    """What is typed in quotes stays out of a fingerprint: one could try passwords against it."""
    kept = []
    in_text = False
    for stroke in strokes:
        in_text = stroke == TEXT_BEGINS or (in_text and stroke != TEXT_ENDS)
        kept.append(TEXT_BEGINS if in_text else stroke)
    return tuple(kept)


def engine_fingerprint() -> str:
    """Of every C file that goes onto a board: its name and its bytes."""
    from keyc.files import shipped

    folders = [shipped("templates", "engine"), shipped("templates", "port", "rp2040")]
    files = sorted((path.name, path.read_bytes()) for folder in folders for path in folder.glob("*.[chS]"))
    return _digest(files)


def _digest(*parts: object) -> str:
    from hashlib import sha256

    return sha256(repr(parts).encode()).hexdigest()[:12]
