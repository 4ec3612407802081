"""What a board with some faults would read, state by state, beside what was read.

A state is the set of switches that are held. Most faults matter in few states: an open switch in the one
where it is pressed, a cut line where a switch behind the cut is. So a state's table is that of a board with
the faults alone that matter in it, and is worked out once for all sets of faults that share them. A switch
that is exchanged with another one is the other one pressed. An undefined reading agrees with both.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from hil.board import Board, Table
from hil.faults import EVERY_DIODE, Fault
from hil.judge import lines_of, switches_on
from hil.observe import REST, Observation, members
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from keyc.keyboard import Wiring

Faults = frozenset[Fault]
State = frozenset[str]  # the switches that are held

PULLED_DOWN = REST + 1  # the row of a table with nothing driven and every line pulled down
NOTHING_HELD: State = frozenset()
NOTHING_PLANTED: Faults = frozenset()
_AT_THE_DIODE = ("open", "reversed", "shorted")
_AT_PADS = ("bridge", "low", "high", "leaky", "swapped")
_ALWAYS = ("bridge", "low", "high", "leaky", "closed", "slow")


@dataclass(frozen=True, slots=True)
class Evidence:
    """`rest`: a whole look with nothing pressed. `pressed`: per switch the table with it alone pressed.
    `chords`: tables with several held at once."""

    rest: Observation
    pressed: Mapping[str, Observation]
    chords: Mapping[frozenset[str], Observation] = field(default_factory=dict)


class Mismatch(NamedTuple):
    """In a row of a state these lines (a mask) were read low, and would be high; these the other way."""

    row: int
    missing: int
    extra: int

    @property
    def readings(self) -> int:
        return (self.missing | self.extra).bit_count()


@dataclass(frozen=True, slots=True)
class _Split:
    """Faults by the states that they matter in: `always`, or while a place is closed (`there`).
    `place`: switches exchanged with others → the place that a press closes."""

    always: Faults
    there: Mapping[str, Faults]
    place: Mapping[str, str]


class Compared:
    """One board's evidence, asked about sets of faults."""

    def __init__(self, wiring: Wiring, evidence: Evidence) -> None:
        self.wiring = wiring
        self.switches = {switch.name: switch for switch in wiring.switches}
        self.lines = {
            name: tuple(gpio for gpio in (s.column, s.row, s.direct) if gpio is not None)
            for name, s in self.switches.items()
        }
        rest = evidence.rest
        # What a module, an indicator or a dial's contact does with a pin that is no line of the matrix is
        # no fault of it.
        held = rest.row(REST) | (0 if rest.down is None else rest.over & ~rest.down)
        self.foreign = held & ~lines_of(wiring)
        self.states: dict[State, Observation] = {
            NOTHING_HELD: rest,
            **{frozenset((name,)): table for name, table in evidence.pressed.items()},
            **evidence.chords,
        }
        self._on = {gpio: switches_on(wiring, gpio) for each in self.lines.values() for gpio in each}
        self._splits: dict[Faults, _Split] = {}
        self._tables: dict[tuple[Faults, frozenset[str]], Table | None] = {}
        self._wrong: dict[tuple[State, Faults, State], tuple[Mismatch, ...]] = {}
        self._failed: dict[State, None] = {}  # where sets failed, the latest first

    def on(self, gpio: int) -> tuple[str, ...]:
        """The switches on a line, from the chip outwards."""
        return self._on.get(gpio, ())

    def lines_of(self, fault: Fault) -> tuple[int, ...]:
        """The lines that a fault touches; of a cut the one that is cut."""
        found: dict[int, None] = {}
        for word in fault.where[:1] if fault.kind == "cut" else fault.where:
            if word in self.lines:
                found.update(dict.fromkeys(self.lines[word]))
            elif word.startswith("GPIO"):
                found[int(word[4:])] = None
        return tuple(found)

    def place(self, faults: Faults, name: str) -> str:
        """The place that a press of this switch closes."""
        return self._split(faults).place.get(name, name)

    def wrong(self, faults: Faults, state: State) -> tuple[Mismatch, ...]:
        """The rows of a state that read otherwise than with these faults."""
        split = self._split(faults)
        closed = frozenset(split.place.get(name, name) for name in state)
        matter = split.always.union(*(split.there.get(name, ()) for name in closed))
        known = self._wrong.get((state, matter, closed))
        if known is None:
            table, seen = self._table(matter, closed), self.states[state]
            known = (Mismatch(REST, seen.over, 0),) if table is None else tuple(self._mismatches(seen, table))
            self._wrong[state, matter, closed] = known
        return known

    def first_wrong(self, faults: Faults) -> State | None:
        """A state that reads otherwise; that with nothing held before all others. None: all is explained."""
        if self.wrong(faults, NOTHING_HELD):
            return NOTHING_HELD
        for state in (*self._failed, *self.states):
            if self.wrong(faults, state):
                self._failed = dict.fromkeys((state, *list(self._failed)[:3]))
                return state
        return None

    def wrong_states(self, faults: Faults) -> Iterator[State]:
        """The states that read otherwise; that with nothing held before all others."""
        for state in dict.fromkeys((NOTHING_HELD, *self._failed, *self.states)):
            if self.wrong(faults, state):
                yield state

    def explain(self, faults: Faults) -> bool:
        """Whether these faults explain everything that was read."""
        return self.first_wrong(faults) is None

    def readings_wrong(
        self, faults: Faults, states: Iterable[State] | None = None, *, most: int | None = None
    ) -> int:
        """How many readings differ, in all states or in these; the count ends where it is over `most`."""
        count = 0
        for state in states or dict.fromkeys((NOTHING_HELD, *self._failed, *self.states)):
            count += sum(one.readings for one in self.wrong(faults, state))
            if most is not None and count > most:
                self._failed = dict.fromkeys((state, *list(self._failed)[:3]))
                break
        return count

    # -- one state -----------------------------------------------------------------------------------

    def _mismatches(self, seen: Observation, table: Table) -> Iterator[Mismatch]:
        usable = seen.over & ~seen.held & ~seen.slow & ~self.foreign
        for row in members(seen.rows & ~seen.held & ~seen.slow):
            model = table.at_rest if row == REST else table.driven[row]
            lines = usable & ~(1 << row)
            read = seen.row(row)
            missing, extra = read & ~(model.low | model.undefined) & lines, ~read & model.low & lines
            if missing or extra:
                yield Mismatch(row, missing, extra)
        if seen.down is not None:
            model, lines = table.pulled_down, seen.over & ~self.foreign
            missing = seen.down & ~(model.low | model.undefined) & lines
            extra = ~seen.down & model.low & lines
            if missing or extra:
                yield Mismatch(PULLED_DOWN, missing, extra)

    def _table(self, faults: Faults, closed: frozenset[str]) -> Table | None:
        """What a board with these faults reads; None if it doesn't answer. Worked out over the switches that
        are closed or named: one that is open and has no fault joins nothing."""
        key = faults, closed
        if key not in self._tables:
            named = closed.union(*(fault.where for fault in faults))
            some = tuple(switch for name, switch in self.switches.items() if name in named)
            planted = [one for fault in sorted(faults, key=str) for one in _in_pairs(fault)]
            try:
                board = Board(self.wiring.replaced(switches=some), planted, rises=False)
                self._tables[key] = board.table(closed)
            except UserError:  # supply and ground tied together
                self._tables[key] = None
        return self._tables[key]

    @property
    def tables(self) -> int:
        """How many tables were worked out so far."""
        return len(self._tables)

    # -- which faults matter where -------------------------------------------------------------------

    def _split(self, faults: Faults) -> _Split:
        known = self._splits.get(faults)
        if known is None:
            known = self._splits[faults] = self._worked_out(faults)
        return known

    def _worked_out(self, faults: Faults) -> _Split:
        nodes = [one for one in faults if self._joins_nodes(one)]
        unsure = {word for one in nodes for word in one.where}
        # Current gets to nodes that touch without a press: through a diode that is turned or shorted, or a
        # contact that is closed.
        open_to = {one.where[0] for one in faults if one.kind in ("reversed", "shorted", "closed")}
        nodes_always = len(nodes) > 1 or bool(open_to & {*unsure, EVERY_DIODE})
        unsure |= {one.where[0] for one in faults if one.kind == "closed"}
        crossed = [word for one in faults if one.kind == "swapped" for word in one.where]
        anywhere = any(one.kind == "moved" for one in faults) or len(set(crossed)) < len(crossed)
        at_pads = {word for one in faults if one.kind in _AT_PADS for word in one.where}
        always: set[Fault] = set()
        there: dict[str, set[Fault]] = {}
        place: dict[str, str] = {}
        for fault in sorted(faults, key=str):
            if fault.kind == "swapped" and fault.where[0] in self.switches:
                for a, b in zip(fault.where, fault.where[1:], strict=False):
                    place[a], place[b] = place.get(b, b), place.get(a, a)
                continue
            if fault in nodes:
                names = None if nodes_always else set(fault.where)
            else:
                names = self._where_it_matters(fault, anywhere, at_pads)
            if names is None or (names & unsure and fault not in nodes):
                always.add(fault)
            else:
                for name in names:
                    there.setdefault(name, set()).add(fault)
        return _Split(frozenset(always), {name: frozenset(some) for name, some in there.items()}, place)

    def _joins_nodes(self, fault: Fault) -> bool:
        return fault.kind == "bridge" and fault.where[0] in self.switches

    def _where_it_matters(self, fault: Fault, anywhere: bool, at_pads: set[str]) -> set[str] | None:
        """The switches whose press this fault can change; None: it matters in any state."""
        kind, where = fault.kind, fault.where
        if kind in _ALWAYS or where[0] == EVERY_DIODE:
            return None
        if where[0] in self.switches:
            return {where[0]} if kind in (*_AT_THE_DIODE, "moved") else None
        if anywhere or (kind == "open" and where[0] in at_pads):
            return None
        gpios = [int(word[4:]) for word in where if word.startswith("GPIO")]
        if kind == "cut":
            on = self.on(gpios[0])
            return set(on[on.index(where[1]) + 1 :])
        return {name for gpio in gpios for name in self.on(gpio)}


def _in_pairs(fault: Fault) -> Iterator[Fault]:
    """A round of exchanged lines as the exchanges that make it."""
    if fault.kind == "swapped" and len(fault.where) > 2:
        for a, b in zip(fault.where, fault.where[1:], strict=False):
            yield Fault("swapped", (a, b))
    else:
        yield fault
