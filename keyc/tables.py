"""Keyboard → plain integers: exactly what `struct keyc_tables` of `keyc_engine.h` holds.

Lines are GPIO numbers, times microseconds. Switches have the numbers of their wiring order.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from keyc.keyboard import (
    Action,
    Debounce,
    Diodes,
    Keyboard,
    LayerHeld,
    Off,
    Press,
    Through,
    Usage,
    UsbBoot,
    Wiring,
)

TABLES_VERSION = 1
NO_SWITCH = 0xFF

KIND_SHIFT = 13
KIND_KEY = 1
KIND_ACTION = 2
KIND_LAYER = 3
CELL_BENEATH = 0
CELL_OFF = 1
CELL_USB_BOOT = 2

PAGE_DESKTOP = 0x01
PAGE_KEYBOARD = 0x07
PAGE_CONSUMER = 0x0C
FIRST_MODIFIER = 0xE0
LAST_MODIFIER = 0xE7

# Sizes on the chip, where a pointer has four bytes; a test compares them with what the compiler says.
_TABLES_BYTES = 40
_ACTION_BYTES = 6
_TIMING_BYTES = 8
_STATE_BYTES = 560
_SLOT_BYTES = 8

# What one report can say: the system controls of the desktop page, keys and modifiers without the
# error codes, consumer usages (USB HID Usage Tables, pages 0x01, 0x07 and 0x0C).
_REPORTABLE = {
    PAGE_DESKTOP: range(0x81, 0xB8),
    PAGE_KEYBOARD: range(0x04, LAST_MODIFIER + 1),
    PAGE_CONSUMER: range(0x01, 0x1000),  # up to what the report descriptor declares
}


@dataclass(frozen=True, slots=True)
class TimingRow:
    debounce_us: int
    at_once: bool


@dataclass(frozen=True)
class Tables:
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
    uses_second_interface: bool

    @property
    def switch_count(self) -> int:
        return len(self.cells[0])

    @property
    def layer_count(self) -> int:
        return len(self.cells)

    @cached_property
    def flash_bytes(self) -> int:
        """Bytes of all tables on the chip."""
        bytes_each = (self.driven, self.sensed, self.direct, self.timing_of or (), *self.switch_at)
        return (
            _TABLES_BYTES
            + sum(map(len, bytes_each))
            + 2 * self.layer_count * self.switch_count
            + _ACTION_BYTES * len(self.actions)
            + _TIMING_BYTES * len(self.timings)
        )

    @property
    def state_bytes(self) -> int:
        """Bytes of the engine's state on the chip: KEYC_KEYBOARD_BYTES."""
        return _STATE_BYTES + _SLOT_BYTES * self.switch_count


@dataclass(frozen=True, slots=True)
class Fingerprints:
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
    actions: dict[Press, int] = {}
    layer_numbers = {layer.name: number for number, layer in enumerate(keyboard.layers)}
    known: dict[Action, int] = {}
    cells = []
    for layer in keyboard.layers:
        row = []
        of_switch = layer.cells
        for switch in switches:
            action = of_switch[switch.name].action
            cell = known.get(action)
            if cell is None:
                cell = known[action] = _cell(action, layer_numbers, actions)
            row.append(cell)
        cells.append(tuple(row))
    timings, timing_of = _timings(keyboard)
    return Tables(
        driven=wiring.driven,
        sensed=wiring.sensed,
        direct=wiring.direct_pins,
        switch_at=_switch_at(wiring),
        cells=tuple(cells),
        actions=tuple(actions),
        timings=timings,
        timing_of=timing_of,
        uses_second_interface=any(
            isinstance(action, Press) and action.usage.page != PAGE_KEYBOARD for action in known
        ),
    )


def _cell(action: Action, layer_numbers: dict[str, int], actions: dict[Press, int]) -> int:
    match action:
        case Through():
            return CELL_BENEATH
        case Off():
            return CELL_OFF
        case UsbBoot():
            return CELL_USB_BOOT
        case LayerHeld(layer):
            return KIND_LAYER << KIND_SHIFT | layer_numbers[layer]
        case Press(usage, modifiers):
            if not is_reportable(usage):
                raise ValueError(f"no report can say usage {usage.page:#04x}:{usage.id:#04x}")
            hands = {modifier >= FIRST_MODIFIER + 4 for modifier in modifiers}
            if usage.page == PAGE_KEYBOARD and len(hands) < 2:
                bits = sum(1 << (modifier - FIRST_MODIFIER) % 4 for modifier in modifiers)
                return KIND_KEY << KIND_SHIFT | (True in hands) << 12 | bits << 8 | usage.id
            number = actions.setdefault(action, len(actions))
            if number >= 1 << KIND_SHIFT:
                raise ValueError(f"tables hold {1 << KIND_SHIFT} different actions")
            return KIND_ACTION << KIND_SHIFT | number


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


def _timings(keyboard: Keyboard) -> tuple[tuple[TimingRow, ...], tuple[int, ...] | None]:
    timing = keyboard.timing
    numbers: dict[Debounce, int] = {timing.debounce: 0}
    timing_of = tuple(
        numbers.setdefault(timing.for_switch.get(switch.name, timing.debounce), len(numbers))
        for switch in keyboard.wiring.switches
    )
    rows = tuple(TimingRow(debounce.time_us, debounce.at_once) for debounce in numbers)
    return rows, timing_of if len(rows) > 1 else None


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
    )


def engine_fingerprint() -> str:
    """Of every C file that goes onto a board: its name and its bytes."""
    from keyc.files import shipped

    folders = [shipped("templates", "engine"), shipped("templates", "port", "rp2040")]
    files = sorted((path.name, path.read_bytes()) for folder in folders for path in folder.glob("*.[chS]"))
    return _digest(files)


def _digest(*parts: object) -> str:
    from hashlib import sha256

    return sha256(repr(parts).encode()).hexdigest()[:12]
