"""Keyboard → tables: actions become cells, and what cells refer to is numbered."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import TypeVar

from keyc.keyboard import (
    Action,
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
from keyc.table_rows import (
    CELL_BENEATH,
    CELL_OFF,
    CELL_USB_BOOT,
    KIND_ACTION,
    KIND_DUAL,
    KIND_KEY,
    KIND_LAYER,
    KIND_MODE,
    KIND_SHIFT,
    KIND_TAPS,
    KIND_TYPING,
    MODE_BOTTOM,
    MODE_LOCK,
    MODE_MODIFIERS,
    MODE_NEXT,
    MODE_POINTER,
    NO_SWITCH,
    POINTER_WHEEL,
    SECOND_CONTROLS,
    SECOND_NONE,
    SECOND_POINTER,
    STROKES_END,
    TEXT_BEGINS,
    TEXT_ENDS,
    ChordRow,
    ChordSets,
    DialRow,
    DualRow,
    Further,
    LightRow,
    Tables,
    TimingRow,
    WhenRow,
    modifier_bits,
)
from keyc.usages import BUTTON_PAGE, FIRST_MODIFIER, KEYBOARD_PAGE, is_reportable

_DIRECTIONS = (Direction.LEFT, Direction.RIGHT, Direction.UP, Direction.DOWN)
_PAUSE_MOST_MS = (1 << KIND_SHIFT) - 1

_Row = TypeVar("_Row", bound=Hashable)


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
                return self._press(Press(Usage(BUTTON_PAGE, button)))
            case PointerMove(direction):
                return _mode(MODE_POINTER, _DIRECTIONS.index(direction))
            case Wheel(direction):
                return _mode(MODE_POINTER, POINTER_WHEEL | _DIRECTIONS.index(direction))

    def _press(self, press: Press) -> int:
        usage, modifiers = press.usage, press.modifiers
        if not is_reportable(usage):
            raise ValueError(f"no report can say usage {usage.page:#04x}:{usage.id:#04x}")
        hands = {modifier >= FIRST_MODIFIER + 4 for modifier in modifiers}
        if usage.page == KEYBOARD_PAGE and len(hands) < 2:
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
        return self.cell(Press(Usage(KEYBOARD_PAGE, last), tuple(others)))

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
        pages = {press.usage.page for press in self.actions} - {KEYBOARD_PAGE}
        if self._moves or BUTTON_PAGE in pages:
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
