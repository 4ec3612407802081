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

Masks hold GPIO0-29: bit n is GPIOn. Times are in the unit that their name ends in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp, log

from hil.faults import (
    EVERY_DIODE,
    OTHER_COPPER,
    RAILS_BETWEEN,
    RAILS_HIGH,
    RAILS_LOW,
    Fault,
    dial_contacts,
    gpio_of,
    microamperes_of,
    picofarads_of,
)
from hil.rises import PIN_PF, PULL_UP_OHM, rise_us
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Switch, Wiring
from keyc.pins import GPIO_COUNT

ALL_PINS = (1 << GPIO_COUNT) - 1

_SUPPLY_V = 3.3
_SMALLEST_LEAK_S = 1 / 200_000  # what lets less than this through reads as nothing

# What a line's rise is made of, beside the chip's pin: its pad, the track to the first switch (a few cm, 1 pF
# each), and with each switch a leg and the way on. Typical values, from memory.
_PAD_PF, _TRACK_PF, _SWITCH_PF = 3.0, 20.0, 1.5
_TRACKS = (0.1, 2.0)  # how much shorter or longer the tracks of other boards are
_PULL_UPS = 0.05  # how far the pull-ups of one chip are apart

_KEPT_TABLES = 4_096


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
    `rise_ns[p]`   how long GPIOp stays low after whatever pulled it down has let go; empty of a board that
                   was not asked for it
    `resets`       pins that pull the chip's RUN low when driven; all 30: it is low all the time
    `raises`       per light's pin the lines that read high while it is driven high, the others pulled down;
                   it is among them unless ground holds it
    """

    at_rest: Reading
    pulled_down: Reading
    driven: tuple[Reading, ...]
    held_high: int
    rise_ns: tuple[int, ...]
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


class _Copper:
    """Pieces of copper, numbered; joined ones are one net (a disjoint-set forest)."""

    __slots__ = ("parent",)

    def __init__(self, parent: list[int] | None = None) -> None:
        self.parent = parent if parent is not None else []

    def piece(self) -> int:
        self.parent.append(len(self.parent))
        return len(self.parent) - 1

    def pieces(self, count: int) -> range:
        first = len(self.parent)
        self.parent.extend(range(first, first + count))
        return range(first, first + count)

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

    def __init__(
        self, wiring: Wiring, faults: Iterable[Fault] = (), *, rises: bool = True, build: int = 0
    ) -> None:
        """`rises`: whether its tables say how long lines take to rise, too. `build`: which of the boards that
        could be made of this wiring: each has tracks and pull-ups of its own, 0 those in the middle."""
        self.wiring = wiring
        self._rises = rises
        self._tracks_pf, self._pull_ups_ohm = _built(build)
        self.faults = tuple(faults)
        self._tables: dict[frozenset[str], Table] = {}
        planted: dict[str, set[str]] = {}
        for fault in self.faults:
            planted.setdefault(fault.kind, set()).update(fault.where)
        copper = self._copper = _Copper()
        self._ground, self._supply, self._between, self._run, self._debug = copper.pieces(5)
        self._pins, self._pads = copper.pieces(GPIO_COUNT), copper.pieces(GPIO_COUNT)
        self._capacitance = dict.fromkeys(self._pins, PIN_PF) | dict.fromkeys(self._pads, _PAD_PF)
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
        self._picofarads: dict[int, float] = {}  # per net while nothing is pressed
        for piece, picofarads in self._capacitance.items() if rises else ():
            at = copper.net(piece)
            self._picofarads[at] = self._picofarads.get(at, 0.0) + picofarads
        now = copper.copy()
        for name in self._always_closed:
            now.join(self._contacts[name].a, self._contacts[name].b)
        if now.net(self._ground) == now.net(self._supply):
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
        heads = list(self._copper.pieces(GPIO_COUNT))
        seats: dict[tuple[int, str], int] = {}
        cuts = {fault.where for fault in self.faults if fault.kind == "cut"}
        lines: list[list[Switch]] = [[] for _ in range(GPIO_COUNT)]
        for switch in self.wiring.switches:
            for pin in dict.fromkeys((switch.row, switch.column, switch.direct)):
                if pin is not None:
                    lines[pin].append(switch)
        for gpio, line in enumerate(lines):
            piece = heads[gpio]
            self._capacitance[piece] = self._tracks_pf[gpio] if line else 0.0
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
            found[name] = (microamperes_of(amount or "") or 0.0) * 1e-6 / _SUPPLY_V
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
            self._capacitance[pads[0]] += picofarads_of(fault.amount or "") or 0.0
        elif fault.kind == "bridge":
            others = [self._rail(w) for w in fault.where if w in OTHER_COPPER]
            nodes = [self._contacts[w].b for w in fault.where if w in self._contacts]
            first, second = (*pads, *others, *nodes)
            copper.join(first, second)

    def _rail(self, name: str) -> int:
        if name in RAILS_HIGH:
            return self._supply
        if name in RAILS_LOW:
            return self._ground
        if name in RAILS_BETWEEN:
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
        copper.settle()
        nets = copper.parent
        pin_nets = [nets[pin] for pin in self._pins]
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
                rows[at] = _of_one_net(pins)
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
        rows = {at: _lines(reading) for at, reading in rows.items()}
        return Table(
            at_rest=_lines(at_rest),
            pulled_down=_lines(_pulled_down(ground, high, weak, unsure)),
            driven=tuple([rows[at] for at in pin_nets]),
            held_high=held_high & ALL_PINS,
            rise_ns=self._rise_ns(copper, pin_nets) if self._rises else (),
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

    def _rise_ns(self, copper: _Copper, pin_nets: Sequence[int]) -> tuple[int, ...]:
        picofarads: dict[int, float] = {}
        for net, own in self._picofarads.items():
            at = copper.net(net)
            picofarads[at] = picofarads.get(at, 0.0) + own
        siemens: dict[int, float] = {}
        for at, ohm in zip(pin_nets, self._pull_ups_ohm, strict=True):
            siemens[at] = siemens.get(at, 0.0) + 1 / ohm
        return tuple(round(1000 * rise_us(picofarads[at], 1 / siemens[at])) for at in pin_nets)


def _built(build: int) -> tuple[list[float], list[float]]:
    """Per line its track in pF, as far as its first switch, and the pull-up of its pin in ohm."""
    least, middle, most = PULL_UP_OHM
    if build == 0:
        return [_TRACK_PF] * GPIO_COUNT, [middle] * GPIO_COUNT
    from random import Random

    chance = Random(build)
    chip = chance.uniform(least, most)
    tracks = [_TRACK_PF * exp(chance.uniform(*map(log, _TRACKS))) for _ in range(GPIO_COUNT)]
    return tracks, [chip * chance.uniform(1 - _PULL_UPS, 1 + _PULL_UPS) for _ in range(GPIO_COUNT)]


_RUN = 1 << GPIO_COUNT  # RUN is read like one more line: low means that the chip resets


@lru_cache(maxsize=4096)
def _of_one_net(pins: int) -> Reading:
    """What reads low where these pins are one net that is driven, and nothing leads there."""
    return Reading(pins)


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
