"""Fault sets that give the same readings: what electricity can't tell apart.

The rules of `diagnose` name the likely faults. Here the electrical model is asked what it would read with
exactly these faults, and that is compared with what the board showed, pair by pair. Where they differ,
faults near the difference are tried until nothing differs; then each fault is exchanged for others near
it, and what reads the same is listed with it. An undefined reading agrees with both.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from itertools import combinations, permutations
from typing import TYPE_CHECKING

from hil.board import EVERY_DIODE, Board, Fault, Table
from hil.judge import lines_of, switches_on
from hil.observe import REST, Observation, members
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes
from keyc.pins import neighbours

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from keyc.keyboard import Wiring

_ROUNDS = 6  # how many faults the search adds, takes away or exchanges at most
_MORE = 1_500  # readings worked out at most where one set that explains everything is known already
_TRIED = 6_000  # readings that one search works out at most: a board full of faults is mended step by step
_LOOKED_AT = 5  # states by which a step is judged before all of them are looked at
_BEAM = 4  # unfinished sets that are followed at a time
_COVERED = 8  # silent switches whose opens and cuts are told in other ways too
_NEVER = 1 << 30
_NEAR = 6  # switches of one fault whose own faults are tried in its place
_TOGETHER = ("bridge", "leaky", "swapped")  # the order of what they name says nothing

Faults = frozenset[Fault]
Closed = frozenset[str]  # the switches that are held: a state of the board


@dataclass(frozen=True, slots=True)
class Evidence:
    """`rest`: a whole look with nothing pressed. `pressed`: per switch the table with it alone pressed.
    `chords`: tables with several held at once."""

    rest: Observation
    pressed: Mapping[str, Observation]
    chords: Mapping[frozenset[str], Observation] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Exchange:
    """`instead` put in the place of `of` (faults of an explanation) reads the same."""

    of: Faults
    instead: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """`faults`: the likeliest set. `alike`: what could stand in the place of some of them, likeliest first.
    `differs`: readings that `faults` doesn't explain; with any, `alike` is empty."""

    faults: tuple[Fault, ...]
    alike: tuple[Exchange, ...]
    differs: int


def canonical(fault: Fault) -> Fault:
    """The same fault, with what it names in a fixed order."""
    if fault.kind not in _TOGETHER or len(fault.where) != 2:
        return fault
    return Fault(fault.kind, _in_order(fault.where), fault.amount)


def explanation(wiring: Wiring, evidence: Evidence, named: Iterable[Fault]) -> Explanation:
    """What explains the evidence, starting from faults that the rules have named."""
    return _Search(wiring, evidence).explanation([canonical(fault) for fault in named])


class _Search:
    def __init__(self, wiring: Wiring, evidence: Evidence) -> None:
        self.wiring, self.evidence = wiring, evidence
        self.switches = {switch.name: switch for switch in wiring.switches}
        self.order = {name: n for n, name in enumerate(self.switches)}
        # What a module, an indicator or a dial's contact does with a pin that is no line of the matrix is no
        # fault of it.
        rest = evidence.rest
        held = rest.row(REST) | (0 if rest.down is None else rest.over & ~rest.down)
        self.ignored = held & ~lines_of(wiring)
        self.at = {(s.row, s.column): s.name for s in wiring.switches if s.direct is None}
        self.states: dict[Closed, Observation] = {frozenset(): evidence.rest}
        self.states.update({frozenset((name,)): table for name, table in evidence.pressed.items()})
        self.states.update(evidence.chords)
        self.pressed = set(evidence.pressed)
        self.boards: dict[Faults, Board | None] = {}
        self.left = _TRIED

    def explanation(self, named: Sequence[Fault]) -> Explanation:
        given = frozenset(named)
        whole = {given} if not self._differs(given) else set()
        best, differs = given, self._differs(given)
        entangled = any(self._touch(one, other) for one, other in combinations(given, 2))
        odd = any(_COST[one.kind] >= _UNLIKELY for one in given)
        if whole:
            self.left = min(self.left, _MORE)
        if not whole or entangled or odd:
            # Dirt agrees with almost anything, so it comes last.
            for leaks in (False, True):
                roots = [frozenset[Fault]()] if whole else [given, frozenset[Fault]()]
                most = len(given) + odd if whole else _ROUNDS
                found, nearest = self._searched(roots, most, leaks=leaks)
                whole |= found
                if nearest[0] < differs:
                    differs, best = nearest
                if whole:
                    break
        if whole:
            needed = {self._without_needless(one) for one in whole}
            best, differs = min(needed, key=lambda one: (_cost(one), sorted(map(str, one)))), 0
            others = sorted((one for one in needed if len(one) <= len(best) + odd), key=_cost)
        ordered = (
            *(fault for fault in named if fault in best),
            *sorted(best - given, key=_likeliness),
        )
        if differs:
            return Explanation(ordered, (), differs)
        self.left = max(self.left, _MORE)
        alike = [Exchange(frozenset((fault,)), one) for fault in ordered for one in self._alike(best, fault)]
        alike += [*self._other_covers(best), *self._by_dirt(best), *self._turned(best)]
        known = {(one.of, frozenset(one.instead)) for one in alike}
        singly = {(*one.of, *one.instead) for one in alike if len(one.instead) == len(one.of) == 1}
        for other in others:
            of, instead = best - other, other - best
            # What single exchanges make, one after the other, needs no line of its own.
            made = len(of) == len(instead) and any(
                singly.issuperset(zip(of, some, strict=True)) for some in permutations(instead)
            )
            if of and instead and not made and (of, instead) not in known:
                alike.append(Exchange(of, tuple(sorted(instead, key=_likeliness))))
        return Explanation(ordered, tuple(alike), 0)

    # -- comparing ---------------------------------------------------------------------------------

    def _differs(
        self,
        faults: Faults,
        order: Iterable[Closed] = (),
        *,
        most: int | None = None,
        only: bool = False,
    ) -> int:
        """How many readings differ from what these faults would give; stops counting beyond `most`.
        `order`: the states that are looked at first, or `only`."""
        board = self._board(faults)
        if board is None:
            return _NEVER
        count = 0
        for state in dict.fromkeys((*order, *(() if only else self.states))):
            if state not in self.states:
                continue
            self.left -= 1
            table = board.table(state)
            count += sum(wrong.bit_count() for _, wrong in self._rows(self.states[state], table))
            if most is not None and count > most:
                break
        return count

    def _where_differs(self, faults: Faults) -> dict[tuple[Closed, int], int]:
        """(state, row) → the lines that read otherwise than with these faults."""
        board = self._board(faults)
        if board is None:
            return {}
        return {
            (state, row): wrong
            for state, seen in self.states.items()
            for row, wrong in self._rows(seen, board.table(state))
        }

    def _rows(self, seen: Observation, table: Table) -> Iterator[tuple[int, int]]:
        usable = seen.over & ~seen.held & ~seen.slow & ~self.ignored
        for row in members(seen.rows & ~seen.held & ~seen.slow):
            model = table.at_rest if row == REST else table.driven[row]
            lines = usable & ~(1 << row)
            read = seen.row(row)
            wrong = (read & ~(model.low | model.undefined) | ~read & model.low) & lines
            if wrong:
                yield row, wrong
        if seen.down is not None:
            model, lines = table.pulled_down, seen.over & ~self.ignored
            wrong = (seen.down & ~(model.low | model.undefined) | ~seen.down & model.low) & lines
            if wrong:
                yield REST + 1, wrong

    def _board(self, faults: Faults) -> Board | None:
        if faults not in self.boards:
            planted = [one for fault in sorted(faults, key=str) for one in _in_pairs(fault)]
            try:
                self.boards[faults] = Board(self.wiring, planted)
            except UserError:  # supply and ground tied together: such a board doesn't answer
                self.boards[faults] = None
        return self.boards[faults]

    # -- searching ---------------------------------------------------------------------------------

    def _searched(
        self, roots: Sequence[Faults], most: int, *, leaks: bool
    ) -> tuple[set[Faults], tuple[int, Faults]]:
        """Sets of `most` faults at most that explain everything, those with the fewest steps from a root;
        and the one that explains most. Steps are judged by the states that differ, and then by all."""
        ahead = [(self._differs(root), root) for root in dict.fromkeys(roots)]
        seen = set(roots)
        nearest = min(ahead, key=lambda one: one[0])
        for _ in range(most):
            further: list[tuple[int, float, int, Faults]] = []
            for _, faults in ahead:
                where = self._where_differs(faults)
                wrong_in: Counter[Closed] = Counter()
                for (state, _), wrong in where.items():
                    wrong_in[state] += wrong.bit_count()
                differs = wrong_in.total()
                # First what shows with nothing pressed: it shows in every other state too.
                at_rest = {place: wrong for place, wrong in where.items() if not place[0]}
                where = at_rest or where
                for changed in self._steps(faults, self._near_difference(where, leaks)):
                    if changed in seen or self.left <= 0 or len(changed) > most:
                        continue
                    seen.add(changed)
                    touched = [s for one in changed ^ faults for s in self._states_of(one) if s in wrong_in]
                    looked = list(dict.fromkeys((*touched, *wrong_in)))[:_LOOKED_AT]
                    if at_rest:
                        looked = [frozenset()]
                    before = sum(wrong_in[state] for state in looked)
                    now = self._differs(changed, looked, most=before - 1, only=True)
                    if not now:
                        now, before = self._differs(changed, looked, most=differs - 1), differs
                    if now < before:
                        further.append((differs - before + now, _cost(changed), len(further), changed))
            further.sort()
            whole = {one for now, _, _, one in further if not now}
            if whole or not further:
                return whole, nearest
            ahead = sorted(
                ((self._differs(one), one) for _, _, _, one in further[: 3 * _BEAM]), key=lambda one: one[0]
            )[:_BEAM]
            nearest = min(nearest, ahead[0], key=lambda one: one[0])
        return set(), nearest

    def _steps(self, faults: Faults, near: Sequence[tuple[Fault, ...]]) -> Iterator[Faults]:
        """A fault more (or two that go together), one less, or one exchanged."""
        for some in near:
            if not set(some) <= faults:
                yield faults | set(some)
        for gone in sorted(faults, key=str):
            yield faults - {gone}
        for some in near:
            for gone in sorted(faults, key=str):
                if not set(some) <= faults and any(self._touch(one, gone) for one in some):
                    yield faults - {gone} | set(some)

    def _touch(self, one: Fault, other: Fault) -> bool:
        return bool(set(self._lines(one)) & set(self._lines(other)))

    def _near_difference(
        self, differs: Mapping[tuple[Closed, int], int], leaks: bool
    ) -> list[tuple[Fault, ...]]:
        """Faults at the switches and lines of readings that differ, likeliest first."""
        names: dict[str, None] = {}
        lines: dict[int, None] = {}
        for (state, row), wrong in differs.items():
            names.update(dict.fromkeys(sorted(state, key=self.order.__getitem__)))
            each = (*members(wrong), *((row,) if row < REST else ()))
            lines.update(dict.fromkeys(each))
            for a, b in combinations(each, 2):
                for place in ((a, b), (b, a)):
                    if place in self.at:
                        names[self.at[place]] = None
        some = list(names)[:12]
        lines = dict.fromkeys(list(lines)[:10])
        own = dict.fromkeys(gpio for name in some for gpio in self._lines(Fault("open", (name,))))
        found = [Fault(kind, (name,)) for name in some for kind in self._kinds(name)]
        found += [fault for gpio in {**lines, **own} for fault in self._line_faults(gpio)]
        found += [Fault("bridge", (f"GPIO{a}", f"GPIO{b}")) for a, b in combinations(sorted(lines), 2)]
        for name in some[:6]:
            found += self._node_bridges(name, lines)
        found += [Fault("swapped", _in_order(both)) for both in combinations(some, 2)]
        found += [Fault("swapped", (f"GPIO{a}", f"GPIO{b}")) for a, b in combinations(sorted(lines), 2)]
        if leaks:
            found += [_dirt(a, b) for a, b in combinations(sorted({**lines, **own}), 2)]
        together = [
            (Fault("open", (f"GPIO{gpio}",)), Fault(kind, (f"GPIO{gpio}",)))
            for gpio in own
            for kind in ("low", "high")
        ]
        together += [
            (Fault("open", (f"GPIO{gpio}",)), Fault("closed", (name,)))
            for gpio in own
            for name in switches_on(self.wiring, gpio)
        ]
        if self.wiring.diodes is not Diodes.NONE:  # a bridge of two nodes shows at rest beside a short
            for a, b in combinations(list(lines)[:4], 2):
                nodes = [(x, y) for x in self._on(a) for y in self._on(b) if x != y]
                together += [
                    (Fault("shorted", (name,)), Fault("bridge", _in_order(both)))
                    for both in nodes
                    for name in both
                ]
        together += [
            (Fault("open", (f"GPIO{a}",)), Fault("bridge", _in_order((f"GPIO{a}", f"GPIO{b}"))))
            for a in own
            for b in lines
            if a != b
        ]
        return [*((fault,) for fault in dict.fromkeys(map(canonical, found))), *together]

    def _on(self, gpio: int) -> list[str]:
        """The first few switches of the matrix on a line."""
        return [name for name in switches_on(self.wiring, gpio) if self.switches[name].direct is None][:_NEAR]

    def _kinds(self, name: str) -> tuple[str, ...]:
        plain = self.switches[name].direct is not None or self.wiring.diodes is Diodes.NONE
        return ("open", "closed") if plain else ("open", "reversed", "shorted", "closed")

    def _line_faults(self, gpio: int) -> Iterator[Fault]:
        pin = f"GPIO{gpio}"
        yield from (Fault("low", (pin,)), Fault("high", (pin,)))
        on = switches_on(self.wiring, gpio)
        if on:
            yield Fault("open", (pin,))
            yield from (Fault("cut", (pin, name)) for name in on[:-1])

    def _node_bridges(self, name: str, lines: Iterable[int]) -> Iterator[Fault]:
        if self.wiring.diodes is Diodes.NONE or self.switches[name].direct is not None:
            return
        wanted = set(lines)
        for other, switch in self.switches.items():
            if other != name and switch.direct is None and {switch.row, switch.column} & wanted:
                yield Fault("bridge", _in_order((name, other)))

    def _without_needless(self, faults: Faults) -> Faults:
        """Leaves out what explains nothing, and puts one fault for two that it explains."""
        for fault in sorted(faults, key=_likeliness, reverse=True):
            fewer = faults - {fault}
            if self.left > 0 and not self._differs(fewer, self._states_of(fault), most=0):
                faults = fewer
        for one, other in combinations(sorted(faults, key=str), 2):
            if not {one, other} <= faults or not self._touch(one, other):
                continue
            for instead in (*self._near(one, faults), *self._near(other, faults)):
                changed = faults - {one, other} | {instead}
                if instead.kind == "leaky":
                    continue
                if len(changed) < len(faults) and not self._differs(changed, self._states_of(one), most=0):
                    faults = changed
                    break
        return faults

    # -- what could stand in a fault's place ----------------------------------------------------------

    def _alike(self, faults: Faults, fault: Fault) -> Iterator[tuple[Fault, ...]]:
        others = faults - {fault}
        order = self._states_of(fault)
        tried: list[tuple[Fault, ...]] = [(one,) for one in self._near(fault, faults)]
        tried += self._pairs_near(fault)
        for instead in tried:
            if self.left <= 0:
                return
            if not set(instead) & faults and not self._differs(others | set(instead), order, most=0):
                # Both must be needed, else it is the one that explains, and that is listed.
                if len(instead) > 1 and any(
                    not self._differs(others | set(instead) - {one}, order, most=0) for one in instead
                ):
                    continue
                yield instead

    def _other_covers(self, faults: Faults) -> Iterator[Exchange]:
        """Silent switches told as other opens and cuts: as many as now, or as two or three switches."""
        group = frozenset(one for one in faults if one.kind in ("open", "cut"))
        silent = {name for one in group for name in self._silenced_by(one)} & self.pressed
        if not group or not 2 <= len(silent) <= _COVERED:
            return
        pieces: dict[Fault, frozenset[str]] = {}
        for name in sorted(silent, key=self.order.__getitem__):
            pieces[Fault("open", (name,))] = frozenset((name,))
            for gpio in self._lines(Fault("open", (name,))):
                for one in self._line_faults(gpio):
                    hushed = self._silenced_by(one) & self.pressed
                    if one.kind in ("open", "cut") and hushed and hushed <= silent:
                        pieces[one] = frozenset(hushed)
        most = max(len(group) + 1, len(silent) if len(silent) <= 3 else 0)
        for count in range(1, most + 1):
            for some in combinations(pieces, count):
                if self.left <= 0:
                    return
                told = {name for one in some for name in pieces[one]}
                needed = all(
                    told != frozenset().union(*(pieces[o] for o in some if o != one)) for one in some
                )
                once = len(group - set(some)) > 1 or len(set(some) - group) > 1
                if told == silent and needed and once:
                    others = faults - group
                    if not self._differs(others | set(some), self._states_of(some[0]), most=0):
                        yield Exchange(group - set(some), tuple(one for one in some if one not in group))

    def _by_dirt(self, faults: Faults) -> Iterator[Exchange]:
        """Two faults that dirt between two lines would explain alone."""
        for one, other in combinations(sorted(faults, key=str), 2):
            if self._touch(one, other) and "leaky" not in (one.kind, other.kind):
                lines = sorted({*self._lines(one), *self._lines(other)})
                for a, b in combinations(lines[:4], 2):
                    leak, both = _dirt(a, b), frozenset((one, other))
                    if not self._differs(faults - both | {leak}, self._states_of(one), most=0):
                        yield Exchange(both, (leak,))

    def _turned(self, faults: Faults) -> Iterator[Exchange]:
        """Every diode that could be measured in backwards: perhaps it is the file's line."""
        turned = frozenset(one for one in faults if one.kind == "reversed" and one.where != (EVERY_DIODE,))
        instead = Fault("reversed", (EVERY_DIODE,))
        if len(turned) > 1 and not self._differs(faults - turned | {instead}, most=0):
            yield Exchange(turned, (instead,))

    def _silenced_by(self, fault: Fault) -> set[str]:
        """The switches that this open or cut keeps from answering."""
        if fault.kind not in ("open", "cut"):
            return set()
        if fault.where[0] in self.switches:
            return {fault.where[0]}
        on = switches_on(self.wiring, int(fault.where[0][4:]))
        return set(on[on.index(fault.where[1]) + 1 :] if fault.kind == "cut" else on)

    def _near(self, fault: Fault, faults: Faults) -> list[Fault]:
        """Single faults that might read as this one does."""
        lines = self._lines(fault)
        names = [word for word in fault.where if word in self.switches]
        if not names:
            names = [name for gpio in lines for name in switches_on(self.wiring, gpio)][: 4 * _NEAR]
        if fault.kind == "cut":
            names = [n for gpio in lines[:1] for n in switches_on(self.wiring, gpio)]
        found: list[Fault] = []
        kind = fault.kind
        if kind in ("open", "cut"):
            found += [Fault("open", (f"GPIO{gpio}",)) for gpio in lines]
            found += [Fault("open", (name,)) for name in names]
            found += [one for gpio in lines for one in self._line_faults(gpio) if one.kind == "cut"]
            found += [
                one
                for name in names[:_NEAR]
                for gpio in self._lines(Fault("open", (name,)))
                for one in self._line_faults(gpio)
                if one.kind in ("cut", "open")
            ]
            if fault.where[0] in self.switches:
                found += self._with_hidden(fault.where[0])
                held = [g for one in faults if one.kind in ("low", "high") for g in self._lines(one)]
                found += [Fault("swapped", (f"GPIO{a}", f"GPIO{b}")) for a in lines for b in held if a != b]
        elif kind in ("low", "high"):
            touching = {gpio for each in faults for gpio in self._lines(each)} - set(lines)
            found += [Fault("bridge", (f"GPIO{a}", f"GPIO{b}")) for a in lines for b in touching]
            found += [Fault("closed", (name,)) for name in names if self.switches[name].direct is not None]
            found += [
                Fault("closed", (self.at[place],))
                for a in lines
                for b in touching
                for place in ((a, b), (b, a))
                if place in self.at
            ]
        elif kind == "bridge" and fault.where[0] not in self.switches:
            touching = {
                gpio
                for each in faults
                if each.kind in ("bridge", "low", "high", "closed")
                for gpio in self._lines(each)
            }
            found += [Fault("bridge", (f"GPIO{a}", f"GPIO{b}")) for a in lines for b in touching if a != b]
            found += [Fault(each, (f"GPIO{a}",)) for a in lines for each in ("low", "high")]
            if any(one.kind == "swapped" for one in faults):
                found += [Fault("closed", (name,)) for name in names[: 4 * _NEAR]]
            found += [
                Fault("closed", (self.at[place],))
                for place in _both_ways([*lines, *(touching - set(lines))])
                if place in self.at
            ]
        elif kind == "bridge":
            found += [one for name in names for one in self._node_bridges(name, self.all_lines)]
            found += [Fault("shorted", (name,)) for name in names]
        elif kind == "leaky":
            found += [
                Fault(each, (self.at[place],))
                for place in _both_ways(lines)
                if place in self.at
                for each in self._kinds(self.at[place])
            ]
            found.append(Fault("bridge", fault.where))
        elif kind == "swapped":
            for group in (self.wiring.rows, self.wiring.columns, self.wiring.direct_pins):
                found += [Fault("swapped", (f"GPIO{a}", f"GPIO{b}")) for a, b in combinations(group, 2)]
            found += [Fault("swapped", _in_order(both)) for both in combinations(names[:_NEAR], 2)]
            found += [one for name in names[:2] for one in self._with_hidden(name)]
        elif kind == "moved":
            found += [one for name in names for one in self._node_bridges(name, self.all_lines)]
        elif kind in ("reversed", "shorted", "closed"):
            found += [Fault(each, (name,)) for name in names for each in self._kinds(name)]
            found += [Fault("low", (f"GPIO{gpio}",)) for gpio in lines]
            if len(lines) == 2:
                found.append(Fault("bridge", (f"GPIO{lines[0]}", f"GPIO{lines[1]}")))
            if kind == "shorted":
                found += [one for name in names for one in self._node_bridges(name, self.all_lines)]
        if kind in ("bridge", "closed", "reversed", "leaky"):
            found += [_dirt(a, b) for a, b in combinations(sorted(lines), 2)]
        return [one for one in dict.fromkeys(map(canonical, found)) if one != fault]

    def _with_hidden(self, name: str) -> Iterator[Fault]:
        """This one exchanged with a switch that no press could judge."""
        for other in self.switches:
            if other != name and other not in self.pressed:
                yield Fault("swapped", _in_order((name, other)))

    def _pairs_near(self, fault: Fault) -> Iterator[tuple[Fault, ...]]:
        """A diode shorted under a switch that is closed joins its two lines; one that is in backwards leads
        the other way."""
        if self.wiring.diodes is Diodes.NONE or fault.where[0] in self.switches:
            return
        if fault.kind in ("bridge", "leaky", "low", "high"):
            for name in [self.at[place] for place in _both_ways(self._lines(fault)) if place in self.at]:
                yield (Fault("closed", (name,)), Fault("shorted", (name,)))
                yield (Fault("closed", (name,)), Fault("reversed", (name,)))

    @property
    def all_lines(self) -> tuple[int, ...]:
        return (*self.wiring.rows, *self.wiring.columns)

    def _lines(self, fault: Fault) -> list[int]:
        found: dict[int, None] = {}
        for word in fault.where:
            if word in self.switches:
                switch = self.switches[word]
                each = [gpio for gpio in (switch.row, switch.column, switch.direct) if gpio is not None]
            else:
                each = [int(word[4:])] if word.startswith("GPIO") else []
            found.update(dict.fromkeys(each))
        if fault.kind == "cut":
            return list(found)[:1]
        return list(found)

    def _states_of(self, fault: Fault) -> list[Closed]:
        """The states in which this fault shows first."""
        names = [word for word in fault.where if word in self.switches]
        if fault.kind == "cut" or not names:
            on = [name for gpio in self._lines(fault) for name in switches_on(self.wiring, gpio)]
            names = [*names, *on]
        alone = [frozenset((name,)) for name in names]
        chords = [held for held in self.evidence.chords if held & set(names)]
        if fault.kind in ("open", "cut", "swapped"):
            return [*alone, *chords, frozenset()]
        return [frozenset(), *alone, *chords]


_DIRT = "47k"  # anything from 10 to 200 kOhm reads alike

# Common practice among people who solder boards by hand, likeliest first.
# Logarithms of how rarely one comes at one place; from memory.
_COST = {
    "open": 5.0,
    "reversed": 5.2,
    "bridge": 5.4,
    "low": 6.0,
    "high": 6.2,
    "closed": 6.2,
    "shorted": 6.2,
    "cut": 6.6,
    "swapped": 6.6,
    "leaky": 11.0,
    "moved": 9.0,
}
_UNLIKELY = 9.0
_FAR_APART = 1.0  # a bridge between pins that aren't neighbours
_PIN = 0.5  # a pin of the chip that isn't soldered: beside the switches' legs there are few


def _cost(faults: Iterable[Fault]) -> float:
    """How unlikely these faults are together: the fewest first, the commoner ones first."""
    return sum(
        _COST[one.kind]
        + _FAR_APART * _is_far_apart(one)
        + _PIN * (one.kind == "open" and one.where[0].startswith("GPIO"))
        for one in faults
    )


def _is_far_apart(fault: Fault) -> bool:
    if fault.kind != "bridge":
        return False
    a, b = fault.where
    if not (a.startswith("GPIO") and b.startswith("GPIO")):
        return True
    return int(b[4:]) not in {pin.gpio for pin in neighbours(int(a[4:]))}


def _likeliness(fault: Fault) -> tuple[float, str]:
    return _cost((fault,)), str(fault)


def _dirt(a: int, b: int) -> Fault:
    return Fault("leaky", (f"GPIO{a}", f"GPIO{b}"), _DIRT)


def _in_order(words: Sequence[str]) -> tuple[str, ...]:
    def key(word: str) -> tuple[str, int]:
        digits = "".join(c for c in word if c.isdigit())
        return word.rstrip("0123456789"), int(digits or 0)

    return tuple(sorted(words, key=key))


def _in_pairs(fault: Fault) -> Iterator[Fault]:
    """A round of swapped switches as the exchanges that make it."""
    if fault.kind == "swapped" and len(fault.where) > 2:
        for a, b in zip(fault.where, fault.where[1:], strict=False):
            yield Fault("swapped", (a, b))
    elif fault.kind not in ("sticks", "drops", "bounces"):
        yield fault


def _both_ways(lines: Sequence[int]) -> Iterator[tuple[int, int]]:
    for a, b in combinations(lines, 2):
        yield a, b
        yield b, a
