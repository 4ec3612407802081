"""What a change of the table says: which switch closed, and which way its diode conducts.

A change is explained by a contact: one switch of the wiring, in one state. Each contact has pairs that
it must show (one diode drop) and pairs that it may show (through more drops, over what already conducts
in the table before). What the table before shows already, and what no reading can be trusted for, counts
neither way. A contact explains a change when all that it must show is there and nothing else than what it
may show. Two contacts that could show the same, however undefined readings fall, are never told apart:
so no judgement rests on an undefined reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from hil.observe import (
    REST,
    ROW,
    ROW_BITS,
    Observation,
    driven_and_line,
    mask_of,
    members,
    pair,
    pairs,
    row_of,
)
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from keyc.keyboard import Switch, Wiring

# From letting go to pressing again: no finger does that (common practice).
FASTER_THAN_A_HAND_US = 30_000

_KEPT_FLOWS, _KEPT_JUDGEMENTS = 256, 4096
_EVERY_ROW = (1 << (REST + 1)) - 1
_PINS_BY_PINS = pairs(ROW, ROW)


def _bits(pairs_of: int) -> Iterator[int]:
    """Each pair of these by itself."""
    while pairs_of:
        lowest = pairs_of & -pairs_of
        yield lowest
        pairs_of ^= lowest


class State(Enum):
    """What a closed contact conducts, seen with the diode's direction in the file."""

    GOOD = "good"
    REVERSED = "reversed"
    SHORTED = "shorted"


@dataclass(frozen=True, slots=True)
class Contact:
    """A contact in place of a switch of the file: which one, and what its diode lets through."""

    switch: str
    state: State


@dataclass(frozen=True, slots=True)
class Place:
    """Where a contact is: current goes from one line to the other. `cathode`: `REST` is ground."""

    anode: int
    cathode: int

    def __str__(self) -> str:
        return f"GPIO{self.anode} to {'GND' if self.cathode == REST else f'GPIO{self.cathode}'}"


@dataclass(frozen=True, slots=True)
class Judgement:
    """`switches`: those that would explain the change (one: it is that one; none: nothing does).
    `states`: the states that would. `pressed`: positions that newly read as pressed, explained or not.
    `elsewhere`: where no position does, the place of the one contact that would."""

    switches: tuple[str, ...]
    states: frozenset[State]
    pressed: tuple[str, ...]
    elsewhere: Place | None = None

    @property
    def switch(self) -> str | None:
        """The one switch that it was."""
        return self.switches[0] if len(self.switches) == 1 else None

    @property
    def state(self) -> State | None:
        """The one state that its contact is in; None where readings that would tell are missing."""
        return next(iter(self.states)) if len(self.states) == 1 else None


@dataclass(frozen=True, slots=True)
class _Shown:
    """The pairs that a contact must and may show, given the table before."""

    must: int
    may: int  # includes `must`


def ends(wiring: Wiring, switch: Switch) -> tuple[int, int]:
    """The anode's and the cathode's line of a switch in the matrix."""
    assert switch.row is not None
    assert switch.column is not None
    if wiring.diodes is Diodes.CATHODE_TO_COLUMN:
        return switch.row, switch.column
    return switch.column, switch.row


def lines_of(wiring: Wiring) -> int:
    """The mask of every line that a switch sits on."""
    return mask_of((*wiring.rows, *wiring.columns, *wiring.direct_pins))


class Matrix:
    """A keyboard's wiring, asked what contacts would show. Keeps what it has worked out."""

    def __init__(self, wiring: Wiring) -> None:
        self.wiring = wiring
        self.switches = {switch.name: switch for switch in wiring.switches}
        self._over = lines_of(wiring)
        self._forward: dict[str, int] = {}
        self._backward: dict[str, int] = {}
        for switch in wiring.switches:
            if switch.direct is not None:
                self._forward[switch.name] = pair(REST, switch.direct)
                self._backward[switch.name] = 0
            else:
                anode, cathode = ends(wiring, switch)
                self._forward[switch.name] = pair(cathode, anode)
                self._backward[switch.name] = pair(anode, cathode)
        self._at_forward = {bit: name for name, bit in self._forward.items()}
        # Per pair the switch that shows it, in whichever state.
        self._at = {bit: name for name, bit in self._backward.items() if bit} | self._at_forward
        self._every_forward = sum(self._at_forward)
        self._flows: dict[tuple[int, int], _Flow] = {}
        self._pressed: dict[int, frozenset[str]] = {}

    def forward(self, name: str) -> int:
        """The pair that a good contact shows."""
        return self._forward[name]

    def backward(self, name: str) -> int:
        """The pair that only a bad diode shows; 0 for a switch to ground."""
        return self._backward[name]

    def states(self, name: str) -> tuple[State, ...]:
        """The states that a closed contact of this switch can be in."""
        if self.switches[name].direct is not None or self.wiring.diodes is Diodes.NONE:
            return (State.GOOD,)
        return (State.GOOD, State.REVERSED, State.SHORTED)

    def judgement(self, before: Observation, after: Observation) -> Judgement:
        """What closed between two tables. Openings (pairs that vanished) are no part of it."""
        readable = before.readable & after.readable
        flow = self._flow(before.low & after.low, readable)
        gained = after.low & ~before.low & readable & ~flow.through
        known = flow.judged.get(gained)
        if known is None:
            if len(flow.judged) >= _KEPT_JUDGEMENTS:
                flow.judged.clear()
            known = flow.judged[gained] = self._judged(flow, gained)
        return known

    def _judged(self, flow: _Flow, gained: int) -> Judgement:
        pressed = self.at(gained)
        explaining = [
            (Contact(name, state), shown)
            for name in pressed
            for state in self.states(name)
            if (shown := self._shown(flow, Contact(name, state))).must
            and not shown.must & ~gained
            and not gained & ~shown.may
        ]
        alike = {contact for contact, _ in explaining}
        for _, shown in explaining:
            alike |= self._alike(flow, shown)
        return Judgement(
            switches=self._in_order({one.switch for one in alike}),
            states=frozenset(one.state for one in alike),
            pressed=pressed,
            elsewhere=None if explaining else self._elsewhere(flow, gained),
        )

    def _elsewhere(self, flow: _Flow, gained: int) -> Place | None:
        """Where a contact is that the file has no switch for; None if it isn't just one."""
        found: dict[Place, None] = {}
        rest = gained & pairs(1 << REST, ROW) if row_of(gained, REST) else gained
        while rest:
            lowest = rest & -rest
            rest ^= lowest
            cathode, anode = driven_and_line(lowest)
            if cathode == REST:
                shown = self._to_ground(flow, anode)
            else:
                shown = self._between(flow, anode, cathode, both_ways=bool(gained & pair(anode, cathode)))
            if shown.must and not shown.must & ~gained and not gained & ~shown.may:
                either_way = bool(cathode != REST and gained & pair(anode, cathode))
                found[Place(*sorted((anode, cathode))) if either_way else Place(anode, cathode)] = None
        return next(iter(found)) if len(found) == 1 else None

    def can_be_judged(self, before: Observation, name: str, *, both_directions: bool) -> bool:
        """Whether a good contact of this switch would show as its own. `both_directions`: and as good."""
        flow = self._flow(before.low, before.readable)
        shown = self._shown(flow, Contact(name, State.GOOD))
        alike = self._alike(flow, shown) if shown.must else set()
        return {one.switch for one in alike} == {name} and (len(alike) == 1 or not both_directions)

    def at(self, low: int) -> tuple[str, ...]:
        """The switches whose forward or backward pair is among these, in the order of the wiring."""
        return self._in_order({self._at[bit] for bit in _bits(low) if bit in self._at})

    def read_pressed(self, table: Observation) -> frozenset[str]:
        """The positions that a scan in the file's direction takes as pressed."""
        low = table.low & self._every_forward & table.readable
        known = self._pressed.get(low)
        if known is None:
            if len(self._pressed) >= _KEPT_JUDGEMENTS:
                self._pressed.clear()
            known = self._pressed[low] = frozenset(self._at_forward[bit] for bit in _bits(low))
        return known

    def joined(self, table: Observation, a: int, b: int) -> bool:
        """Whether two lines read low for one another."""
        both = pair(a, b) | pair(b, a)
        return table.low & table.readable & both == both

    def _in_order(self, names: set[str]) -> tuple[str, ...]:
        """These switches in the order of the wiring."""
        return tuple(names) if len(names) < 2 else tuple(name for name in self.switches if name in names)

    def _mirrored(self, low: int) -> int:
        """The other direction of pairs that no switch joins. What leaks one way may leak the other way."""
        found = 0
        held_low = row_of(low, REST)
        for bit in _bits(low & _PINS_BY_PINS & ~pairs(ROW, held_low)):
            if bit not in self._at:
                driven, line = driven_and_line(bit)
                found |= pair(line, driven)
        return found

    def _flow(self, low: int, readable: int) -> _Flow:
        key = (low, readable)
        known = self._flows.get(key)
        if known is None:
            if len(self._flows) >= _KEPT_FLOWS:
                self._flows.clear()
            known = self._flows[key] = _Flow.of(low | self._mirrored(low), readable)
        return known

    def _shown(self, flow: _Flow, contact: Contact) -> _Shown:
        known = flow.shown.get(contact)
        if known is None:
            known = flow.shown[contact] = self._worked_out(flow, contact)
        return known

    def _worked_out(self, flow: _Flow, contact: Contact) -> _Shown:
        switch = self.switches[contact.switch]
        if switch.direct is not None:
            return self._to_ground(flow, switch.direct)
        anode, cathode = ends(self.wiring, switch)
        if contact.state is State.REVERSED:
            anode, cathode = cathode, anode
        both_ways = contact.state is State.SHORTED or self.wiring.diodes is Diodes.NONE
        return self._between(flow, anode, cathode, both_ways=both_ways)

    def _to_ground(self, flow: _Flow, gpio: int) -> _Shown:
        may = pairs(_EVERY_ROW, flow.reaching(1 << gpio))
        return self._visible(flow, pair(REST, gpio), may)

    def _between(self, flow: _Flow, anode: int, cathode: int, *, both_ways: bool) -> _Shown:
        """What a contact between two lines shows."""
        if both_ways:
            joined = 1 << anode | 1 << cathode
            must = pair(cathode, anode) | pair(anode, cathode)
            return self._visible(flow, must, pairs(flow.reached_from(joined), flow.reaching(joined)))
        may = pairs(flow.reached_from(1 << cathode), flow.reaching(1 << anode))
        return self._visible(flow, pair(cathode, anode), may)

    @staticmethod
    def _visible(flow: _Flow, must: int, may: int) -> _Shown:
        ignored = flow.through | ~flow.readable
        must &= ~ignored
        return _Shown(must, may & ~ignored | must)

    def _alike(self, flow: _Flow, shown: _Shown) -> set[Contact]:
        """The contacts that could show the same as this one, for some choice of undefined readings."""
        found = set()
        for name in self.at(shown.may):
            for state in self.states(name):
                contact = Contact(name, state)
                other = self._shown(flow, contact)
                if other.must and not (shown.must | other.must) & ~(shown.may & other.may):
                    found.add(contact)
        return found


@dataclass(slots=True)
class _Flow:
    """Where current already goes in a table, over any number of drops.

    `through`: every pair (driven, line) with a way from the line to the driven line or to ground.
    """

    readable: int
    through: int
    into: tuple[int, ...]  # per row: lines with a way there
    shown: dict[Contact, _Shown]
    judged: dict[int, Judgement]  # per pairs gained

    @classmethod
    def of(cls, low: int, readable: int) -> _Flow:
        into = [row_of(low, gpio) for gpio in range(REST + 1)]
        for between in range(REST):
            via = into[between]
            if via:
                bit = 1 << between
                into = [lines | via if lines & bit else lines for lines in into]
        into = [lines | into[REST] for lines in into]
        through = 0
        for gpio, lines in enumerate(into):
            through |= lines << (ROW_BITS * gpio)
        return cls(readable, through, tuple(into), {}, {})

    def reaching(self, lines: int) -> int:
        """These lines, and those with a way to one of them. Lines that are low at rest reach everything."""
        found = lines
        for gpio in members(lines):
            found |= self.into[gpio]
        return found

    def reached_from(self, lines: int) -> int:
        """The rows (bit 30: ground, and with it every row) that these lines have a way to."""
        found = lines
        for gpio, into in enumerate(self.into):
            if into & lines:
                found |= 1 << gpio
        return _EVERY_ROW if found >> REST & 1 else found


def switches_on(wiring: Wiring, gpio: int) -> tuple[str, ...]:
    """The switches on a line, in the order of the wiring."""
    return tuple(
        switch.name for switch in wiring.switches if gpio in (switch.row, switch.column, switch.direct)
    )


def names_in_order(wiring: Wiring, names: Iterable[str]) -> tuple[str, ...]:
    """These switches in the order of the wiring."""
    wanted = set(names)
    return tuple(switch.name for switch in wiring.switches if switch.name in wanted)
