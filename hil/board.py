"""The electrical model: lines, switches, diodes and faults, and from them which lines read low.

A board is a graph over pieces of copper. A chip pin is soldered to its pad, the pad leads into the
line's track, the track may be cut, switches join tracks to the node between switch and diode, and a
diode lets current through in one direction at the price of one drop. A line that is pulled up reads

* low       when current from it reaches the driven line (or ground) over one diode drop at most,
* undefined when it gets there over two drops or more, an indicator's LED, or 10-200 kOhm of flux,
* high      when it doesn't get there, or through more than 200 kOhm.

(0.5 V a drop at the pull-up's 50 uA; low below 0.8 V, high above 2.0 V: RP2040 data sheet, section
"Pin specifications", from memory.) What small leaks let through on their way out of one line adds up; a good
diode lets nanoamperes through against its direction, hot ones a few microamperes (1N4148 data sheets, from
memory), which is 1 MOhm and more: a dozen of them on one line have to be held down to matter.

Everything that looks at a matrix - the C on this computer, the emulated chip, the tests - takes its readings
from here.

Masks hold GPIO0-29: bit n is GPIOn. Times are microseconds.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Switch, Wiring

GPIO_COUNT = 30
ALL_PINS = (1 << GPIO_COUNT) - 1

# What a line's rise is made of: typical values, from memory. 65 kOhm is the middle of 50-80 kOhm.
_PULL_UP_OHM = 65_000
_SUPPLY_V = 3.3
_SMALLEST_LEAK_S = 1 / 200_000  # what lets less than this through reads as nothing
_RISE_TIME_CONSTANTS = 0.932  # ln(3.3 V / (3.3 V - 2.0 V)): from ground to the input's high threshold
_PIN_PF, _PAD_PF, _TRACK_PF, _SWITCH_PF = 5.0, 5.0, 20.0, 1.5

_KEPT_TABLES = 4_096

_RAILS_HIGH = frozenset({"3V3", "IOVDD", "ADC_AVDD", "VREG_IN", "USB_VDD"})
_RAILS_LOW = frozenset({"GND", "TESTEN"})  # TESTEN is tied to ground on every board
_RAILS_BETWEEN = frozenset({"DVDD", "VREG_VOUT"})  # 1.1 V: neither low nor high
_PULLED_UP = frozenset({"RUN", "SWCLK", "SWD"})
_OTHER_COPPER = _RAILS_HIGH | _RAILS_LOW | _RAILS_BETWEEN | _PULLED_UP

USB_SOCKET = "USB"  # what `drops` names when the board itself goes away
EVERY_DIODE = "diodes"  # what `reversed` names when the file's `diodes` line is the wrong way round
_ONE_SWITCH = ("open", "closed", "reversed", "shorted")
_ONE_LINE = ("open", "low", "high")
_FORMS = {
    "open": "open SW7, open GPIO2, or open DIAL1 (its middle pin)",
    "closed": "closed SW7",
    "reversed": "reversed SW7, or reversed diodes (every one)",
    "shorted": "shorted SW7",
    "drops": "drops SW7, drops GPIO3, drops USB, or drops SW7 20%",
    "bounces": "bounces SW7 6ms, or bounces SW7 6ms 20%",
    "sticks": "sticks SW7, or sticks SW7 20%",
    "cut": "cut GPIO2 after SW3",
    "bridge": "bridge GPIO3 GPIO4, bridge SW7 SW8, or bridge GPIO16 RUN",
    "low": "low GPIO5",
    "high": "high GPIO5",
    "leaky": "leaky GPIO3 GPIO4 47k",
    "leaks": "leaks SW7 2uA, or leaks diodes 2uA (every one): against the diode's direction, at 3.3 V",
    "slow": "slow GPIO3 300pF",
    "swapped": "swapped GPIO2 GPIO3, or swapped SW7 SW8",
    "moved": "moved SW7 GPIO8 GPIO3 (from the anode's line to the cathode's), or moved SW7 GPIO9 GND",
    "detents": "detents DIAL1 2 (edges from one detent to the next)",
    "no-flash": "no-flash",
    "no-usb": "no-usb",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault: its word, what it concerns (`SW7`, `GPIO3`, `RUN`), and how much (`47k`)."""

    kind: str
    where: tuple[str, ...]
    amount: str | None = None

    def __str__(self) -> str:
        if self.kind == "cut":
            return f"cut {self.where[0]} after {self.where[1]}"
        return " ".join((self.kind, *self.where, *((self.amount,) if self.amount else ())))


@dataclass(frozen=True, slots=True)
class Reading:
    """Which lines read low, and which may read either way. A line is never in both masks."""

    low: int
    undefined: int = 0

    def __or__(self, other: Reading) -> Reading:
        low = self.low | other.low
        return Reading(low, (self.undefined | other.undefined) & ~low)


@dataclass(frozen=True, slots=True)
class Table:
    """Everything a chip can read of one state of the board.

    `at_rest`      nothing driven, every line pulled up
    `pulled_down`  nothing driven, every line pulled down
    `driven[p]`    GPIOp driven low, the others pulled up; GPIOp itself is in it unless it is held high
    `held_high`    pins that can't be pulled low: a supply holds them
    `rise_us[p]`   how long GPIOp stays low after whatever pulled it down has let go
    `resets`       pins that pull the chip's RUN low when driven; all 30: it is low all the time
    `raises`       per light's pin the lines that read high while it is driven high, the others pulled down;
                   it is among them unless ground holds it
    """

    at_rest: Reading
    pulled_down: Reading
    driven: tuple[Reading, ...]
    held_high: int
    rise_us: tuple[int, ...]
    resets: int = 0
    raises: tuple[tuple[int, int], ...] = ()

    def resolved(self, seed: int) -> Table:
        """The same table with every undefined reading decided.

        Seed 0 reads them all high, 1 all low; any other seed decides each by itself, repeatably.
        """
        rows = (self.at_rest, self.pulled_down, *self.driven)
        if not any(row.undefined for row in rows):
            return self
        at_rest, pulled_down, *driven = (
            row.low | row.undefined & _chosen(seed, n) for n, row in enumerate(rows)
        )
        # A line that reads low with nothing driven doesn't read high because something is.
        driven = [low | row.undefined & at_rest for low, row in zip(driven, self.driven, strict=True)]
        return replace(
            self,
            at_rest=Reading(at_rest),
            pulled_down=Reading(pulled_down),
            driven=tuple(Reading(low) for low in driven),
        )


def _chosen(seed: int, row: int) -> int:
    """A mask of the undefined readings that a seed takes as low."""
    if seed in (0, 1):
        return ALL_PINS * seed
    from random import Random

    return Random(seed * 64 + row).getrandbits(GPIO_COUNT)


def gpio_of(name: str) -> int | None:
    """The number in `GPIO4` or `GP4`; None when that is no pin of the chip."""
    match = re.fullmatch(r"(?:GPIO|GP)([0-9]{1,2})", name, re.IGNORECASE)
    return int(match[1]) if match and int(match[1]) < GPIO_COUNT else None


def parse_fault(text: str, wiring: Wiring) -> Fault:
    """A fault as a person writes it: `bridge GPIO3 GPIO4`. Raises UserError with the mend."""
    words = text.split()
    kind = words[0].lower() if words else ""
    if kind not in _FORMS:
        known = ", ".join(_FORMS)
        raise UserError(
            f"“{text}” isn't a fault that can be planted", f"start with one of: {known}", exit_status=2
        )
    switches = {switch.name: switch for switch in wiring.switches}
    dials = {dial.name for dial in wiring.dials}

    def mistake(what: str, mend: str | None = None) -> UserError:
        return UserError(
            f"fault “{text}”: {what}", mend or f"write it like this: {_FORMS[kind]}", exit_status=2
        )

    def a_switch(word: str) -> Switch:
        if word not in switches:
            from difflib import get_close_matches

            near = get_close_matches(word, switches, n=3) or list(switches)[:3]
            raise mistake(
                f"this keyboard has no switch {word}", "name a switch of the wiring: " + ", ".join(near)
            )
        return switches[word]

    def a_pin(word: str) -> str:
        gpio = gpio_of(word)
        if gpio is None:
            raise mistake(f"{word} is no pin; the chip has GPIO0 to GPIO{GPIO_COUNT - 1}")
        return f"GPIO{gpio}"

    def with_diode(word: str) -> str:
        switch = a_switch(word)
        if switch.direct is not None:
            raise mistake(
                f"{word} goes straight from its pin to ground, so it has no diode", "name another switch"
            )
        if wiring.diodes is Diodes.NONE:
            raise mistake("this keyboard has no diodes", "`bridge` takes two lines: bridge GPIO3 GPIO4")
        return switch.name

    def two_different(a: str, b: str) -> tuple[str, str]:
        if a == b:
            raise mistake(f"it names {a} twice", "name two different ones")
        return a, b

    names = words[1:]
    if kind in ("no-flash", "no-usb"):
        if names:
            raise mistake("nothing follows this word")
        return Fault(kind, ())
    if kind == "open" and len(names) == 1 and names[0] in dials:
        return Fault(kind, (names[0],))
    if kind == "detents" and len(names) == 2:
        if names[0] not in dials:
            known = ", ".join(sorted(dials)) or "it has none"
            raise mistake(f"this keyboard has no dial {names[0]}", f"its dials: {known}")
        if names[1] not in ("1", "2", "4"):
            raise mistake(f"a dial has 1, 2 or 4 edges from one detent to the next, not {names[1]}")
        return Fault(kind, (names[0],), names[1])
    if len(names) == 1 and kind in _ONE_LINE and (kind != "open" or names[0] not in switches):
        if kind == "open" and gpio_of(names[0]) is None:
            a_switch(names[0])
        return Fault(kind, (a_pin(names[0]),))
    if kind == "reversed" and names == [EVERY_DIODE]:
        if wiring.diodes is Diodes.NONE:
            raise mistake("this keyboard has no diodes", "name another fault")
        return Fault(kind, (EVERY_DIODE,))
    if kind == "moved" and len(names) == 3:
        cathode = "GND" if names[2].upper() == "GND" else a_pin(names[2])
        return Fault(kind, (a_switch(names[0]).name, *two_different(a_pin(names[1]), cathode)))
    if len(names) == 1 and kind in _ONE_SWITCH:
        name = with_diode(names[0]) if kind in ("reversed", "shorted") else a_switch(names[0]).name
        return Fault(kind, (name,))
    if kind in ("drops", "sticks") and len(names) in (1, 2):
        if len(names) == 2 and percent_of(names[1]) is None:
            raise mistake(f"{names[1]} is no share of presses")
        if kind == "sticks":
            return Fault(kind, (a_switch(names[0]).name,), names[1] if len(names) == 2 else None)
        where = names[0] if names[0] in switches or gpio_of(names[0]) is None else a_pin(names[0])
        if gpio_of(where) is None and where != USB_SOCKET:
            a_switch(where)
        return Fault(kind, (where,), names[1] if len(names) == 2 else None)
    if kind == "bounces" and len(names) in (2, 3):
        if _microseconds(names[1]) is None:
            raise mistake(f"{names[1]} is no time")
        if len(names) == 3 and percent_of(names[2]) is None:
            raise mistake(f"{names[2]} is no share of presses")
        return Fault(kind, (a_switch(names[0]).name,), " ".join(names[1:]))
    if kind == "cut" and len(names) == 3 and names[1] == "after":
        pin, switch = a_pin(names[0]), a_switch(names[2])
        line = [each.name for each in _on_line(wiring, int(pin[4:]))]
        if switch.name not in line:
            raise mistake(
                f"{switch.name} isn't on {pin}", f"on {pin} are: {', '.join(line) or 'no switches'}"
            )
        if switch.name == line[-1]:
            raise mistake(f"nothing lies after {switch.name} on {pin}", "name an earlier switch")
        return Fault(kind, (pin, switch.name))
    if kind == "bridge" and len(names) == 2:
        if names[0] in switches:
            return Fault(kind, two_different(with_diode(names[0]), with_diode(names[1])))
        other = names[1].upper()
        if other in _OTHER_COPPER:
            return Fault(kind, (a_pin(names[0]), other))
        if gpio_of(names[1]) is None:
            known = ", ".join(sorted(_OTHER_COPPER))
            raise mistake(f"{names[1]} is nothing that a line can touch", f"name a GPIO or one of: {known}")
        return Fault(kind, two_different(a_pin(names[0]), a_pin(names[1])))
    if kind == "leaky" and len(names) == 3:
        ohms = _ohms(names[2])
        if ohms is None:
            raise mistake(f"{names[2]} is no resistance")
        if not 10_000 <= ohms <= 200_000:
            raise mistake(
                f"{names[2]} is outside 10k to 200k: less acts as a bridge, more as nothing",
                "write a value from 10k to 200k, or use `bridge`",
            )
        return Fault(kind, two_different(a_pin(names[0]), a_pin(names[1])), names[2])
    if kind == "leaks" and len(names) == 2:
        microamperes = _microamperes(names[1])
        if microamperes is None:
            raise mistake(f"{names[1]} is no current")
        if microamperes > 300:
            raise mistake(f"{names[1]} is more than a diode leaks", "write 300uA at most, or use `shorted`")
        every = names[0] == EVERY_DIODE and wiring.diodes is not Diodes.NONE
        return Fault(kind, (EVERY_DIODE if every else with_diode(names[0]),), names[1])
    if kind == "slow" and len(names) == 2:
        if _picofarads(names[1]) is None:
            raise mistake(f"{names[1]} is no capacitance")
        return Fault(kind, (a_pin(names[0]),), names[1])
    if kind == "swapped" and len(names) == 2:
        if names[0] in switches:
            return Fault(kind, two_different(a_switch(names[0]).name, a_switch(names[1]).name))
        if gpio_of(names[0]) is None:
            a_switch(names[0])
        return Fault(kind, two_different(a_pin(names[0]), a_pin(names[1])))
    raise mistake("something is missing or too much")


def dial_contacts(name: str) -> tuple[str, str]:
    """What a dial's two contacts are called; no switch can have such a name."""
    return f"{name}.A", f"{name}.B"


def duration_us(text: str) -> int:
    """Microseconds in `6ms`, `800us` or `1s`. Raises UserError."""
    time_us = _microseconds(text)
    if time_us is None:
        raise UserError(f"“{text}” is no time", "write a number and its unit as one word: 6ms", exit_status=2)
    return time_us


def percent_of(text: str) -> float | None:
    """The share in `20%`; None where that is none."""
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)%", text)
    return float(match[1]) / 100 if match and float(match[1]) <= 100 else None


def _microseconds(text: str) -> int | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(us|ms|s)", text)
    return round(float(match[1]) * {"us": 1, "ms": 1_000, "s": 1_000_000}[match[2]]) if match else None


def _ohms(text: str) -> float | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(k|M)?", text)
    return float(match[1]) * {None: 1, "k": 1e3, "M": 1e6}[match[2]] if match else None


def _microamperes(text: str) -> float | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(nA|uA)", text)
    return float(match[1]) * (0.001 if match[2] == "nA" else 1) if match else None


def _picofarads(text: str) -> float | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(pF|nF)", text)
    return float(match[1]) * (1 if match[2] == "pF" else 1000) if match else None


def _on_line(wiring: Wiring, gpio: int) -> list[Switch]:
    """The switches along a line's track, the chip's end first: the wiring's order."""
    return [s for s in wiring.switches if gpio in (s.row, s.column, s.direct)]


class _Copper:
    """Pieces of copper, numbered; joined ones are one net (a disjoint-set forest)."""

    __slots__ = ("parent",)

    def __init__(self, parent: list[int] | None = None) -> None:
        self.parent = parent if parent is not None else []

    def piece(self) -> int:
        self.parent.append(len(self.parent))
        return len(self.parent) - 1

    def net(self, piece: int) -> int:
        parent = self.parent
        while parent[piece] != piece:
            parent[piece] = piece = parent[parent[piece]]
        return piece

    def join(self, a: int, b: int) -> None:
        self.parent[self.net(a)] = self.net(b)

    def settle(self) -> None:
        """Every piece points at its net, so that asking is one step."""
        self.parent = [self.net(piece) for piece in range(len(self.parent))]

    def copy(self) -> _Copper:
        return _Copper(self.parent.copy())


@dataclass(frozen=True, slots=True)
class _Contact:
    """A switch as soldered: closing joins `a` and `b`; the diode leads from `anode` to `cathode`."""

    a: int
    b: int
    anode: int | None = None
    cathode: int | None = None


class Board:
    """One keyboard's copper with its faults. `table` says what reads low for a set of closed switches.

    Faults keep to the place in the matrix that the wiring gives a switch's name; `swapped SW7 SW8`
    lets the finger on SW7 close SW8's place. What happens in time (`drops`, `bounces`, `sticks`) and
    to the whole board (`no-flash`, `no-usb`) is kept in `faults` for the virtual board.
    """

    def __init__(self, wiring: Wiring, faults: Iterable[Fault] = ()) -> None:
        self.wiring = wiring
        self.faults = tuple(faults)
        self._tables: dict[frozenset[str], Table] = {}
        planted: dict[str, set[str]] = {}
        for fault in self.faults:
            planted.setdefault(fault.kind, set()).update(fault.where)
        copper = self._copper = _Copper()
        self._ground, self._supply, self._between, self._run, self._debug = (copper.piece() for _ in range(5))
        self._pins = [copper.piece() for _ in range(GPIO_COUNT)]
        self._pads = [copper.piece() for _ in range(GPIO_COUNT)]
        self._capacitance = dict.fromkeys(self._pins, _PIN_PF) | dict.fromkeys(self._pads, _PAD_PF)
        self._leaks: list[tuple[int, int]] = []
        self._one_way_leaks: list[tuple[int, int]] = []
        self._leaking_diodes = self._let_through()
        self._heads, self._seats = self._tracks()
        self._starts = self._heads.copy()
        for fault in self.faults:
            if fault.kind == "swapped" and gpio_of(fault.where[0]) is not None:
                one, other = (int(word[4:]) for word in fault.where)
                self._starts[one], self._starts[other] = self._starts[other], self._starts[one]
        for gpio, (pin, pad) in enumerate(zip(self._pins, self._pads, strict=True)):
            if f"GPIO{gpio}" not in planted.get("open", ()):
                copper.join(pin, pad)
            copper.join(pad, self._starts[gpio])
        self._contacts = {s.name: self._soldered(s, planted) for s in wiring.switches}
        self._dials(planted)
        self._indicators()
        for fault in self.faults:
            self._plant(fault)
        self._place = {name: name for name in self._contacts}
        for fault in self.faults:
            if fault.kind == "swapped" and fault.where[0] in self._place:
                a, b = fault.where
                self._place[a], self._place[b] = self._place[b], self._place[a]
        self._always_closed = frozenset(planted.get("closed", ()))
        # Nodes between switch and diode that touch one another conduct without any switch closed.
        self._touching = frozenset(
            name for f in self.faults if f.kind == "bridge" for name in f.where if name in self._contacts
        )
        copper.settle()
        farads: dict[int, float] = {}
        for piece, picofarads in self._capacitance.items():
            at = copper.net(piece)
            farads[at] = farads.get(at, 0.0) + picofarads * 1e-12
        self._farads = farads  # per net while nothing is pressed
        if copper.net(self._ground) == copper.net(self._supply):
            raise UserError(
                "these faults together tie the supply to ground: such a board doesn't start",
                "plant only one of them",
                exit_status=2,
            )

    def table(self, closed: frozenset[str] = frozenset()) -> Table:
        """What reads low while these contacts are closed: names of switches, and `dial_contacts`. Cached."""
        known = self._tables.get(closed)
        if known is None:
            if len(self._tables) >= _KEPT_TABLES:
                self._tables.clear()
            known = self._tables[closed] = self._computed(closed)
        return known

    def lit_by(self, gpio: int, *, high: bool = False) -> frozenset[int]:
        """The pins of the lights that glow while this GPIO is driven: low, those that are wired to the
        supply; `high`, those that are wired to ground."""
        pin, net = self._pins[gpio], self._copper.net
        kept_dark = net(self._ground if high else self._supply)
        return frozenset(
            light.pin
            for light in self.wiring.lights
            if light.lit_low is not high and net(self._pads[light.pin]) == net(pin) != kept_dark
        )

    def lit_us(self, low_us: Sequence[float], high_us: Sequence[float]) -> dict[int, int]:
        """Per light's pin how long it was lit, given how long each GPIO was driven low, and high."""
        found = {light.pin: 0.0 for light in self.wiring.lights}
        for high, driven_us in ((False, low_us), (True, high_us)):
            for gpio, us in enumerate(driven_us):
                for pin in self.lit_by(gpio, high=high) if us else ():
                    found[pin] += us
        return {pin: round(us) for pin, us in found.items()}

    # -- building the copper -----------------------------------------------------------------------

    def _tracks(self) -> tuple[list[int], dict[tuple[int, str], int]]:
        """Per line of the wiring its track's first piece; per line and switch the piece it sits on."""
        heads: list[int] = []
        seats: dict[tuple[int, str], int] = {}
        cuts = {fault.where for fault in self.faults if fault.kind == "cut"}
        lines: list[list[Switch]] = [[] for _ in range(GPIO_COUNT)]
        for switch in self.wiring.switches:
            for pin in dict.fromkeys((switch.row, switch.column, switch.direct)):
                if pin is not None:
                    lines[pin].append(switch)
        for gpio, line in enumerate(lines):
            piece = self._copper.piece()
            heads.append(piece)
            self._capacitance[piece] = _TRACK_PF if line else 0.0
            for switch in line:
                seats[gpio, switch.name] = piece
                self._capacitance[piece] += _SWITCH_PF
                if (f"GPIO{gpio}", switch.name) in cuts:
                    piece = self._copper.piece()
                    self._capacitance[piece] = 0.0
        return heads, seats

    def _soldered(self, switch: Switch, planted: dict[str, set[str]]) -> _Contact:
        """The switch with its diode, which sits between the switch and the cathode's line."""
        is_open = switch.name in planted.get("open", ())
        anode_line, cathode_line = self._lines_of(switch)
        if self.wiring.diodes is Diodes.NONE or cathode_line == self._ground:
            return _Contact(anode_line, anode_line if is_open else cathode_line)
        between = self._copper.piece()
        entry = between if is_open else anode_line
        if switch.name in planted.get("shorted", ()):
            self._copper.join(between, cathode_line)
            return _Contact(entry, between)
        turned = planted.get("reversed", set())
        if (switch.name in turned) != (EVERY_DIODE in turned):
            return _Contact(entry, between, cathode_line, between)
        return _Contact(entry, between, between, cathode_line)

    def _lines_of(self, switch: Switch) -> tuple[int, int]:
        """The copper that the switch leads from, and that its diode leads to (to ground: no diode)."""
        for fault in self.faults:
            if fault.kind == "moved" and fault.where[0] == switch.name:
                anode, cathode = fault.where[1:]
                end = self._ground if cathode == "GND" else self._heads[int(cathode[4:])]
                return self._heads[int(anode[4:])], end
        if switch.direct is not None:
            return self._seats[switch.direct, switch.name], self._ground
        assert switch.row is not None
        assert switch.column is not None
        row, column = self._seats[switch.row, switch.name], self._seats[switch.column, switch.name]
        return (row, column) if self.wiring.diodes is Diodes.CATHODE_TO_COLUMN else (column, row)

    def _let_through(self) -> dict[str, float]:
        """What each leaking diode lets through against its direction, in siemens."""
        named = {fault.where[0]: fault.amount for fault in self.faults if fault.kind == "leaks"}
        every = named.pop(EVERY_DIODE, None)
        amounts = dict.fromkeys((switch.name for switch in self.wiring.switches), every) if every else {}
        found: dict[str, float] = {}
        for name, amount in (amounts | named).items():
            found[name] = (_microamperes(amount or "") or 0.0) * 1e-6 / _SUPPLY_V
        return found

    def _dials(self, planted: dict[str, set[str]]) -> None:
        """A dial's two contacts, which close its pins to its middle pin, and that is at ground."""
        for dial in self.wiring.dials:
            middle = self._copper.piece()
            if dial.name not in planted.get("open", ()):
                self._copper.join(middle, self._ground)
            for name, gpio in zip(dial_contacts(dial.name), (dial.pin_a, dial.pin_b), strict=True):
                self._contacts[name] = _Contact(self._heads[gpio], middle)

    def _indicators(self) -> None:
        """An LED lets a pull's current through, but not far enough to be called low or high."""
        for light in self.wiring.lights:
            pad = self._pads[light.pin]
            self._one_way_leaks.append((self._supply, pad) if light.lit_low else (pad, self._ground))

    def _plant(self, fault: Fault) -> None:
        copper = self._copper
        if fault.kind == "moved":
            return
        pads = [self._pads[int(w[4:])] for w in fault.where if gpio_of(w) is not None]
        if fault.kind in ("low", "high"):
            copper.join(pads[0], self._ground if fault.kind == "low" else self._supply)
        elif fault.kind == "leaky":
            self._leaks.append((pads[0], pads[1]))
        elif fault.kind == "slow":
            self._capacitance[pads[0]] += _picofarads(fault.amount or "") or 0.0
        elif fault.kind == "bridge":
            others = [self._rail(w) for w in fault.where if w in _OTHER_COPPER]
            nodes = [self._contacts[w].b for w in fault.where if w in self._contacts]
            first, second = (*pads, *others, *nodes)
            copper.join(first, second)

    def _rail(self, name: str) -> int:
        if name in _RAILS_HIGH:
            return self._supply
        if name in _RAILS_LOW:
            return self._ground
        if name in _RAILS_BETWEEN:
            return self._between
        return self._run if name == "RUN" else self._debug

    # -- one state of the board --------------------------------------------------------------------

    def _computed(self, closed: frozenset[str]) -> Table:
        copper = self._copper.copy()
        net = copper.net
        places = self._always_closed | {self._place[name] for name in closed}
        for name in places:
            contact = self._contacts[name]
            copper.join(contact.a, contact.b)
        flow = _Flow()
        for name in places | self._touching:
            contact = self._contacts[name]
            if contact.anode is not None and contact.cathode is not None:
                anode, cathode = net(contact.anode), net(contact.cathode)
                flow.add_diode(anode, cathode)
                if name in self._leaking_diodes:
                    flow.add_leak(cathode, anode, self._leaking_diodes[name])
        for a, b in self._leaks:
            flow.add_leak(net(a), net(b))
            flow.add_leak(net(b), net(a))
        for a, b in self._one_way_leaks:
            flow.add_leak(net(a), net(b))
        pins_of: dict[int, int] = {}
        pin_nets = [net(pin) for pin in self._pins]
        for gpio, at in enumerate(pin_nets):
            pins_of[at] = pins_of.get(at, 0) | 1 << gpio
        run = net(self._run)
        pins_of[run] = pins_of.get(run, 0) | _RUN

        supply, between = net(self._supply), net(self._between)
        ground = flow.drops_to(net(self._ground), pins_of)
        high = flow.drops_from(supply, pins_of)
        weak = 0
        for source in (supply, run, net(self._debug)):
            weak |= flow.reached_from(source, pins_of)
        unsure = flow.drops_to(between, pins_of).anything | flow.reached_from(between, pins_of)

        at_rest = _pulled_up(ground, high, unsure)
        rows: dict[int, Reading] = {}
        held_high = 0
        nothing_held = not (ground.anything | high.anything | unsure)
        for at in dict.fromkeys(pin_nets):
            pins = pins_of[at]
            if nothing_held and not flow.leads_to(at):
                rows[at] = Reading(pins)
                continue
            if pins & (high.none | high.one) & ~ground.none:
                held_high |= pins
                rows[at] = at_rest
                continue
            # Small leaks to ground and to the driven line add up.
            towards = flow.drops_to(at, pins_of, net(self._ground))
            if pins & high.more & ~ground.none:
                towards = _Drops(0, 0, towards.anything)
            rows[at] = _pulled_up(towards.nearer(ground), high, unsure)
        resets = sum(1 << gpio for gpio, at in enumerate(pin_nets) if rows[at].low & _RUN)
        return Table(
            at_rest=_lines(at_rest),
            pulled_down=_lines(_pulled_down(ground, high, weak, unsure)),
            driven=tuple(_lines(rows[at]) for at in pin_nets),
            held_high=held_high & ALL_PINS,
            rise_us=self._rise_us(copper, pin_nets),
            resets=resets,
            raises=tuple(
                (light.pin, self._raised(pin_nets[light.pin], ground, flow, pins_of))
                for light in self.wiring.lights
            ),
        )

    @staticmethod
    def _raised(at: int, ground: _Drops, flow: _Flow, pins_of: dict[int, int]) -> int:
        """The lines that follow a net that is driven high: over copper, and over one diode."""
        grounded = ground.none | ground.one
        if pins_of[at] & grounded:
            return 0
        led = flow.drops_from(at, pins_of)
        return (pins_of[at] | led.none | led.one) & ~grounded & ALL_PINS

    def _rise_us(self, copper: _Copper, pin_nets: Sequence[int]) -> tuple[int, ...]:
        farads: dict[int, float] = {}
        for net, own in self._farads.items():
            at = copper.net(net)
            farads[at] = farads.get(at, 0.0) + own
        pull_ups: dict[int, int] = {}
        for at in pin_nets:
            pull_ups[at] = pull_ups.get(at, 0) + 1
        return tuple(
            round(_RISE_TIME_CONSTANTS * _PULL_UP_OHM / pull_ups[at] * farads[at] * 1e6) for at in pin_nets
        )


_RUN = 1 << GPIO_COUNT  # RUN is read like one more line: low means that the chip resets


def _lines(reading: Reading) -> Reading:
    if not (reading.low | reading.undefined) & _RUN:
        return reading
    return Reading(reading.low & ALL_PINS, reading.undefined & ALL_PINS)


@dataclass(frozen=True, slots=True)
class _Drops:
    """Lines by what lies between them and a place: copper alone, one diode drop, more (or a leak)."""

    none: int
    one: int
    more: int

    @property
    def anything(self) -> int:
        return self.none | self.one | self.more

    def nearer(self, other: _Drops) -> _Drops:
        none = self.none | other.none
        one = (self.one | other.one) & ~none
        return _Drops(none, one, (self.more | other.more) & ~none & ~one)


class _Flow:
    """Where current can go between nets: through diodes, and through leaks (in siemens)."""

    __slots__ = ("_diodes_from", "_diodes_to", "_leaks_from", "_leaks_to")

    def __init__(self) -> None:
        self._diodes_from: dict[int, set[int]] = {}
        self._diodes_to: dict[int, set[int]] = {}
        self._leaks_from: dict[int, dict[int, float]] = {}
        self._leaks_to: dict[int, dict[int, float]] = {}

    def add_diode(self, anode: int, cathode: int) -> None:
        self._diodes_from.setdefault(anode, set()).add(cathode)
        self._diodes_to.setdefault(cathode, set()).add(anode)

    def add_leak(self, source: int, target: int, siemens: float = _SMALLEST_LEAK_S) -> None:
        """`siemens` left out: enough to matter by itself."""
        for leaks, one, other in ((self._leaks_from, source, target), (self._leaks_to, target, source)):
            known = leaks.setdefault(one, {})
            known[other] = known.get(other, 0.0) + siemens

    def leads_to(self, net: int) -> bool:
        """Whether current from anywhere else gets to `net`."""
        return net in self._diodes_to or net in self._leaks_to

    def drops_to(self, net: int, pins_of: dict[int, int], *others: int) -> _Drops:
        """Lines whose current reaches `net`, or one of the others."""
        return self._drops({net, *others}, self._diodes_to, self._leaks_to, pins_of)

    def drops_from(self, net: int, pins_of: dict[int, int]) -> _Drops:
        """Lines that a supply at `net` feeds through diodes; leaks are too weak to count."""
        return self._drops({net}, self._diodes_from, {}, pins_of)

    def reached_from(self, net: int, pins_of: dict[int, int]) -> int:
        """Lines that current from `net` gets to at all, leaks included."""
        return self._drops({net}, self._diodes_from, self._leaks_from, pins_of).anything

    @staticmethod
    def _drops(
        ends: set[int],
        diodes: dict[int, set[int]],
        leaks: dict[int, dict[int, float]],
        pins_of: dict[int, int],
    ) -> _Drops:
        one = {each for end in ends for each in diodes.get(end, ())} - ends
        seen = ends | one
        waiting = list(seen)
        more: set[int] = set()
        let_through: dict[int, float] = {}  # per net, into all that were seen
        while waiting:
            at = waiting.pop()
            further = set() if at in ends else set(diodes.get(at, ()))
            for each, siemens in leaks.get(at, {}).items():
                let_through[each] = let_through.get(each, 0.0) + siemens
                if let_through[each] >= _SMALLEST_LEAK_S:
                    further.add(each)
            for each in further - seen:
                seen.add(each)
                more.add(each)
                waiting.append(each)

        def pins(nets: Iterable[int]) -> int:
            mask = 0
            for each in nets:
                mask |= pins_of.get(each, 0)
            return mask

        return _Drops(pins(ends), pins(one), pins(more))


def _pulled_up(low: _Drops, high: _Drops, unsure: int) -> Reading:
    """What lines read that are pulled up; `low`: drops to what is driven low, `high`: from the supply."""
    fed = high.anything
    reads_low = (low.none & ~high.none) | (low.one & ~fed)
    undefined = (
        (low.none & high.none) | ((low.one | low.more) & fed & ~high.none) | (low.more & ~fed) | unsure
    )
    return Reading(reads_low & ~unsure, undefined)


def _pulled_down(low: _Drops, high: _Drops, weak: int, unsure: int) -> Reading:
    """The same for lines that are pulled down, `low` being the drops to ground."""
    fed = high.anything
    pulled = low.one | low.more
    reads_high = (high.none & ~low.none) | (high.one & ~low.anything)
    undefined = (
        (high.none & low.none)
        | (fed & ~high.none & pulled)
        | (high.more & ~low.anything)
        | (weak & ~fed & ~low.none & ~low.one)
        | unsure
    )
    return Reading((ALL_PINS | _RUN) & ~reads_high & ~undefined, undefined)
