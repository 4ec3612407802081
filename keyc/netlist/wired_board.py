"""A keyboard as its netlist says that it is wired: keys, lines and their pins, diodes, dials, lights.

Data only: `traced.py` finds it in a circuit, `findings.py` says what is wrong with it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from keyc.keyboard import Diodes
from keyc.netlist.circuit import Circuit, Part
from keyc.netlist.controllers import Controller


class Side(Enum):
    """Which of a key's two lines: the one written as its row, or as its column."""

    ROW = "row"
    COLUMN = "column"

    @property
    def other(self) -> Side:
        return Side.COLUMN if self is Side.ROW else Side.ROW


@dataclass(frozen=True, eq=False, slots=True)
class Contact:
    """Something that closes when it is pressed: a switch, or a dial's push switch. Its ends are nets.

    An end is None where nothing is joined to it.
    """

    name: str
    part: Part
    ends: tuple[str | None, str | None]
    pins: tuple[str, ...]

    def pin_on(self, net: str | None) -> str:
        return next((pin for pin in self.pins if self.part.nets.get(pin) == net), self.pins[0])


@dataclass(frozen=True, eq=False, slots=True)
class Diode:
    """A diode of a key: its part, the pins at the switch and at the line, the line's net.

    `cathode_at_line` is None where the file can't tell. `unknown_pin` is the one that would tell it then, if
    one knew whether it is a cathode or an anode; `is_common`: several diodes of its package share it.
    """

    part: Part
    switch_pin: str
    line_pin: str
    line: str | None
    cathode_at_line: bool | None
    unknown_pin: str | None = None
    is_common: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class Key:
    """A switch of the matrix. `twins` close the same two lines, each beside this one."""

    contact: Contact
    diode: Diode | None
    row: str | None
    column: str | None
    cathode: Side | None
    twins: tuple[Key, ...] = ()

    @property
    def name(self) -> str:
        return self.contact.name

    def line(self, side: Side) -> str | None:
        return self.row if side is Side.ROW else self.column

    @property
    def cathode_if_known(self) -> Side | None:
        """Where the cathode is if the diode's `unknown_pin` is one; None if there is no such pin."""
        if self.diode is None or self.diode.line is None or self.diode.unknown_pin is None:
            return None
        at_line = Side.ROW if self.diode.line == self.row else Side.COLUMN
        return at_line if self.diode.unknown_pin == self.diode.line_pin else at_line.other


@dataclass(frozen=True, eq=False, slots=True)
class Line:
    """A net of the matrix: its keys, the GPIOs and the other pins of the controller that it reaches.

    `middle_mm` is the middle of its keys, y upwards.
    """

    net: str
    side: Side
    keys: tuple[Key, ...]
    middle_mm: tuple[float, float]
    gpios: tuple[int, ...]
    other_pins: tuple[str, ...]

    @property
    def gpio(self) -> int | None:
        return self.gpios[0] if self.gpios else None


@dataclass(frozen=True, eq=False, slots=True)
class DirectKey:
    contact: Contact
    net: str
    gpio: int


@dataclass(frozen=True, eq=False, slots=True)
class DialPart:
    part: Part
    gpios: tuple[int | None, int | None]


@dataclass(frozen=True, eq=False, slots=True)
class ForkedSwitch:
    """A switch whose diodes lead from its pad on to several lines."""

    contact: Contact
    lines: tuple[str, ...]
    pads: tuple[tuple[Part, str], ...]  # the diodes' pins at these lines


@dataclass(frozen=True, eq=False, slots=True)
class LightPart:
    part: Part
    net: str
    gpio: int
    lit_low: bool


@dataclass(frozen=True, eq=False, slots=True)
class Board:
    """What a netlist says about a keyboard.

    `loose` are switches with an end that nothing is joined to; `odd` are keys whose lines are rows and
    columns at once; `forked` lead to several lines; `others` close something that is no key, such as RUN;
    `foreign` belong to another controller.
    `pointing` is which way the diodes are taken to point, `turned` the keys that point the other way.
    """

    circuit: Circuit
    controller: Controller
    ground: str | None
    keys: tuple[Key, ...]
    lines: Mapping[str, Line]
    directs: tuple[DirectKey, ...]
    dials: tuple[DialPart, ...]
    lights: tuple[LightPart, ...]
    loose: tuple[Contact, ...]
    odd: tuple[Key, ...]
    forked: tuple[ForkedSwitch, ...]
    others: tuple[Contact, ...]
    foreign: tuple[Contact, ...]
    pointing: Diodes
    is_pointing_guessed: bool
    turned: tuple[Key, ...]

    @property
    def contacts(self) -> list[Contact]:
        """What closes a position of the matrix, or a pin of its own."""
        return [*(key.contact for key in self.keys), *(direct.contact for direct in self.directs)]

    def lines_of(self, side: Side) -> list[Line]:
        """The lines of one side in the order of their keys' places: from the top, or from the left."""
        return sorted(
            (line for line in self.lines.values() if line.side is side),
            key=lambda line: -line.middle_mm[1] if side is Side.ROW else line.middle_mm[0],
        )

    def gpio(self, net: str | None) -> int | None:
        line = self.lines.get(net) if net is not None else None
        return line.gpio if line else None

    def is_whole(self, key: Key) -> bool:
        """Whether both of a key's lines reach a GPIO of the controller, so that it can be written down."""
        return self.gpio(key.row) is not None and self.gpio(key.column) is not None

    def net_name(self, net: str) -> str:
        return self.circuit.netlist.net_name(net)


def natural(name: str) -> list[tuple[int, str]]:
    """A key that sorts D2 before D10."""
    return [(int(word), "") if word.isdecimal() else (-1, word) for word in re.split(r"(\d+)", name)]
