"""The checked keyboard: what a keymap file means once every mistake has been reported.

Frozen data, no I/O. `resolve.py` makes it from syntax; everything after the compiler's
front (tables, sheets, scenarios, the bench) reads only this.
Lengths are in key units (1 u = 19.05 mm), times in microseconds, pins are GPIO numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from keyc.source import Span


class Diodes(Enum):
    """Which way the matrix's diodes point, as the keymap file says it."""

    CATHODE_TO_ROW = "cathode-to-row"
    CATHODE_TO_COLUMN = "cathode-to-column"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Switch:
    """One switch: in the matrix (row and column set) or straight to ground (direct set)."""

    name: str
    row: int | None
    column: int | None
    direct: int | None
    diode: str | None
    span: Span


@dataclass(frozen=True, slots=True)
class Light:
    pin: int
    indicator: int  # usage id on the HID LED page (0x08)
    name: str
    lit_low: bool
    span: Span


@dataclass(frozen=True, slots=True)
class Dial:
    name: str
    pin_a: int
    pin_b: int
    edges_per_detent: int
    span: Span


@dataclass(frozen=True, slots=True)
class Wiring:
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


@dataclass(frozen=True, slots=True)
class Cap:
    """A keycap: centre and size in key units, y downwards, rotation clockwise in degrees."""

    switch: str
    x_u: float
    y_u: float
    width_u: float
    height_u: float
    rotation_deg: float
    line: int  # which line of `shape` it stands on, from 0
    span: Span


@dataclass(frozen=True, slots=True)
class Usage:
    """A HID usage: page and id, as in the USB HID Usage Tables."""

    page: int
    id: int


@dataclass(frozen=True, slots=True)
class Through:
    """`..`: whatever lies beneath."""


@dataclass(frozen=True, slots=True)
class Off:
    """`off`: nothing."""


@dataclass(frozen=True, slots=True)
class UsbBoot:
    """`usb-boot`: restart into the chip's ROM mass-storage mode."""


@dataclass(frozen=True, slots=True)
class Press:
    """A usage, with modifiers put around it.

    `modifiers` holds usage ids of page 7 (0xE0 to 0xE7) in ascending order. A bare modifier
    key is a Press whose usage is that modifier and whose `modifiers` is empty.
    """

    usage: Usage
    modifiers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class LayerHeld:
    """A layer's name alone: that layer is on while the switch is held."""

    layer: str


Action = Through | Off | UsbBoot | Press | LayerHeld


@dataclass(frozen=True, slots=True)
class Cell:
    """One key on one layer: what it does, as it was written, and what it types on the host."""

    action: Action
    text: str
    types: str | None
    span: Span


@dataclass(frozen=True, slots=True)
class Layer:
    name: str
    cells: Mapping[str, Cell]  # every switch has a cell, in wiring order
    span: Span


@dataclass(frozen=True, slots=True)
class Debounce:
    time_us: int = 5000
    at_once: bool = False  # False: `after-quiet`


@dataclass(frozen=True, slots=True)
class Timing:
    debounce: Debounce = Debounce()
    for_switch: Mapping[str, Debounce] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tap:
    switch: str
    time_us: int
    span: Span


@dataclass(frozen=True, slots=True)
class Down:
    switch: str
    span: Span


@dataclass(frozen=True, slots=True)
class Up:
    switch: str
    span: Span


@dataclass(frozen=True, slots=True)
class Wait:
    time_us: int
    span: Span


@dataclass(frozen=True, slots=True)
class Expect:
    """`expect A Shift+B`: exactly these presses since the last one; () is `expect nothing`."""

    presses: tuple[Press, ...]
    texts: tuple[str, ...]
    nothing_held: bool
    span: Span


Step = Tap | Down | Up | Wait | Expect


@dataclass(frozen=True, slots=True)
class Scenario:
    name: str
    steps: tuple[Step, ...]
    span: Span


@dataclass(frozen=True, slots=True)
class Keyboard:
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
