"""Which faults could have made a reading what it is, and how rarely each of them comes.

A line reads low because copper, contacts and diodes lead from it to what is driven low. So where it reads low
and shouldn't, some fault more begins in what the line reaches already; where it should and doesn't, some
fault more lies on that way. `near` names all of those: every set that explains the reading has one of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from itertools import pairwise, product
from math import log
from typing import TYPE_CHECKING, NamedTuple

from hil.diagnosis.compared import NOTHING_HELD, PULLED_DOWN
from hil.faults import EVERY_DIODE, Fault
from hil.judge import lines_of
from hil.observe import REST, members
from hil.rises import cost_of_open
from keyc.keyboard import Diodes
from keyc.pins import neighbours

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from hil.diagnosis.compared import Compared, Faults, Mismatch, State

_DIRT = "47k"  # anything from 10 to 200 kOhm reads alike
_TOGETHER = ("bridge", "leaky", "swapped")  # the order of what they name says nothing
_FEW = 6  # so few are tried sooner than thought about
_AT_REST = 6  # switches of a line whose nodes are tried where two faults at a diode show only together

# How many of 10,000 such places are bad on boards that are soldered by hand: common practice, from memory.
# A kind and what it befalls; `beside`: two pins next to one another on the package.
OFTEN = {
    "open switch": 80.0,
    "open line": 70.0,
    "reversed switch": 50.0,
    "reversed diodes": 40.0,  # a board has one such place: the file's line
    "bridge beside": 90.0,
    "bridge line": 6.0,
    "bridge switch": 1.0,
    "swapped switch": 1.0,
    "swapped line": 6.0,
    "closed switch": 16.0,
    "shorted switch": 17.0,
    "low line": 23.0,
    "high line": 15.0,
    "cut line": 6.0,
    "moved switch": 0.1,
    "leaky line": 0.02,
}
UNLIKELY = 11.0  # as costs go, see `cost`
_CUT = -log(OFTEN["cut line"] / 10_000)
_NOT_MEASURED: Mapping[int, float] = {}


class _Way(NamedTuple):
    """All that what could be added depends on: a line of a row of a state, the lines that hang together with
    it (`here`) and with what is driven (`there`), and the places that conduct. `is_joined`: some fault more
    leads there; `is_held_back`: or parts the line from a rail that lets nothing be seen."""

    state: State
    row: int
    line: int
    here: frozenset[int]
    there: frozenset[int]
    closed: frozenset[str]
    is_joined: bool
    is_held_back: bool
    alone: bool
    rare: bool


class Candidates:
    """The faults that can be planted on one board, asked for by what they would change."""

    def __init__(self, compared: Compared) -> None:
        self.compared = compared
        wiring = compared.wiring
        self._own = frozenset(members(lines_of(wiring)))
        matrix = wiring.diodes is not Diodes.NONE
        self._with_diode = [s.name for s in wiring.switches if matrix and s.direct is None]
        self._diodes = frozenset(self._with_diode)
        self._may_be: dict[State, frozenset[int]] = {}
        self._known: dict[_Way, tuple[tuple[Fault, ...], ...]] = {}

    def near(
        self, faults: Faults, state: State, *, alone: bool, rare: bool = False
    ) -> list[tuple[Fault, ...]]:
        """What could be added to `faults` because of the first wrong reading of this state, likeliest first;
        two faults where neither shows without the other. `alone`: one has to do for it.
        `rare`: dirt and moved switches too."""
        mismatch = min(self.compared.wrong(faults, state), key=_order)
        lines = members(mismatch.missing or mismatch.extra)
        some: dict[tuple[Fault, ...], None] = {}
        for line in lines if mismatch.row >= REST else lines[:1]:
            some.update(dict.fromkeys(self._of(self._way(faults, state, mismatch, line, alone, rare))))
        return sorted((each for each in some if not faults & set(each)), key=_in_order_of_cost)

    def by_themselves(self, faults: Faults) -> list[Fault]:
        """What could be added to `faults` and put all wrong readings right, each by itself, likeliest first:
        what `near` names because of every one of them."""
        left: set[Fault] | None = None
        for state in self.compared.wrong_states(faults):
            wrong = self.compared.wrong(faults, state)
            # What reads low with nothing driven does so in every row, and no fault need lead to that row.
            held = next((one.missing for one in wrong if one.row == REST), 0)
            for mismatch in wrong:
                low = mismatch.missing if mismatch.row >= REST else mismatch.missing & ~held
                if not (low or mismatch.extra):
                    continue
                mismatch = mismatch._replace(missing=low)
                line = members(low or mismatch.extra)[0]
                named = {one for (one,) in self._of(self._way(faults, state, mismatch, line, True, False))}
                left = named - faults if left is None else left & named
                if len(left) < _FEW:
                    return sorted(left, key=likeliness)
        return sorted(left or (), key=likeliness)

    def _of(self, way: _Way) -> tuple[tuple[Fault, ...], ...]:
        """What could have made a reading of this kind what it is; asked again and again with other faults."""
        known = self._known.get(way)
        if known is None:
            found = [*self._joining(way)] if way.is_joined else []
            if not way.is_joined or way.is_held_back:
                found += self._parting(way)
            known = self._known[way] = tuple(dict.fromkeys(tuple(map(canonical, each)) for each in found))
        return known

    def _way(
        self, faults: Faults, state: State, mismatch: Mismatch, line: int, alone: bool, rare: bool
    ) -> _Way:
        row, seen = mismatch.row, self.compared.states[state]
        is_joined = bool(mismatch.missing) != (row == PULLED_DOWN)
        there: Iterable[int] = ()
        if is_joined and row < REST:
            there = self._reached(faults, state, row)
        elif is_joined:
            # To ground or to the supply, by itself or through a line that is held too.
            held = seen.row(REST) if row == REST else seen.over & ~(seen.down or 0)
            ends = members(held ^ (mismatch.missing | mismatch.extra))
            there = {at for end in ends for at in self._reached(faults, state, end)}
        here = frozenset(self._reached(faults, state, line))
        closed = frozenset(self._closed(faults, state))
        other = "low" if row == PULLED_DOWN else "high"
        is_held_back = any(one.kind == other and int(one.where[0][4:]) in here for one in faults)
        return _Way(state, row, line, here, frozenset(there), closed, is_joined, is_held_back, alone, rare)

    def _joining(self, way: _Way) -> Iterator[tuple[Fault, ...]]:
        """Faults that lead from what a line reaches to what its row drives (`alone`), or anywhere."""
        compared, row, state = self.compared, way.row, way.state
        here, there, alone, rare = way.here, way.there, way.alone, way.rare
        ends = there if alone else self._usable(state) | there

        def leads(lines: tuple[int, ...]) -> bool:
            """Whether it does; a switch of one line leads to ground."""
            return not here.isdisjoint(lines) and (
                not alone or len(lines) == 1 or not there.isdisjoint(lines)
            )

        for gpio in here:
            yield (Fault("high" if row == PULLED_DOWN else "low", (f"GPIO{gpio}",)),)
        for a, b in product(here, ends):
            if a != b:
                yield (_pins("bridge", a, b),)
                if rare:
                    yield (Fault("leaky", (f"GPIO{a}", f"GPIO{b}"), _DIRT),)
        for name, lines in compared.lines.items():
            if leads(lines):
                yield (Fault("closed", (name,)),)
        for a, b in product(here, self._usable(state)):
            if a != b and leads((a, b)):
                yield (_pins("swapped", a, b),)
        for name in way.closed & self._diodes:
            mine = compared.lines[name]
            if leads(mine):
                yield (Fault("reversed", (name,)),)
                yield (Fault("reversed", (EVERY_DIODE,)),)
                yield (Fault("shorted", (name,)),)
            for other in self._with_diode:
                if other != name and leads((*mine, *compared.lines[other])):
                    yield (Fault("bridge", (name, other)),)
        for name in state:
            if rare:
                end = "GND" if row >= REST else f"GPIO{row}"
                yield (Fault("moved", (name, f"GPIO{way.line}", end)),)
            for other, lines in compared.lines.items():
                if other != name and leads(lines):
                    yield (Fault("swapped", (name, other)),)
        if not alone:
            yield from self._two_at_once(here, there, row)
            if state == NOTHING_HELD:
                for held in (row,) if row < REST else there:
                    yield from self._at_rest(way.line, held)
            for name in way.closed & self._diodes:
                for gpio in compared.lines[name]:
                    for other in set(compared.on(gpio)) & self._diodes - {name}:
                        yield Fault("bridge", (name, other)), Fault("reversed", (name,))

    def _two_at_once(
        self, here: frozenset[int], there: frozenset[int], row: int
    ) -> Iterator[tuple[Fault, ...]]:
        """Two faults of one place that make a reading together, and each another one."""
        compared = self.compared
        for name, lines in compared.lines.items():
            if name in self._with_diode and not here.isdisjoint(lines):
                for kind in ("shorted", "reversed"):
                    yield Fault("closed", (name,)), Fault(kind, (name,))
            for pins in product(lines, here) if not there.isdisjoint(lines) else ():
                if pins[0] != pins[1] and pins[0] not in there:
                    yield Fault("closed", (name,)), _pins("swapped", *pins)
        held = "high" if row == PULLED_DOWN else "low"
        for gpio in here | there:
            pin = f"GPIO{gpio}"
            if compared.on(gpio):
                for kind in ("low", "high"):
                    yield Fault("open", (pin,)), Fault(kind, (pin,))
                for end in (there if gpio in here else here) - {gpio}:
                    yield Fault("open", (pin,)), _pins("bridge", gpio, end)
        if row >= REST:  # a pin of no role that is held, and touches the line
            for gpio, end in product(here, there - self._own):
                yield _pins("bridge", gpio, end), Fault(held, (f"GPIO{end}",))

    def _at_rest(self, line: int, row: int) -> Iterator[tuple[Fault, ...]]:
        """Nodes that touch, beside a diode that lets current in: each alone shows nothing at rest."""
        some, others = (
            [name for name in self.compared.on(gpio) if name in self._with_diode][:_AT_REST]
            for gpio in (line, row)
        )
        for name, other in product(some, others):
            if name != other:
                for kind, at in product(("shorted", "reversed"), (name, other)):
                    yield Fault("bridge", (name, other)), Fault(kind, (at,))

    def _parting(self, way: _Way) -> Iterator[tuple[Fault, ...]]:
        """Faults that lie on the way from a line."""
        compared, state, closed = self.compared, way.state, way.closed
        for gpio in way.here:
            pin, on = f"GPIO{gpio}", compared.on(gpio)
            yield (Fault("high", (pin,)),)
            if on:
                yield (Fault("open", (pin,)),)
            last = max((n for n, name in enumerate(on) if name in closed), default=0)
            for name in on[:last]:
                yield (Fault("cut", (pin, name)),)
            for elsewhere in self._usable(state) - {gpio}:
                yield (_pins("swapped", gpio, elsewhere),)
        for name in closed:
            yield (Fault("open", (name,)),)
            if name in self._with_diode:
                yield (Fault("reversed", (name,)),)
                yield (Fault("reversed", (EVERY_DIODE,)),)
        for name in state:
            for other in compared.lines:
                if other != name:
                    yield (Fault("swapped", (name, other)),)

    def _usable(self, state: State) -> frozenset[int]:
        """The lines of the wiring, and the pins that something shows on in this state: one may be there."""
        known = self._may_be.get(state)
        if known is None:
            seen = self.compared.states[state]
            # What is low without a press is no line of the matrix that a press would show.
            held = self.compared.states[NOTHING_HELD].row(REST)
            shows = seen.row(REST) & ~held
            for row in members(seen.rows & seen.over):
                if seen.row(row) & ~seen.row(REST):
                    shows |= seen.row(row) | 1 << row
            known = self._may_be[state] = self._own | set(members(shows & seen.over & ~held))
        return known

    def _closed(self, faults: Faults, state: State) -> set[str]:
        """The places that conduct in this state, as far as their switch goes."""
        found = {self.compared.place(faults, name) for name in state} | state
        for one in faults:
            if one.kind == "closed" or (one.kind == "bridge" and one.where[0] in self.compared.lines):
                found.update(one.where)
        return found

    def _reached(self, faults: Faults, state: State, start: int) -> set[int]:
        """The lines that hang together with this one through faults and closed contacts."""
        joined = [self.compared.lines[self.compared.place(faults, name)] for name in state]
        joined += [self.compared.lines_of(one) for one in faults if one.kind not in ("open", "cut")]
        found, before = {start}, 0
        while len(found) > before:
            before = len(found)
            for lines in joined:
                if not found.isdisjoint(lines):
                    found.update(lines)
        return found


def joined(faults: Faults, more: Sequence[Fault]) -> Iterator[Faults]:
    """`faults` with some more, where such a board can be: exchanges that share a place are one round, and may
    follow on one another either way."""
    for fault in more:
        if any(one.where == fault.where and {one.kind, fault.kind} in _NOT_BOTH for one in faults):
            return
    first = next(
        (
            one
            for one in sorted(faults, key=str)
            if more[0].kind == one.kind == "swapped" and set(one.where) & set(more[0].where)
        ),
        None,
    )
    if first is None:
        yield faults | set(more)
        return
    (fault,) = more
    for pairs in ((*_pairs(first), *_pairs(fault)), (*_pairs(fault), *_pairs(first))):
        yield faults - {first} | set(_rounds(pairs))


_NOT_BOTH = ({"reversed", "shorted"}, {"open", "closed"}, {"low", "high"})


def _pairs(fault: Fault) -> list[tuple[str, str]]:
    return list(zip(fault.where, fault.where[1:], strict=False))


def _rounds(pairs: Iterable[tuple[str, str]]) -> Iterator[Fault]:
    """What these exchanges, one after the other, come to."""
    place: dict[str, str] = {}
    for a, b in pairs:
        place[a], place[b] = place.get(b, b), place.get(a, a)
    done: set[str] = set()
    for start in sorted(place, key=_in_order_of):
        found = [start]
        while (following := place[found[-1]]) != start:
            found.append(following)
        if len(found) > 1 and start not in done:
            yield canonical(Fault("swapped", tuple(found)))
        done.update(found)


@lru_cache(maxsize=4096)
def canonical(fault: Fault) -> Fault:
    """The same fault, with what it names in a fixed order."""
    if fault.kind not in _TOGETHER or len(fault.where) != 2:
        return fault
    a, b = sorted(fault.where, key=_in_order_of)
    return Fault(fault.kind, (a, b), fault.amount)


def cost(faults: Iterable[Fault], rise_us: Mapping[int, float] = _NOT_MEASURED) -> float:
    """How rarely these faults come together, as a logarithm: the fewest first, the commoner ones first.
    `rise_us`: how long lines took to rise, which hints at whether a pin is soldered."""
    return sum(
        cost_of_open(_cost(one), _CUT, rise_us.get(int(one.where[0][4:])))
        if one.kind == "open" and rise_us and one.where[0].startswith("GPIO")
        else _cost(one)
        for one in faults
    )


@lru_cache(maxsize=4096)
def _cost(fault: Fault) -> float:
    often = OFTEN.get(kind_of(fault))
    each = UNLIKELY if often is None else -log(often / 10_000)
    # Pins off by one are one mistake; other rounds take an exchange for each but the last.
    return each * (len(fault.where) - 1) if fault.kind == "swapped" and not _is_shift(fault) else each


def _is_shift(fault: Fault) -> bool:
    numbers = [int(word[4:]) for word in fault.where if word.startswith("GPIO")]
    if len(numbers) < len(fault.where):
        return False
    steps = {abs(b - a) for a, b in pairwise(numbers)}
    return steps == {1}


def kind_of(fault: Fault) -> str:
    """A fault's kind, and what it befalls: a word of `OFTEN`."""
    where = fault.where[0]
    if where == EVERY_DIODE:
        return f"{fault.kind} diodes"
    if not where.startswith("GPIO"):
        return f"{fault.kind} switch"
    beside = fault.kind == "bridge" and int(where[4:]) in _beside(fault.where[1])
    return f"{fault.kind} {'beside' if beside else 'line'}"


@lru_cache(maxsize=64)
def _beside(word: str) -> frozenset[int | None]:
    """The GPIOs beside this one on the package; of what is no GPIO none."""
    return (
        frozenset(pin.gpio for pin in neighbours(int(word[4:]))) if word.startswith("GPIO") else frozenset()
    )


def likeliness(fault: Fault) -> tuple[float, str]:
    """The key that brings the likeliest fault first."""
    return cost((fault,)), str(fault)


def _pins(kind: str, a: int, b: int) -> Fault:
    return Fault(kind, (f"GPIO{a}", f"GPIO{b}"))


def _in_order_of_cost(some: Sequence[Fault]) -> tuple[float, list[tuple[str, tuple[str, ...]]]]:
    return cost(some), [(one.kind, one.where) for one in some]


def _order(mismatch: Mismatch) -> tuple[bool, bool, int]:
    """What is held first, then ways too many, then ways too few: fewer faults explain the first."""
    return mismatch.row < REST, not mismatch.missing, mismatch.row


@lru_cache(maxsize=4096)
def _in_order_of(word: str) -> tuple[str, int]:
    digits = "".join(c for c in word if c.isdigit())
    return word.rstrip("0123456789"), int(digits or 0)
