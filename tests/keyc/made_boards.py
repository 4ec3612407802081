"""Boards made up for tests, their netlists as different PCB programs write them, and what is true of them.

Nothing here comes from `keyc`: the records follow the columns of the public application note on IPC-D-356A,
the habits were seen in real exporters' files, the pinouts are those of the RP2040 datasheet (as in test_pins)
and of the 40-pin module's data sheet (from memory). The keyboards are Quayside boards, which nobody built.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import cos, radians, sin


def _words(text: str) -> list[str]:
    return text.split()


CHIP = _words(
    """
    IOVDD GPIO0 GPIO1 GPIO2 GPIO3 GPIO4 GPIO5 GPIO6 GPIO7 IOVDD GPIO8 GPIO9 GPIO10 GPIO11
    GPIO12 GPIO13 GPIO14 GPIO15 TESTEN XIN XOUT IOVDD DVDD SWCLK SWD RUN GPIO16 GPIO17
    GPIO18 GPIO19 GPIO20 GPIO21 IOVDD GPIO22 GPIO23 GPIO24 GPIO25 GPIO26 GPIO27 GPIO28 GPIO29 IOVDD
    ADC_AVDD VREG_IN VREG_VOUT USB_DM USB_DP USB_VDD IOVDD DVDD QSPI_SD3 QSPI_SCLK QSPI_SD0 QSPI_SD2
    QSPI_SD1 QSPI_SS GND
    """
)
MODULE = _words(
    """
    GPIO0 GPIO1 GND GPIO2 GPIO3 GPIO4 GPIO5 GND GPIO6 GPIO7 GPIO8 GPIO9 GND GPIO10 GPIO11 GPIO12
    GPIO13 GND GPIO14 GPIO15
    GPIO16 GPIO17 GND GPIO18 GPIO19 GPIO20 GPIO21 GND GPIO22 RUN GPIO26 GPIO27 AGND GPIO28 ADC_VREF
    3V3 3V3_EN GND VSYS VBUS
    """
)
# Chip pins with RUN, TESTEN or a supply beside them on the same side of the package.
BESIDE_SUPPLY = {0, 7, 8, 15, 16, 21, 22, 29}

FAULTS = (
    "diode-reversed",
    "diode-reversed in-series",
    "diode-reversed array",
    "diode-package-differs",
    "diode-package-differs array",
    "diode-missing",
    "diode-not-connected",
    "diode-not-connected array",
    "switch-not-connected",
    "switches-at-one-position near",
    "switches-at-one-position far",
    "switches-too-close",
    "line-without-pin",
    "line-on-wrong-pin",
    "line-on-two-pins",
    "line-in-two-pieces",
    "line-on-another-circuit",
    "line-used-otherwise",
    "line-both-ways",
    "switch-on-two-lines",
    "dial-not-wired",
    "diode-direction-unknown",
    "diode-direction-unknown array",
    "pitch-unusual",
    "place-not-told",
    "netlist-end",
    "netlist-line-unreadable",
    "netlist-units",
)


@dataclass
class Pin:
    """A pin of a part: its net (None: unconnected), its pads as (x, y, hole, is plated) around the part."""

    net: str | None
    pads: list[tuple[float, float, float | None, bool]]


@dataclass
class MadePart:
    """A part at a place in mm (y downwards), turned clockwise."""

    name: str
    x: float
    y: float
    turn: float
    pins: dict[str, Pin]
    holes: list[tuple[float, float, float]] = field(default_factory=list)
    on_back: bool = False


@dataclass
class TrueKey:
    """What is true of a switch: its place in key units, its turn, its lines' nets, its diode."""

    name: str
    x: float
    y: float
    turn: float
    row: str
    column: str
    diode: str | None
    is_direct: bool = False


@dataclass
class Habits:
    """How an exporter writes."""

    units: str = "CUST 0"
    names: str = "plain"
    has_blanks: bool = False
    has_garbage: bool = False
    end: str = "\n"
    is_negative: bool = False
    unconnected: str = "N/C"
    designators: str = "fit"
    long_lines: bool = False


def chosen(random_: random.Random, *choices: str) -> str:
    return random_.choice(choices)


class MadeBoard:
    """A board from a seed. `fault` plants one of FAULTS; `expected` holds (code, part or None) for it."""

    def __init__(self, seed: int, fault: str | None = None) -> None:
        self.random = random.Random(seed)
        self.seed = seed
        self.fault = fault
        self.parts: list[MadePart] = []
        self.loose_holes: list[tuple[float, float, float]] = []
        self.keys: dict[str, TrueKey] = {}
        self.gpio: dict[str, int] = {}
        self.dials: dict[str, tuple[int, int]] = {}
        self.lights: list[tuple[int, bool]] = []
        self.expected: set[tuple[str, str | None]] = set()
        self.left_out: set[str] = set()  # switches that needn't be in the text
        self.moved: set[str] = set()  # nets whose GPIO isn't the one in `gpio` alone
        self.mangled: str | None = None
        self.wrong_units: str | None = None
        self.ends = True
        self.habits = self._habits()
        self.pitch = self.random.choice(
            [(19.05, 19.05), (19.05, 19.05), (19.0, 19.0), (18.0, 17.0), (17.0, 17.0)]
        )
        self.footprint = chosen(self.random, "plain", "plain", "hot-swap", "reversible", "flat")
        self.package = chosen(self.random, "chip", "chip", "module", "named", "map")
        self.diodes = chosen(self.random, "row", "row", "column", "none", "dual", "lettered")
        self.diode_at_row = self.random.random() < 0.6
        # How the pins of two diodes in a package are called: by number as in a SOT-23, or by letters.
        self.dual_pins = chosen(random.Random(seed + 2), "numbers", "numbers", "letters", "shared")
        if self.diodes == "dual" and self.dual_pins == "letters" and seed % 2:
            self.diodes = "all dual"
        # Arrays as in a SOT-363: two pairs with a common pin each, or three diodes of their own.
        more = random.Random(seed + 3)
        self.array = chosen(more, "pairs", "apart", "lettered pairs", "lettered apart")
        self.array_starts_at_line = more.random() < 0.5
        if more.random() < 0.3 and fault in (None, "netlist-end", "line-without-pin", "line-on-two-pins"):
            self.diodes = "array"
        # Some programs leave bare holes out of the file; then only pads tell where a switch is.
        self.has_holes = more.random() < 0.7
        if not self.has_holes and more.random() < 0.4:
            self.footprint = "own"
        if fault is not None:
            self._suit(fault)
        self._lay_out()
        self._wire()
        if fault is not None:
            self._plant(fault)
        self._note_beside_supply()

    def _habits(self) -> Habits:
        r = self.random
        return Habits(
            units=chosen(r, "CUST 0", "CUST", "CUST 1", "CUST 2", "SI"),
            names=chosen(r, "plain", "last", "suffix", "alias", "bare alias", "comment alias", "short alias"),
            has_blanks=r.random() < 0.4,
            has_garbage=r.random() < 0.4,
            end=chosen(r, "\n", "\r\n"),
            is_negative=r.random() < 0.4,
            unconnected=chosen(r, "N/C", "own net"),
            designators=chosen(r, "fit", "fit", "overflow", "shifted"),
            long_lines=r.random() < 0.3,
        )

    def _suit(self, fault: str) -> None:
        """What a board needs for a fault to be one."""
        if self.diodes == "all dual":
            self.diodes = "dual"
        needs_diodes = {"diode-reversed", "diode-missing", "diode-not-connected", "line-both-ways"}
        needs_diodes.add("switch-on-two-lines")
        if fault in needs_diodes and self.diodes in ("none", "dual"):
            self.diodes = "row"
        if fault == "line-in-two-pieces" and self.diodes == "dual":
            self.diodes = "row"
        if fault == "diode-reversed in-series":
            self.diodes = "row"
        if fault in ("diode-direction-unknown", "diode-package-differs"):
            self.diodes, self.dual_pins = "all dual", "numbers"
        if fault.endswith(" array"):
            self.diodes = "all array" if "unknown" in fault else "array"
            if "reversed" in fault:
                self.array = "lettered apart"
            elif "unknown" in fault:
                self.array = self.array.removeprefix("lettered ")
            elif "differs" in fault:
                self.array = "apart"
        if fault == "place-not-told":
            self.has_holes, self.footprint = False, "own"
        if fault == "line-on-wrong-pin" and self.package not in ("chip", "module"):
            self.package = "chip"
        if fault == "pitch-unusual":
            self.habits.units = chosen(self.random, "SI", "CUST 1")
        if fault == "netlist-units":
            self.habits.units = "CUST 0"

    # ---- where the keys are

    def _lay_out(self) -> None:
        r = self.random
        kind = chosen(r, "grid", "staggered", "columns", "thumbs", "halves")
        # Without neighbours that are turned by much nothing tells where a turned one is.
        self.is_all_one_way = self.fault == "place-not-told"
        if self.is_all_one_way:
            kind = "thumbs"
        elif self.footprint == "own":
            kind = chosen(r, "grid", "staggered")
        self.kind = kind
        self.caps: list[tuple[int, int, float, float, float]] = []  # row, column, x, y, turn
        if kind == "grid":
            rows, columns = r.randint(3, 5), r.randint(3, 12)
            split = r.choice([0, 0, columns // 2])
            for row in range(rows):
                for column in range(columns):
                    if r.random() < 0.95 or row < 3:
                        x = column + (1.5 if split and column >= split else 0)
                        self.caps.append((row, column, x + 0.5, row + 0.5, 0.0))
        elif kind == "staggered":
            # A letter block with its usual widths: 1.5, 1.75 and 2.25 u at the left, a space bar below.
            columns = r.randint(8, 11)
            top = r.choice([0.0, 0.0, 0.25, 0.5])
            for row, first in enumerate((1.0, 1.5, 1.75, 2.25)):
                y = row + 0.5 + (top if row else 0.0)
                self.caps.append((row, 0, first / 2, y, 0.0))
                self.caps += [(row, c, first + c - 0.5, y, 0.0) for c in range(1, columns)]
            y = 4.5 + top
            for column, x in enumerate((0.625, 1.875, 3.125, 6.875)):
                self.caps.append((4, column, x, y, 0.0))
        elif kind == "columns":
            columns = r.randint(4, 7)
            offsets = [r.choice([0.0, 0.1, 0.25, 0.35, 0.5]) for _ in range(columns)]
            offsets[0] = 0.0
            for row in range(3):
                self.caps += [(row, c, c + 0.5, row + 0.5 + offsets[c], 0.0) for c in range(columns)]
        elif kind == "thumbs":
            columns = r.randint(5, 6)
            for row in range(3):
                self.caps += [(row, c, c + 0.5, row + 0.5, 0.0) for c in range(columns)]
            turn = r.choice([10.0, 15.0, 22.5])
            for index in range(3):
                x, y = self._turned_u(index, 0.0, turn)
                self.caps.append((3, index, columns * 0.5 + x, 4.25 + y, turn))
        else:
            turn = r.choice([6.0, 10.0, 12.5])
            for row in range(3):
                for column in range(5):
                    x, y = self._turned_u(column - 4.0, row, turn)
                    self.caps.append((row, column, 5.0 + x, 1.5 + y, turn))
                    x, y = self._turned_u(4.0 - column, row, -turn)
                    self.caps.append((row, 9 - column, 7.5 + x, 1.5 + y, -turn))

    def _turned_u(self, x: float, y: float, turn: float) -> tuple[float, float]:
        """Turned on the board, where a unit across and one down needn't be the same length."""
        across, down = self.pitch
        x_mm, y_mm = _turned(x * across, y * down, turn)
        return x_mm / across, y_mm / down

    # ---- parts

    def _switch_part(
        self, name: str, x: float, y: float, turn: float, first: str | None, second: str | None
    ) -> MadePart:
        turned_over = turn + self.random.choice([0, 0, 0 if self.is_all_one_way else 180])
        if self.footprint == "own" and not self.is_all_one_way:
            turned_over = turn + (180 if len(self.keys) % 3 == 0 else 0)  # enough of both to tell
        p1: list[tuple[float, float, float | None, bool]]
        p2: list[tuple[float, float, float | None, bool]]
        holes = [(0.0, 0.0, 4.0), (-5.08, 0.0, 1.7), (5.08, 0.0, 1.7)]
        if self.footprint == "plain":
            p1, p2 = [(-3.81, -2.54, 1.5, True)], [(2.54, -5.08, 1.5, True)]
        elif self.footprint == "hot-swap":
            p1, p2 = [(-7.09, -2.54, None, True)], [(5.84, -5.08, None, True)]
            holes += [(-3.81, -2.54, 3.0), (2.54, -5.08, 3.0)]
        elif self.footprint == "reversible":
            p1 = [(-3.81, -2.54, 1.5, True), (3.81, -2.54, 1.5, True)]
            p2 = [(2.54, -5.08, 1.5, True), (-2.54, -5.08, 1.5, True)]
        elif self.footprint == "own":  # nobody's: only its neighbours tell where its centre is
            p1, p2 = [(-2.0, 4.4, 1.2, True)], [(5.2, 1.3, 1.2, True)]
        else:
            p1 = [(-3.25, -2.25, 1.0, True), (3.25, -2.25, 1.0, True)]
            p2 = [(-3.25, 2.25, 1.0, True), (3.25, 2.25, 1.0, True)]
            holes = []
        if not self.has_holes:
            holes = []
        return MadePart(
            name,
            x,
            y,
            turned_over,
            {"1": Pin(first, p1), "2": Pin(second, p2)},
            holes,
            self.footprint == "hot-swap",
        )

    def _two_pins(
        self, name: str, x: float, y: float, nets: Mapping[str, str | None], turn: float = 0.0
    ) -> MadePart:
        span = self.random.choice([1.65, 3.81])
        hole = None if span < 2 else 0.8
        pins = list(nets.items())
        return MadePart(
            name,
            x,
            y,
            turn,
            {
                pins[0][0]: Pin(pins[0][1], [(-span, 0, hole, True)]),
                pins[1][0]: Pin(pins[1][1], [(span, 0, hole, True)]),
            },
            on_back=hole is None,
        )

    def part(self, name: str) -> MadePart:
        return next(part for part in self.parts if part.name == name)

    def mm(self, x: float, y: float) -> tuple[float, float]:
        return x * self.pitch[0], y * self.pitch[1]

    def _wire(self) -> None:
        r = self.random
        rows = sorted({cap[0] for cap in self.caps})
        columns = sorted({cap[1] for cap in self.caps})
        prefix = chosen(r, "ROW", "R_", "/matrix/Row_line_", "Net-row")
        across = chosen(r, "COL", "K_", "/matrix/Column_line_", "Net-col")
        self.rows = [f"{prefix}{row}" for row in rows]
        self.columns = [f"{across}{column}" for column in columns]
        self._controller()
        switch = chosen(r, "SW", "SW", "K", "KEY", "S")
        if self.habits.designators != "fit":
            switch = "SWITCH_"
        self.switch_prefix = switch
        pending: tuple[str, str, str] | None = None
        self.in_arrays: list[tuple[str, str]] = []  # switches and the lines that their diodes lead to
        for number, (row, column, x, y, turn) in enumerate(self.caps, start=1):
            line, sense = self.rows[row], self.columns[column]
            if not self.diode_at_row:
                line, sense = sense, line
            name = f"{switch}{number}"
            place = self.mm(x, y)
            mid = f"Net-({name}-Pad2)"
            self.keys[name] = TrueKey(name, x, y, turn, self.rows[row], self.columns[column], None)
            if self.diodes == "none":
                self.parts.append(self._switch_part(name, *place, turn, self.rows[row], self.columns[column]))
                continue
            flip = r.random() < 0.3
            ends = (mid, sense) if flip else (sense, mid)
            self.parts.append(self._switch_part(name, *place, turn, *ends))
            dual = self.diodes == "all dual" or (self.diodes == "dual" and number % 7 in (1, 2))
            if dual and pending is not None and pending[0] == line:
                package = self.part(pending[1])
                package.pins[self._dual_names()[1]].net = mid
                self.keys[name].diode = self.keys[pending[2]].diode = package.name
                pending = None
                continue
            if self.diodes == "all array" or (self.diodes == "array" and number % 4):
                self.in_arrays.append((name, line))
                continue
            diode = f"D{number}"
            dx, dy = _turned(0.0, 7.2, turn)
            if dual:
                self.parts.append(self._package(diode, place[0] + dx, place[1] + dy, turn, mid, line))
                pending = (line, diode, name)
            else:
                wants_row = self.diodes != "column"
                cathode_on_line = wants_row == self.diode_at_row
                names = (
                    r.choice([("K", "A"), ("C", "A"), ("-", "+")])
                    if self.diodes == "lettered"
                    else ("1", "2")
                )
                nets = {
                    names[0]: line if cathode_on_line else mid,
                    names[1]: mid if cathode_on_line else line,
                }
                self.parts.append(self._two_pins(diode, place[0] + dx, place[1] + dy, nets, turn))
            self.keys[name].diode = diode
        self._arrays()
        self._extras()

    def _dual_names(self) -> tuple[str, str, str]:
        """What the pins of two diodes in a package are called, the common one last (SOT-23: number 3)."""
        if self.dual_pins == "numbers":
            return "1", "2", "3"
        apart, common = ("A", "K") if self.diode_at_row else ("K", "A")  # the cathodes are at the row
        return f"{apart}1", f"{apart}2", common if self.dual_pins == "letters" else "COM"

    def _package(self, name: str, x: float, y: float, turn: float, first: str, common: str) -> MadePart:
        """A package of two diodes, of which one is used."""
        nets = (first, None, common)
        places = ((-0.95, 1.0), (0.95, 1.0), (0.0, -1.0))
        pins = {
            pin: Pin(net, [(*place, None, True)])
            for pin, net, place in zip(self._dual_names(), nets, places, strict=True)
        }
        return MadePart(name, x, y, turn, pins, on_back=True)

    def _arrays(self) -> None:
        """Packages of six pins for the switches that get one (common practice: BAV70S, BAW56S, BAS16VY).

        Pairs: pins 1 and 2 share 6, 4 and 5 share 3. Apart: 1 and 6, 2 and 5, 3 and 4 belong together.
        """
        if self.array.endswith("apart"):
            groups = [[one] for one in self.in_arrays]
            ways: tuple[tuple[tuple[str, ...], str], ...] = (("1",), "6"), (("2",), "5"), (("3",), "4")
        else:
            by_line: dict[str, list[tuple[str, str]]] = {}
            for one in self.in_arrays:
                by_line.setdefault(one[1], []).append(one)
            groups = [found[i : i + 2] for found in by_line.values() for i in range(0, len(found), 2)]
            ways = (("1", "2"), "6"), (("4", "5"), "3")
        for at in range(0, len(groups), len(ways)):
            name = f"D{700 + at}"
            nets: dict[str, str | None] = dict.fromkeys("123456")
            for group, (own, common) in zip(groups[at : at + len(ways)], ways, strict=False):
                for (switch, line), pin in zip(group, own, strict=False):
                    mid = f"Net-({switch}-Pad2)"
                    ends = (line, mid) if self._is_turned_array() else (mid, line)
                    nets[pin], nets[common] = ends
                    self.keys[switch].diode = name
            pins = {
                self._array_pin(pin): Pin(net, [(float(pin), 0.0, None, True)]) for pin, net in nets.items()
            }
            x, y = self.mm(self.keys[groups[at][0][0]].x, self.keys[groups[at][0][0]].y)
            self.parts.append(MadePart(name, x, y + 7.2, 0.0, pins, on_back=True))

    def _is_turned_array(self) -> bool:
        """Whether pin 1 is at the line: only where each diode has two pins of its own."""
        return self.array.endswith("apart") and self.array_starts_at_line

    def _array_pin(self, pin: str) -> str:
        """A pin's number, or its letters: the cathodes are at the row."""
        if not self.array.startswith("lettered"):
            return pin
        at_switch, at_line = ("A", "K") if self.diode_at_row else ("K", "A")
        if self.array == "lettered pairs":
            return {
                "1": f"{at_switch}1",
                "2": f"{at_switch}2",
                "3": f"{at_line}34",
                "4": f"{at_switch}3",
                "5": f"{at_switch}4",
                "6": f"{at_line}12",
            }[pin]
        first, last = (at_line, at_switch) if self.array_starts_at_line else (at_switch, at_line)
        return f"{first}{pin}" if pin in "123" else f"{last}{7 - int(pin)}"

    def _controller(self) -> None:
        r = self.random
        names = CHIP if self.package == "chip" else MODULE
        gpios = [int(name[4:]) for name in names if re.fullmatch(r"GPIO\d+", name)]
        r.shuffle(gpios)
        self.free = gpios
        for net in (*self.rows, *self.columns):
            self.gpio[net] = self.free.pop()
        nets: dict[str, str | None] = {}
        for net, gpio in self.gpio.items():
            nets[f"GPIO{gpio}"] = net
        grounds = {"GND": "GND", "AGND": "GND", "TESTEN": "GND"}
        supply = dict.fromkeys(("IOVDD", "ADC_AVDD", "VREG_IN", "USB_VDD", "3V3"), "+3V3")
        core = {
            "DVDD": "+1V1",
            "VREG_VOUT": "+1V1",
            "RUN": "RUN",
            "QSPI_SS": "QSPI_SS",
            "VBUS": "+5V",
            "VSYS": "+5V",
        }
        core |= {"XIN": "XIN", "USB_DP": "D+"}
        known = {**grounds, **supply, **core, **nets}
        self.controller = "U1" if self.package != "module" else "MOD1"
        pins: dict[str, Pin] = {}
        for number, name in enumerate(names, start=1):
            label = str(number)
            if self.package == "named":
                label = {"GND": "GND", "AGND": "GND", "3V3": "3V3"}.get(name, name.replace("GPIO", "GP"))[:4]
            elif self.package == "map":
                label = f"P{number}"
            pad = (-30.0 + 2.54 * (number % 20), -40.0 - 17.78 * (number > 20), None, True)
            if label in pins:
                pins[label].pads.append(pad)
            elif known.get(name) is not None or r.random() < 0.9:
                pins[label] = Pin(known.get(name), [pad])
        self.pin_labels = {
            name: (
                str(n)
                if self.package in ("chip", "module")
                else f"P{n}"
                if self.package == "map"
                else name.replace("GPIO", "GP")[:4]
            )
            for n, name in enumerate(names, start=1)
        }
        self.pin_map = "".join(f"P{n} {name}\n" for n, name in enumerate(names, start=1))
        self.parts.append(MadePart(self.controller, 0.0, 0.0, 0.0, pins))
        for number, (one, other) in enumerate(
            (("+3V3", "GND"), ("+1V1", "GND"), ("+5V", "GND"), ("XIN", "GND")), 1
        ):
            self.parts.append(self._two_pins(f"C{number}", -10.0 * number, -20.0, {"1": one, "2": other}))
        self.parts.append(self._two_pins("R1", -60.0, -20.0, {"1": "RUN", "2": "+3V3"}))
        self.parts.append(self._two_pins("R2", -60.0, -25.0, {"1": "QSPI_SS", "2": "Net-(BOOT1-Pad1)"}))
        self.parts.append(self._two_pins("J1", -70.0, -25.0, {"1": "+5V", "2": "GND"}))
        self.parts.append(self._two_pins("J2", -70.0, -20.0, {"1": "D+", "2": "QSPI_SS"}))

    def pin_of(self, gpio: int) -> Pin:
        pins = self.part(self.controller).pins
        label = self.pin_labels[f"GPIO{gpio}"]
        return pins.setdefault(label, Pin(None, [(-35.0, -30.0, None, True)]))

    def take(self, net: str) -> int:
        """Gives a net a GPIO of its own."""
        gpio = self.free.pop()
        self.gpio[net] = gpio
        self.pin_of(gpio).net = net
        return gpio

    def _extras(self) -> None:
        """What a board has besides: a reset button, direct keys, a dial, lights, holes, test points."""
        r = self.random
        right = max(cap[2] for cap in self.caps) + 1.5
        self.parts.append(self._two_pins("SW901", -40.0, -30.0, {"1": "RUN", "2": "GND"}))
        self.parts.append(self._two_pins("SW902", -50.0, -30.0, {"1": "Net-(BOOT1-Pad1)", "2": "GND"}))
        self.parts.append(MadePart("TP1", -45.0, -30.0, 0.0, {"1": Pin(self.rows[0], [(0, 0, None, True)])}))
        if r.random() < 0.5 and len(self.free) > 6:
            name = f"{self.switch_prefix}{len(self.caps) + 1}"
            self.take("ALONE")
            self.parts.append(self._switch_part(name, *self.mm(right, 0.5), 0.0, "ALONE", "GND"))
            self.keys[name] = TrueKey(name, right, 0.5, 0.0, "ALONE", "", None, is_direct=True)
        if r.random() < 0.4 and len(self.free) > 6:
            pins = {
                "A": Pin("TURN_A", [(-2.5, 7.5, 1.0, True)]),
                "C": Pin("GND", [(0.0, 7.5, 1.0, True)]),
                "B": Pin("TURN_B", [(2.5, 7.5, 1.0, True)]),
            }
            self.dials["ENC1"] = (self.take("TURN_A"), self.take("TURN_B"))
            if r.random() < 0.6:
                self.take("PUSH")
                pins["S1"] = Pin("PUSH", [(-2.5, -7.0, 1.0, True)])
                pins["S2"] = Pin("GND", [(2.5, -7.0, 1.0, True)])
                self.keys["ENC1-push"] = TrueKey(
                    "ENC1-push", right, 2.0, 0.0, "PUSH", "", None, is_direct=True
                )
            # Its shaft is between its pads, 7.5 mm from one row and 7 mm from the other (common practice).
            x, y = self.mm(right, 2.0)
            self.parts.append(MadePart("ENC1", x, y, 0.0, pins))
            for number, net in enumerate(("TURN_A", "TURN_B"), start=5):
                self.parts.append(self._two_pins(f"C{number}", x + 20, y, {"1": net, "2": "GND"}))
                self.parts.append(self._two_pins(f"R{number}", x + 20, y, {"1": net, "2": "+3V3"}))
        if r.random() < 0.5 and len(self.free) > 4:
            is_low = r.random() < 0.5
            gpio = self.take("CAPS_LED")
            part = chosen(r, "LED1", "D901")
            far = "+3V3" if is_low else "GND"
            self.parts.append(self._two_pins("R9", -80.0, 0.0, {"1": "CAPS_LED", "2": "LEDMID"}))
            self.parts.append(self._two_pins(part, -80.0, 5.0, {"1": "LEDMID", "2": far}))
            self.lights.append((gpio, is_low))
        if self.footprint != "flat" and self.has_holes:
            self.loose_holes += [(*self.mm(-1.0, -0.6), 3.2), (*self.mm(right + 1.5, 4.0), 2.2)]

    # ---- what is wrong

    def _plant(self, fault: str) -> None:
        getattr(self, "_plant_" + re.sub(r"\W", "_", fault))()

    def _matrix_key(self, may_share: bool = False) -> TrueKey:
        """A key that is neither alone on its row nor on its column, without a package shared with another
        (`may_share`: or with one)."""
        rows = Counter(key.row for key in self.keys.values())
        columns = Counter(key.column for key in self.keys.values())
        shared = Counter(key.diode for key in self.keys.values() if key.diode)
        fitting = [
            key
            for key in self.keys.values()
            if not key.is_direct
            and rows[key.row] > 2
            and columns[key.column] > 2
            and (may_share or not key.diode or shared[key.diode] == 1)
        ]
        return self.random.choice(fitting)

    def _row_key_ends(self, key: TrueKey) -> tuple[Pin, Pin]:
        """The pins of a key's parts that are on its row and on its column."""
        parts = [self.part(key.name)] + ([self.part(key.diode)] if key.diode else [])
        pins = [pin for part in parts for pin in part.pins.values()]
        row = next(pin for pin in pins if pin.net == key.row)
        column = next(pin for pin in pins if pin.net == key.column)
        return row, column

    def _plant_diode_reversed(self) -> None:
        key = self._matrix_key()
        assert key.diode
        first, second = self.part(key.diode).pins.values()
        first.net, second.net = second.net, first.net
        self.expected.add(("diode-reversed", key.diode))

    def _plant_diode_reversed_in_series(self) -> None:
        """Half of a package of two in series (as a BAV99 holds), on the side where it points backwards."""
        key = self._matrix_key()
        assert key.diode
        line, mid = key.row, f"Net-({key.name}-Pad2)"
        near, unused = ("K", "A") if self.diode_at_row else ("A", "K")
        if not self.diode_at_row:
            line = key.column
        old = self.part(key.diode)
        self.parts.remove(old)
        pins = {
            near: Pin(mid, [(-0.95, 1.0, None, True)]),
            unused: Pin(None, [(0.95, 1.0, None, True)]),
            "AK": Pin(line, [(0.0, -1.0, None, True)]),
        }
        self.parts.append(MadePart(key.diode, old.x, old.y, 0.0, pins, on_back=True))
        self.expected.add(("diode-reversed", key.diode))

    def _plant_diode_package_differs(self) -> None:
        """One key gets a package of its own, whose common pin is at the key's other line."""
        key = self._matrix_key(may_share=True)
        mid = f"Net-({key.name}-Pad2)"
        line, sense = (key.row, key.column) if self.diode_at_row else (key.column, key.row)
        is_shared = sum(other.diode == key.diode for other in self.keys.values()) > 1
        for pin in self.part(key.diode or "").pins.values():
            if pin.net == mid or (pin.net == line and not is_shared):
                pin.net = None
        for pin in self.part(key.name).pins.values():
            pin.net = line if pin.net == sense else pin.net
        key.diode = f"D{len(self.caps) + 9}"
        x, y = self.mm(key.x, key.y)
        self.parts.append(self._package(key.diode, x, y + 7.2, 0.0, mid, sense))
        self.expected |= {("diode-package-differs", key.diode), ("diode-direction-unknown", None)}

    def _array_key(self) -> tuple[TrueKey, MadePart, list[Pin]]:
        """A key in an array whose lines have others, too; its package and its two pins, the switch's first.

        In a pair the second pin belongs to another key as well.
        """
        keys = [self.keys[name] for name, _ in self.in_arrays]
        key = self.random.choice(
            [key for key in keys if min(len(self._on_line(net)) for net in (key.row, key.column)) > 2]
        )
        package = self.part(key.diode or "")
        numbered = list(package.pins.values())  # pins 1 to 6
        apart = self.array.endswith("apart")
        mate = {at: 5 - at for at in range(6)} if apart else {0: 5, 1: 5, 3: 2, 4: 2}
        near = next(i for i, pin in enumerate(numbered) if pin.net == f"Net-({key.name}-Pad2)")
        return key, package, [numbered[near], numbered[mate[near]]]

    def _plant_diode_reversed_array(self) -> None:
        _, package, (near, far) = self._array_key()
        near.net, far.net = far.net, near.net
        self.expected.add(("diode-reversed", package.name))

    def _plant_diode_package_differs_array(self) -> None:
        """All of a package's diodes end for end: the same part, put in the other way round."""
        _, package, _ = self._array_key()
        numbered = list(package.pins.values())
        for one, other in zip(numbered[:3], numbered[:2:-1], strict=True):
            one.net, other.net = other.net, one.net
        self.expected.add(("diode-package-differs", package.name))

    def _plant_diode_not_connected_array(self) -> None:
        key, package, (_, far) = self._array_key()
        lost = far.net
        far.net = None
        self.expected.add(("diode-not-connected", package.name))
        numbered = list(package.pins.values())
        shared = {0: (1, 5), 1: (0, 5), 3: (4, 2), 4: (3, 2)}
        for name, line in self.in_arrays:
            is_mate = any(
                numbered[at].net == f"Net-({name}-Pad2)" and numbered[common] is far
                for at, (_, common) in shared.items()
            )
            if name == key.name or (line == lost and not self.array.endswith("apart") and is_mate):
                self.left_out.add(name)

    def _plant_diode_direction_unknown_array(self) -> None:
        self.expected.add(("diode-direction-unknown", None))

    def _plant_diode_missing(self) -> None:
        key = self._matrix_key()
        assert key.diode
        line = key.row if self.diode_at_row else key.column
        self.parts.remove(self.part(key.diode))
        for pin in self.part(key.name).pins.values():
            if pin.net and pin.net.endswith("-Pad2)"):
                pin.net = line
        key.diode = None
        self.expected.add(("diode-missing", key.name))

    def _plant_diode_not_connected(self) -> None:
        key = self._matrix_key()
        assert key.diode
        for pin in self.part(key.diode).pins.values():
            if pin.net in (key.row, key.column):
                pin.net = None
        self.expected.add(("diode-not-connected", key.diode))
        self.left_out.add(key.name)

    def _plant_switch_not_connected(self) -> None:
        key = self._matrix_key()
        pins = list(self.part(key.name).pins.values())
        pin = self.random.choice(pins)
        if pin.net and pin.net.endswith("-Pad2)") and key.diode:
            # The diode's pad on that net is alone then, too: one cause.
            for other in self.part(key.diode).pins.values():
                if other.net == pin.net:
                    other.net = None
        pin.net = None
        self.expected.add(("switch-not-connected", key.name))
        self.left_out.add(key.name)

    def _plant_switches_at_one_position_near(self) -> None:
        key = self._matrix_key()
        x, y = self.mm(key.x, key.y)
        part = self.part(key.name)
        copy = self._switch_part(
            f"{self.switch_prefix}{len(self.caps) + 7}", x + 7.0, y, key.turn, None, None
        )
        copy.holes = [(0.0, 0.0, 4.0)] if part.holes else []
        for label, pin in part.pins.items():
            copy.pins[label].net = pin.net
        if key.diode:
            other = f"D{len(self.caps) + 7}"
            mid = f"Net-({copy.name}-Pad2)"
            nets: dict[str, str | None] = {}
            for label, pin in self.part(key.diode).pins.items():
                nets[label] = mid if pin.net and pin.net.endswith("-Pad2)") else pin.net
            for pin in copy.pins.values():
                if pin.net and pin.net.endswith("-Pad2)"):
                    pin.net = mid
            if len(nets) == 2:
                self.parts.append(self._two_pins(other, x + 7.0, y + 9.0, nets))
            else:
                package = MadePart(
                    other,
                    x + 7.0,
                    y + 9.0,
                    0.0,
                    {k: Pin(n, [(i, 0, None, True)]) for i, (k, n) in enumerate(nets.items())},
                )
                self.parts.append(package)
        self.parts.append(copy)
        self.expected.add(("switches-at-one-position", key.name))

    def _plant_switches_at_one_position_far(self) -> None:
        key = self._matrix_key()
        row = [other for other in self.keys.values() if other.row == key.row and not other.is_direct]
        other = max(row, key=lambda other: abs(other.x - key.x))
        _, column = self._row_key_ends(key)
        column.net = other.column
        self.expected.add(("switches-at-one-position", None))
        self.left_out |= {key.name, other.name}  # one of the two

    def _plant_switches_too_close(self) -> None:
        key = self._matrix_key()
        row = next((r for r in self.rows if r != key.row), key.row)
        taken = {k.column for k in self.keys.values() if k.row == row}
        free = [column for column in self.columns if column not in taken]
        if free:
            column = free[0]
        else:
            column = "COLextra"
            self.take(column)
            self.columns.append(column)
        name = f"{self.switch_prefix}{len(self.caps) + 7}"
        x, y = self.mm(key.x, key.y)
        line, sense = (row, column) if self.diode_at_row else (column, row)
        mid = f"Net-({name}-Pad2)"
        if self.diodes == "none":
            part = self._switch_part(name, x + 6.0, y, key.turn, row, column)
        else:
            part = self._switch_part(name, x + 6.0, y, key.turn, sense, mid)
            cathode_on_line = (self.diodes != "column") == self.diode_at_row
            nets = {"1": line if cathode_on_line else mid, "2": mid if cathode_on_line else line}
            self.parts.append(self._two_pins(f"D{len(self.caps) + 7}", x + 6.0, y + 9.0, nets))
        part.holes = [(0.0, 0.0, 4.0)] if part.holes else []
        self.parts.append(part)
        self.expected.add(("switches-too-close", None))
        self.left_out |= {key.name, name}

    def _line(self) -> str:
        """A line with several keys, on which no key stands alone on its other line."""
        key = self._matrix_key()
        return self.random.choice([key.row, key.column])

    def _on_line(self, net: str) -> set[str]:
        return {key.name for key in self.keys.values() if net in (key.row, key.column)}

    def _plant_line_without_pin(self) -> None:
        # A whole column: no other line can be taken for the rest of it.
        net = self._matrix_key().column
        self.pin_of(self.gpio[net]).net = None
        self.expected.add(("line-without-pin", None))
        self.left_out |= self._on_line(net)

    def _plant_line_on_wrong_pin(self) -> None:
        net = self._line()
        self.pin_of(self.gpio[net]).net = None
        wrong = self.random.choice(["SWCLK", "USB_DM"] if self.package == "chip" else ["3V3_EN", "ADC_VREF"])
        label = self.pin_labels[wrong]
        pins = self.part(self.controller).pins
        pins[label] = Pin(net, [(-35.0, -33.0, None, True)])
        self.expected.add(("line-on-wrong-pin", self.controller))
        self.left_out |= self._on_line(net)

    def _plant_line_on_two_pins(self) -> None:
        net = self._line()
        second = self.free.pop()
        self.pin_of(second).net = net
        self.moved.add(net)
        self.expected.add(("line-on-two-pins", self.controller))

    def _plant_line_in_two_pieces(self) -> None:
        key = self._matrix_key()
        members = [one for one in self.keys.values() if one.row == key.row]
        packages = Counter(one.diode for one in members if one.diode)
        alone = [one for one in members if packages.get(one.diode or "", 1) == 1]
        lost = alone[len(alone) // 2 :] if len(alone) > 3 else alone[-2:]
        for one in lost:
            row, _ = self._row_key_ends(one)
            row.net = key.row + "B"
        self.expected.add(("line-in-two-pieces", None))
        self.left_out |= {one.name for one in lost}

    def _plant_line_on_another_circuit(self) -> None:
        columns = [c for c in self.columns if len(self._on_line(c)) > 1][: min(3, len(self.columns) - 2)]
        pins = {str(n): Pin(None, [(-90.0, 2.0 * n, None, True)]) for n in range(1, 17)}
        for number, net in enumerate(columns, start=1):
            self.pin_of(self.gpio[net]).net = None
            pins[str(number)].net = net
            self.left_out |= self._on_line(net)
        pins["8"].net, pins["16"].net = "GND", "+3V3"
        self.parts.append(MadePart("U2", 0.0, 0.0, 0.0, pins))
        self.expected.add(("line-on-another-circuit", "U2"))

    def _plant_line_used_otherwise(self) -> None:
        net = self._line()
        name = chosen(self.random, "Q1", "C77", "U7", "J7")
        self.parts.append(self._two_pins(name, -55.0, 40.0, {"1": net, "2": "GND"}))
        self.expected.add(("line-used-otherwise", name))

    def _plant_line_both_ways(self) -> None:
        key = self._matrix_key()
        row = next(row for row in self.rows if row != key.row and len(self._on_line(row)) > 2)
        _, column = self._row_key_ends(key)
        column.net = row
        self.expected.add(("line-both-ways", key.name))
        self.left_out.add(key.name)

    def _plant_switch_on_two_lines(self) -> None:
        key = self._matrix_key()
        line = key.row if self.diode_at_row else key.column
        lines = self.rows if self.diode_at_row else self.columns
        other = next(net for net in lines if net != line and len(self._on_line(net)) > 2)
        x, y = self.mm(key.x, key.y)
        mid = f"Net-({key.name}-Pad2)"
        self.parts.append(self._two_pins("D96", x + 3.0, y + 7.2, {"1": other, "2": mid}))
        self.expected.add(("switch-on-two-lines", None))
        self.left_out.add(key.name)

    def _plant_dial_not_wired(self) -> None:
        if not self.dials:
            pins = {
                "A": Pin("TURN_A", [(-2.5, 7.5, 1.0, True)]),
                "C": Pin("GND", [(0.0, 7.5, 1.0, True)]),
                "B": Pin("TURN_B", [(2.5, 7.5, 1.0, True)]),
            }
            self.parts.append(MadePart("ENC1", -60.0, 60.0, 0.0, pins))
            self.dials["ENC1"] = (self.take("TURN_A"), self.take("TURN_B"))
        self.part("ENC1").pins["B"].net = None
        self.dials = {}
        self.expected.add(("dial-not-wired", "ENC1"))

    def _plant_diode_direction_unknown(self) -> None:
        self.expected.add(("diode-direction-unknown", None))

    def _plant_place_not_told(self) -> None:
        self.expected.add(("place-not-told", None))

    def _plant_pitch_unusual(self) -> None:
        self.wrong_units = "CUST 0"
        self.expected.add(("pitch-unusual", None))
        self.left_out |= set(self.keys)  # the small holes of a socket look like large ones then

    def _plant_netlist_end(self) -> None:
        self.ends = False
        self.expected.add(("netlist-end", None))

    def _plant_netlist_units(self) -> None:
        self.wrong_units = ""
        self.expected.add(("netlist-units", None))

    def _plant_netlist_line_unreadable(self) -> None:
        self.mangled = "J1"
        self.expected.add(("netlist-line-unreadable", None))

    def _note_beside_supply(self) -> None:
        """The GPIOs beside a supply pin that a line still reaches."""
        labels = {label: name for name, label in self.pin_labels.items()}
        reached = {
            int(labels[label][4:])
            for label, pin in self.part(self.controller).pins.items()
            if pin.net in (*self.rows, *self.columns) and re.fullmatch(r"GPIO\d+", labels.get(label, ""))
        }
        self.near_supply = reached & BESIDE_SUPPLY if self.package == "chip" else set()

    # ---- the file

    def netlist(self) -> str:
        return "".join(line + self.habits.end for line in _Writer(self).lines())

    def pads(self) -> list[tuple[str, str, str | None, float, float]]:
        """Every pad as (part, pin, net, x, y) in mm, y upwards, as the file counts."""
        return list(_Writer(self).true_pads())


def _turned(x: float, y: float, turn: float) -> tuple[float, float]:
    c, s = cos(radians(turn)), sin(radians(turn))
    return x * c - y * s, x * s + y * c


class _Writer:
    def __init__(self, board: MadeBoard) -> None:
        self.board = board
        self.habits = board.habits
        self.random = random.Random(board.seed + 1)
        self.words: dict[str, str] = {}
        self.aliases: list[str] = []
        self.lonely = 0
        self.up = 0.0 if board.habits.is_negative else 250.0
        for net in dict.fromkeys(pin.net for part in board.parts for pin in part.pins.values() if pin.net):
            self.words[net] = self._word(net)

    def _word(self, net: str) -> str:
        """A net's name as this exporter writes it."""
        number = len(self.words)
        style = self.habits.names
        if style == "plain":
            return net if len(net) <= 14 and net.isascii() else f"N${number}"
        if style == "suffix":
            return f"{net[-9:]}{{{number}}}"
        if style == "last":
            word = re.sub(r"[^A-Z0-9_+/-]", "?", net.upper())[-14:]
            copy = 1
            while word in self.words.values():
                word = f"{word[:11]}#{copy}"
                copy += 1
            return word
        word = {
            "alias": f"NNAME{number:05d}",
            "bare alias": f"{number:05d}",
            "comment alias": f"m{number:04d}",
            "short alias": f"NNAME{number + 1}",
        }[style]
        head = "C" if style == "comment alias" else "P"
        self.aliases.append(f"{head}  NNAME{word.removeprefix('NNAME')} {net}_AND_A_LONG_NAME")
        return word

    def true_pads(self) -> list[tuple[str, str, str | None, float, float]]:
        found = []
        for part in self.board.parts:
            for label, pin in part.pins.items():
                for x, y, _, _ in pin.pads:
                    dx, dy = _turned(x, y, part.turn)
                    found.append((part.name, label, pin.net, part.x + dx, self.up - part.y - dy))
        return found

    def lines(self) -> list[str]:
        board, habits = self.board, self.habits
        lines = ["C  Quayside test netlist", "P  JOB   QUAYSIDE"]
        units = habits.units if board.wrong_units is None else board.wrong_units
        if units:
            lines.append(f"P  UNITS {units}")
        lines += ["P  DIM   N", *self.aliases]
        records = []
        for part in board.parts:
            for label, pin in part.pins.items():
                for pad in pin.pads:
                    record = self._record(part, label, pin, pad)
                    records.append(
                        "317" + record[3:20] if part.name == board.mangled and label == "1" else record
                    )
            for x, y, hole in part.holes:
                dx, dy = _turned(x, y, part.turn)
                records.append(
                    self._line("367", "N/C", part.name, "", part.x + dx, part.y + dy, hole, False, "00")
                )
        for x, y, hole in board.loose_holes:
            records.append(self._line("367", "N/C", "", "", x, y, hole, False, "00"))
        for _ in range(5):
            x, y = self.random.uniform(0, 200), self.random.uniform(0, 80)
            records.append(
                self._line("317", next(iter(self.words.values())), "VIA", "", x, y, 0.3, True, "00")
            )
        self.random.shuffle(records)
        lines += records
        lines += ["378" + "GND".ljust(14) + " L01 X0010 X+001000Y+001000", "078 X+002000Y+002000"]
        return [*lines, "999"] if board.ends else lines

    def _record(
        self, part: MadePart, label: str, pin: Pin, pad: tuple[float, float, float | None, bool]
    ) -> str:
        x, y, hole, plated = pad
        dx, dy = _turned(x, y, part.turn)
        if pin.net is not None:
            word = self.words[pin.net]
        elif self.habits.unconnected == "N/C":
            word = "N/C"
        else:
            self.lonely += 1
            word = f"ONECTED-({self.lonely}"
        kind = "317" if hole is not None else "327"
        access = "00" if hole is not None else "02" if part.on_back else "01"
        return self._line(kind, word, part.name, label, part.x + dx, part.y + dy, hole, plated, access)

    def _line(
        self,
        kind: str,
        net: str,
        part: str,
        pin: str,
        x: float,
        y: float,
        hole: float | None,
        plated: bool,
        access: str,
    ) -> str:
        habits = self.habits
        scale = 0.00254 if habits.units in ("CUST 0", "CUST", "CUST 2") else 0.001
        head = f"{kind}{net:<14.14}   "
        if len(part) > 6 and habits.designators == "overflow":
            named = f"{part}-{pin}".ljust(11)[:11]
        elif len(part) > 6 and habits.designators == "shifted":
            named = f"{part}-{pin:<4.4}"
        else:
            named = f"{part:<6.6}-{pin:<4.4}"
        drilled = f"D{round(hole / scale):04d}{'P' if plated else 'U'}" if hole is not None else "      "
        place = self._number("X", round(x / scale), 6) + self._number("Y", round((self.up - y) / scale), 6)
        line = f"{head}{named} {drilled}A{access}{place}X0600Y0000R000"
        if habits.has_garbage:
            line += " S0" + self.random.choice(["", " junk 77", "   317", "-X1Y1"])
        if habits.long_lines:
            line = line.ljust(83)
        return line

    def _number(self, letter: str, value: int, digits: int) -> str:
        sign = "-" if value < 0 else self.random.choice(["+", " "]) if self.habits.has_blanks else "+"
        fill = ">" if self.habits.has_blanks else "0>"
        return f"{letter}{sign}{abs(value):{fill}{digits}d}"
