"""The checked keyboard: what a keymap file means once every mistake has been reported.

Frozen data, no I/O. `resolve.py` makes it from syntax; everything after the compiler's
front (tables, sheets, scenarios, the bench) reads only this.
Lengths are in key units (1 u = 19.05 mm), times in microseconds, pins are GPIO numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType

from keyc.record import Record
from keyc.source import Span

TEST_USB_ID = (0x1209, 0x0001)  # set aside for tests by pid.codes ("Test PID"; from memory)
TITLE_MOST = 126  # UTF-16 units of a USB string: a descriptor's length is a byte (USB 2.0, 9.6.7)


class Diodes(Enum):
    """Which way the matrix's diodes point, as the keymap file says it."""

    CATHODE_TO_ROW = "cathode-to-row"
    CATHODE_TO_COLUMN = "cathode-to-column"
    NONE = "none"


class Switch(Record):
    """One switch: in the matrix (row and column set) or straight to ground (direct set)."""

    name: str
    row: int | None
    column: int | None
    direct: int | None
    diode: str | None
    span: Span


class Light(Record):
    """An indicator that the host lights, or that shows whether a layer is on."""

    pin: int
    indicator: int | None  # usage id on the HID LED page (0x08); None: `name` is a layer
    name: str
    lit_low: bool
    span: Span


class Dial(Record):
    """`dial GPIO2 GPIO3 DIAL1`: an encoder of two contacts that close in turn."""

    name: str
    pin_a: int
    pin_b: int
    edges_per_detent: int
    span: Span


class Wiring(Record):
    """What is soldered to what. `switches` is in wiring order: that order numbers them in C."""

    diodes: Diodes
    rows: tuple[int, ...]
    columns: tuple[int, ...]
    switches: tuple[Switch, ...]
    lights: tuple[Light, ...] = ()
    dials: tuple[Dial, ...] = ()

    @property
    def driven(self) -> tuple[int, ...]:
        """Lines that a one-way scan drives low: the cathode side (rows where there is no diode)."""
        return self.columns if self.diodes is Diodes.CATHODE_TO_COLUMN else self.rows

    @property
    def sensed(self) -> tuple[int, ...]:
        return self.rows if self.diodes is Diodes.CATHODE_TO_COLUMN else self.columns

    @property
    def direct_pins(self) -> tuple[int, ...]:
        return tuple(s.direct for s in self.switches if s.direct is not None)


class Cap(Record):
    """A keycap: centre and size in key units, y downwards, rotation clockwise in degrees."""

    switch: str
    x_u: float
    y_u: float
    width_u: float
    height_u: float
    rotation_deg: float
    line: int  # which line of `shape` it stands on, from 0
    span: Span


class Usage(Record):
    """A HID usage: page and id, as in the USB HID Usage Tables."""

    page: int
    id: int


class Through(Record):
    """`..`: whatever lies beneath."""


class Off(Record):
    """`off`: nothing."""


class UsbBoot(Record):
    """`usb-boot`: restart into the chip's ROM mass-storage mode."""


class Press(Record):
    """A usage, with modifiers put around it.

    `modifiers` holds usage ids of page 7 (0xE0 to 0xE7) in ascending order. A bare modifier
    key is a Press whose usage is that modifier and whose `modifiers` is empty.
    """

    usage: Usage
    modifiers: tuple[int, ...] = ()


class LayerHeld(Record):
    """A layer's name alone: that layer is on while the switch is held."""

    layer: str


# What `next`, `lock` and the hold of a dual-role key turn on: a layer by its name, or modifiers by
# their usage ids of page 7, ascending.
Target = str | tuple[int, ...]


class TapOrHold(Record):
    """`tap/hold`: one thing when tapped, a layer or modifiers while held."""

    tap: Action
    hold: Target


class NextOnly(Record):
    """`next(x)`: for the next key only."""

    target: Target


class UntilPressedAgain(Record):
    """`lock(x)`: on until pressed again."""

    target: Target


class Bottom(Record):
    """`bottom(layer)`: that layer becomes the bottom of the stack."""

    layer: str


class ByTaps(Record):
    """`taps(A, B)`: the n-th action after n taps. Two or more, none of which waits itself."""

    actions: tuple[Action, ...]


class Stroke(Record):
    """One stroke of a sequence. In a text the host must see no modifiers but the press's own."""

    press: Press
    in_text: bool = False


class Pause(Record):
    time_us: int


class Sequence(Record):
    """Strokes and pauses, typed one after the other. A text in a cell has no name."""

    name: str | None
    steps: tuple[Stroke | Pause, ...]


class Typing(Record):
    """Types a sequence, once for a press."""

    sequence: Sequence


class Direction(Enum):
    """Where `pointer` and `wheel` go, as the keymap file says it."""

    LEFT = "left"
    RIGHT = "right"
    UP = "up"
    DOWN = "down"


class PointerMove(Record):
    """`pointer(left)`: the pointer moves that way while the key is held."""

    direction: Direction


class PointerPress(Record):
    """`pointer-press(1)`: a button of the HID Button page, 1 to 5, down while the key is held."""

    button: int


class Wheel(Record):
    """`wheel(up)`: the wheel turns that way while the key is held."""

    direction: Direction


Action = (
    Through
    | Off
    | UsbBoot
    | Press
    | LayerHeld
    | TapOrHold
    | NextOnly
    | UntilPressedAgain
    | Bottom
    | ByTaps
    | Typing
    | PointerMove
    | PointerPress
    | Wheel
)


class Cell(Record):
    """One key on one layer: what it does, as it was written, and what it types on the host."""

    action: Action
    text: str
    types: str | None
    span: Span


class Layer(Record):
    """`layer base { … }`, with a cell for every switch, `..` included."""

    name: str
    cells: Mapping[str, Cell]  # every switch has a cell, in wiring order
    span: Span
    when: tuple[str, ...] = ()  # on while all of these are


class Chord(Record):
    """`chord SW2 SW3 on base = …`: switches that together do something of their own."""

    members: tuple[str, ...]  # in wiring order
    layer: str
    cell: Cell
    span: Span


class DialTurn(Record):
    """`dial DIAL1 on base { … }`: what a detent each way does on a layer."""

    dial: str
    layer: str
    clockwise: Cell
    counter_clockwise: Cell
    span: Span


class Debounce(Record):
    """`debounce 5ms after-quiet`, or `at-once`."""

    time_us: int = 5000
    at_once: bool = False  # False: `after-quiet`


class AnotherKey(Enum):
    """What another key must have done meanwhile, for `hold-if another-key …`."""

    TAPPED = "tapped"
    PRESSED = "pressed"


class Rules(Record):
    """When a held key counts. A time of 0 stands for a rule that isn't given."""

    hold_after_us: int = 180_000
    chord_within_us: int = 40_000
    taps_within_us: int = 200_000
    hold_if_another_key: AnotherKey | None = None
    tap_if_typing_within_us: int = 0
    repeat_if_tapped_within_us: int = 0
    next_twice_locks: bool = False


class Timing(Record):
    """For all switches, and for those that have something of their own."""

    debounce: Debounce = Debounce()
    for_switch: Mapping[str, Debounce] = MappingProxyType({})
    rules: Rules = Rules()
    rules_for: Mapping[str, Rules] = MappingProxyType({})


class Tap(Record):
    """`tap SW2`: down, and up again after `time_us`."""

    switch: str
    time_us: int
    span: Span


class Down(Record):
    """`down SW2`."""

    switch: str
    span: Span


class Up(Record):
    """`up SW2`."""

    switch: str
    span: Span


class Wait(Record):
    """`wait 300ms`."""

    time_us: int
    span: Span


class Expect(Record):
    """`expect A Shift+B`: exactly these presses since the last one; () is `expect nothing`."""

    presses: tuple[Press, ...]
    texts: tuple[str, ...]
    nothing_held: bool
    span: Span


Step = Tap | Down | Up | Wait | Expect


class Scenario(Record):
    """`scenario "…" { … }`: what a press must bring, run on the engine before anything is built."""

    name: str
    steps: tuple[Step, ...]
    span: Span


class Keyboard(Record):
    """A checked keymap file: everything that the tables, the bench and the pictures are made of."""

    title: str
    stem: str  # the file's stem as a C word: lower case, [a-z0-9_], used in file names
    usb_vendor: int
    usb_product: int
    maker: str
    host_layout: str
    wiring: Wiring
    caps: tuple[Cap, ...]
    timing: Timing
    layers: tuple[Layer, ...]
    scenarios: tuple[Scenario, ...]
    span: Span
    chords: tuple[Chord, ...] = ()
    dials: tuple[DialTurn, ...] = ()
    bench_usb: tuple[int, int] | None = None  # vendor and product of the bench image, where it has its own
    trial_usb: tuple[int, int] | None = None
