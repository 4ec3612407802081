"""Fault sets that give the same readings: what electricity can't tell apart.

The rules of `diagnose` name the likely faults. Here the electrical model says what it would read with exactly
these (`compared`). Where that differs from what was read, faults that could have made the difference
(`candidates`) are added until nothing differs; then each fault, and each two that touch, are taken out, and
all that completes the rest again is listed as reading the same.

Every set that explains a reading has one of the faults that `Candidates.near` names. So whoever tries each
of them, and for what each leaves wrong each one again, finds every set of two, and so on. On boards of few
switches all sets of three faults at most are found in this way (`_every`), the likeliest first, as far as the
work allowed goes. On larger boards every one or two faults are found that stand in for one fault or for two
that touch: the second is looked for only where the first, alone, leaves fewer readings wrong, or where both
are at one place; two exchanges that cross may escape that. Beyond, faults are added one step at a time, as
long as each explains something.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, islice
from typing import TYPE_CHECKING

from hil.diagnosis.candidates import UNLIKELY, Candidates, canonical, cost, joined, likeliness
from hil.diagnosis.compared import NOTHING_HELD, NOTHING_PLANTED, Compared, Evidence
from hil.faults import EVERY_DIODE, Fault
from hil.observe import REST

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from hil.diagnosis.compared import Faults, State
    from keyc.keyboard import Wiring

__all__ = ["Evidence", "Exchange", "Explanation", "canonical", "explanation"]

_ROUNDS = 6  # how many faults the search adds at most
_BEAM = 4  # unfinished sets that are followed at a time
_LOOKED_AT = 8  # wrong states by which a step is judged before all of them are looked at
_WIDE = 24  # first faults of two that are followed by a second one
_TABLES = 3_000  # worked out at most: a board full of faults is mended step by step
_EXCHANGES = 1_200  # and as many more for what reads the same
_SIMPLE = 2  # with more faults than so many, a set may be a way round two that show only together
_FEW_SWITCHES = 32  # of a board on which every two faults may be tried, whatever each alone explains
_WHOLLY = 2_500  # twos that are tried so at most
_ALL_OF = 3  # faults of a set at most, of which all are tried on a small board
_SMALL = 13  # switches of such a board
_ALL_TABLES = 3_000  # worked out for that at most: the likeliest first
_SETS_A_TABLE = 5  # sets that are looked at in the time that a table takes
_IF_ONE_DOES = 1_000  # ... where a single fault explains everything
_FEWEST_OF = 5  # wrong states that are looked at for the one that least could have made so
_ONE_BY_ONE = 3  # silent switches of one fault that may as well be open each by itself
_CLEARLY = 0.01  # sums of the same costs, in another order


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


def explanation(wiring: Wiring, evidence: Evidence, named: Iterable[Fault]) -> Explanation:
    """What explains the evidence, starting from faults that the rules have named."""
    return _Search(wiring, evidence).explanation([canonical(fault) for fault in named])


class _Search:
    def __init__(self, wiring: Wiring, evidence: Evidence) -> None:
        self.compared = Compared(wiring, evidence)
        self.rise_us = evidence.rest.rise_us
        self.candidates = Candidates(self.compared)
        self.allowed = _TABLES
        self.every: set[Faults] = set()
        self.is_all = False

    def explanation(self, named: Sequence[Fault]) -> Explanation:
        given = frozenset(named)
        self.every, self.is_all = self._every()
        whole = {given} if self.compared.explain(given) else set()
        nearest = given
        if self.every:
            whole |= self.every
        elif not whole or self._is_doubtful(given):
            # Dirt agrees with almost anything, and a switch may be moved anywhere, so they come last.
            roots: list[Faults] = [frozenset()] if whole else [given, frozenset()]
            found, nearest = self._searched(roots, rare=False)
            if all(len(one) > _SIMPLE or _has_unlikely(one) for one in found):
                found = found | self._rebuilt(dict.fromkeys((given, given if whole else nearest)))
            whole |= found
            if not whole:
                whole, nearest = self._searched(roots, rare=True)
        if not whole:
            ordered = (*(f for f in named if f in nearest), *sorted(nearest - given, key=likeliness))
            return Explanation(ordered, (), self.compared.readings_wrong(nearest))
        best = min({self._without_needless(one) for one in whole}, key=self._rank)
        while True:
            self.allowed = self.compared.tables + _EXCHANGES
            alike = self._exchanges(best)
            others = (self._without_needless(best - one.of | set(one.instead)) for one in alike)
            better = min(others, key=self._rank, default=best)
            if self._cost(better) > self._cost(best) - _CLEARLY:
                break
            best = better
        ordered = (*(f for f in named if f in best), *sorted(best - given, key=likeliness))
        return Explanation(ordered, tuple(alike), 0)

    def _every(self) -> tuple[set[Faults], bool]:
        """On a small board all sets of a few faults that explain everything, none of them with one that isn't
        needed; and whether these are all of them. Each such set has one of the faults that `near` names for
        a wrong reading, and of what is left of it one of those named then: the last one for all readings."""
        compared, near = self.compared, self.candidates.near
        if len(compared.switches) > _SMALL or compared.explain(NOTHING_PLANTED):
            return set(), False
        before, allowed = compared.tables, _ALL_TABLES
        whole: set[Faults] = set()
        seen = {NOTHING_PLANTED}
        ahead = [NOTHING_PLANTED]
        steps: Sequence[tuple[Fault, ...]]
        while ahead:
            further: dict[Faults, None] = {}
            for faults in sorted(ahead, key=self._rank):
                if compared.tables - before + len(seen) // _SETS_A_TABLE > allowed:
                    return self._needed(whole), False
                if _steps_to(faults) == _ALL_OF - 1:
                    steps = [(one,) for one in self.candidates.by_themselves(faults)]
                else:
                    states = self._first_states(faults)
                    steps = min((near(faults, state, alone=False) for state in states), key=len)
                singly = {some[0] for some in steps if len(some) == 1}
                for some in steps:
                    if len(some) > 1 and not singly.isdisjoint(some):
                        continue  # found by way of the one that shows by itself
                    for changed in joined(faults, some):
                        if changed in seen or _steps_to(changed) > _ALL_OF:
                            continue
                        seen.add(changed)
                        if compared.explain(changed):
                            whole.add(changed)
                        elif _steps_to(changed) < _ALL_OF:
                            further[changed] = None
            ahead = list(further)
            if any(len(one) == 1 for one in whole):
                allowed = _IF_ONE_DOES
        return self._needed(whole), True

    def _first_states(self, faults: Faults) -> list[State]:
        """Some of the states that read otherwise; what shows with nothing held is looked at alone."""
        states = list(islice(self.compared.wrong_states(faults), _FEWEST_OF))
        return states[:1] if states[0] == NOTHING_HELD else states

    def _needed(self, whole: set[Faults]) -> set[Faults]:
        return {one for one in whole if not any(other < one for other in whole) and self._is_needed(one, one)}

    def _is_doubtful(self, faults: Faults) -> bool:
        """Whether others may well explain more simply: something unlikely, or many that touch."""
        many = len(faults) > 2 and any(self._touch(*both) for both in combinations(faults, 2))
        return many or _has_unlikely(faults)

    def _cost(self, faults: Iterable[Fault]) -> float:
        return cost(faults, self.rise_us)

    def _rank(self, faults: Faults) -> tuple[float, list[str]]:
        return round(self._cost(faults), 3), sorted(map(str, faults))

    # -- finding one set that explains everything --------------------------------------------------------

    def _searched(self, roots: Sequence[Faults], *, rare: bool) -> tuple[set[Faults], Faults]:
        """Sets that explain everything, those with the fewest faults more than a root; and the one that
        explains most."""
        wrong = self.compared.readings_wrong
        ahead = sorted(((wrong(root), cost(root), root) for root in dict.fromkeys(roots)), key=_by_wrong)
        followed = set(roots)
        nearest = ahead[0]
        for _ in range(_ROUNDS):
            further: list[tuple[int, float, Faults]] = []
            for _, _, faults in ahead:
                fewer = (faults - {gone} for gone in sorted(faults, key=str))
                steps = [*self._steps(faults, rare=rare), *fewer]
                # Each root judges for itself: what looks no better from one may be the way from another.
                further += self._less_wrong(faults, steps, set(followed))[: 3 * _BEAM]
            best = sorted({one[2]: one for one in further}.values(), key=_by_wrong)[: 3 * _BEAM]
            ahead = sorted(((wrong(one), far, one) for _, far, one in best), key=_by_wrong)
            whole = {one for left, _, one in ahead if not left}
            if whole or not ahead:
                return whole, nearest[2]
            ahead = ahead[:_BEAM]
            followed.update(one for _, _, one in ahead)
            nearest = min(nearest, ahead[0], key=_by_wrong)
        return set(), nearest[2]

    def _rebuilt(self, roots: Iterable[Faults]) -> set[Faults]:
        """Sets that explain everything, made of what is left of a root without two of its faults at most, and
        two others at most, whatever each alone would explain."""
        bases = [
            root - set(gone)
            for root in roots
            for count in range(3)
            for gone in combinations(sorted(root, key=likeliness), count)
        ]
        found: set[Faults] = set()
        self.allowed = self.compared.tables + (
            _TABLES if len(self.compared.switches) > _SMALL else _EXCHANGES
        )
        for most in (1, 2):
            for base in dict.fromkeys((*bases, NOTHING_PLANTED)):
                if most == 1 or self._can_be_tried(base):
                    found.update(self._completed(base, most, blindly=True))
            if found:
                break
        return found

    def _can_be_tried(self, base: Faults) -> bool:
        """Whether each fault, and each one after it, can be tried within the work that is allowed."""
        if len(self.compared.lines) > _FEW_SWITCHES:
            return False
        first = sum(1 for _ in self._steps(base, alone=True))
        return first * first <= _WHOLLY

    def _steps(self, faults: Faults, *, rare: bool = False, alone: bool = False) -> Iterator[Faults]:
        """With one fault more, or with two that show only together."""
        state = self.compared.first_wrong(faults)
        if state is not None:
            for some in self.candidates.near(faults, state, alone=alone, rare=rare):
                yield from joined(faults, some)

    def _less_wrong(
        self, base: Faults, steps: Iterable[Faults], seen: set[Faults]
    ) -> list[tuple[int, float, Faults]]:
        """The steps that leave fewer readings wrong than `base`: how many, the cost, and the set. What shows
        with nothing held shows in every state, and a line that is tied in every row: so these come first."""
        compared = self.compared
        tied = any(one.row >= REST for one in compared.wrong(base, NOTHING_HELD))
        looked = self._looked_at(base)

        def judged(faults: Faults, most: int | None = None) -> int:
            if tied:
                return sum(one.readings for one in compared.wrong(faults, NOTHING_HELD) if one.row >= REST)
            return compared.readings_wrong(faults, looked, most=most)

        before = judged(base)
        found = []
        for changed in steps:
            if changed not in seen and compared.tables < self.allowed:
                seen.add(changed)
                if len(looked) > 1 and compared.wrong(changed, NOTHING_HELD):
                    continue
                left = judged(changed, before - 1)
                if left < before:
                    found.append((left, cost(changed), changed))
        return sorted(found, key=_by_wrong)

    def _looked_at(self, base: Faults) -> list[State]:
        """The states by which steps from `base` are judged: where it is wrong, and others beside them."""
        compared = self.compared
        first = compared.first_wrong(base)
        if not first:
            return [NOTHING_HELD]
        lines = {gpio for name in first for gpio in compared.lines[compared.place(base, name)]}
        wrong = [state for state in compared.states if compared.wrong(base, state)][:_LOOKED_AT]
        beside = [
            state
            for state in compared.states
            if any(not lines.isdisjoint(compared.lines[name]) for name in state)
        ]
        return list(dict.fromkeys((first, *wrong, *beside[: 2 * _LOOKED_AT])))

    def _without_needless(self, faults: Faults) -> Faults:
        """Leaves out what explains nothing."""
        for fault in sorted(faults, key=likeliness, reverse=True):
            if self.compared.explain(faults - {fault}):
                faults -= {fault}
        return faults

    # -- what could stand in a fault's place -------------------------------------------------------------

    def _exchanges(self, best: Faults) -> list[Exchange]:
        """The likeliest kinds of exchange first, so that they are found within the work that is allowed."""
        in_order = sorted(best, key=likeliness)
        singles = [frozenset((one,)) for one in in_order]
        pairs = [frozenset(both) for both in combinations(in_order, 2) if self._touch(*both)]
        found: dict[tuple[Faults, Faults], None] = {
            (best - one, one - best): None for one in sorted(self.every, key=self._rank) if one != best
        }
        known = self.is_all and len(best) < _ALL_OF
        for some, most, rare, blindly in (
            (singles, 1, False, False),
            (singles, 1, True, False),
            (pairs, 1, False, False),
            (singles, 2, False, False),
            (pairs, 2, False, False),
            (pairs, 1, True, False),
            (singles, 2, False, True),
            (pairs, 2, False, True),
        ):
            for of in some if rare or not (known or (blindly and self.is_all)) else ():
                if blindly and not self._can_be_tried(best - of):
                    continue
                for whole in self._completed(best - of, most, rare=rare, blindly=blindly):
                    gone, instead = best - whole, whole - best
                    # All of it must be needed, else it is less that explains, and that is listed.
                    if gone and instead and (gone, instead) not in found and self._is_needed(whole, instead):
                        found[gone, instead] = None
        found.update(dict.fromkeys((*self._turned(best), *self._one_by_one(best))))
        return [
            Exchange(gone, tuple(sorted(instead, key=likeliness)))
            for gone, instead in sorted(found, key=lambda one: (len(one[0]), self._cost(one[1])))
            if not _is_made(gone, instead, found)
        ]

    def _is_needed(self, whole: Faults, some: Faults) -> bool:
        return not any(self.compared.explain(whole - {one}) for one in some)

    def _touch(self, one: Fault, other: Fault) -> bool:
        return not self._lines_around(one).isdisjoint(self._lines_around(other))

    def _lines_around(self, fault: Fault) -> set[int]:
        """The lines of a fault; where it silences a whole line, those of the switches on it too."""
        lines = self.compared.lines_of(fault)
        if fault.kind not in ("open", "cut"):
            return set(lines)
        on = (name for gpio in lines for name in self.compared.on(gpio)) if len(lines) == 1 else ()
        return {*lines, *(gpio for name in on for gpio in self.compared.lines[name])}

    def _completed(
        self,
        base: Faults,
        most: int,
        *,
        rare: bool = False,
        blindly: bool = False,
        seen: set[Faults] | None = None,
    ) -> Iterator[Faults]:
        """`base` with `most` faults more at most, where that explains everything. Each of them explains some
        of what the others leave; `blindly`: or shows only with the others."""
        seen = set() if seen is None else seen
        if self.compared.explain(base):
            yield base
        elif most == 1:
            for changed in self._steps(base, rare=rare, alone=True):
                if changed not in seen and self.compared.tables < self.allowed:
                    seen.add(changed)
                    if len(changed) <= len(base) + 1 and self.compared.explain(changed):
                        yield changed
        elif most > 1:
            steps = self._steps(base, rare=rare)
            further = steps if blindly else [one for _, _, one in self._less_wrong(base, steps, seen)[:_WIDE]]
            for changed in further:
                if self.compared.tables >= self.allowed:
                    return
                left = most - max(len(changed) - len(base), 1)
                yield from self._completed(changed, left, rare=rare, blindly=blindly, seen=seen)

    def _turned(self, faults: Faults) -> Iterator[tuple[Faults, Faults]]:
        """Most diodes that were measured in backwards: perhaps it is the file's line, and the others are."""
        turned = frozenset(one for one in faults if one.kind == "reversed" and one.where != (EVERY_DIODE,))
        instead = frozenset((Fault("reversed", (EVERY_DIODE,)),))
        while len(instead) <= len(turned):
            state = self.compared.first_wrong(faults - turned | instead)
            if state is None:
                yield turned, instead
                return
            other = frozenset(Fault("reversed", (name,)) for name in state)
            if len(state) != 1 or other <= instead:
                return
            instead |= other

    def _one_by_one(self, faults: Faults) -> Iterator[tuple[Faults, Faults]]:
        """A cut or a joint that silences a few switches: perhaps each of them is open."""
        for fault in faults:
            if fault.kind in ("cut", "open") and fault.where[0] not in self.compared.lines:
                on = self.compared.on(self.compared.lines_of(fault)[0])
                silent = on[on.index(fault.where[1]) + 1 :] if fault.kind == "cut" else on
                if len(silent) <= _ONE_BY_ONE:
                    instead = frozenset(Fault("open", (name,)) for name in silent) - faults
                    whole = faults - {fault} | instead
                    if instead and self.compared.explain(whole) and self._is_needed(whole, instead):
                        yield frozenset((fault,)), instead


def _is_made(gone: Faults, instead: Faults, known: Iterable[tuple[Faults, Faults]]) -> bool:
    """Whether smaller exchanges, one after the other, make this one."""
    parts = [one for one in known if one[0] < gone and one[1] < instead]

    def is_made(gone: Faults, instead: Faults) -> bool:
        if not gone or not instead:
            return not gone and not instead
        first = min(gone, key=str)
        return any(
            first in one and one <= gone and other <= instead and is_made(gone - one, instead - other)
            for one, other in parts
        )

    return is_made(gone, instead)


def _steps_to(faults: Faults) -> int:
    """How many faults these are, a round of exchanges being those of two that make it."""
    return sum(len(one.where) - 1 if one.kind == "swapped" else 1 for one in faults)


def _has_unlikely(faults: Faults) -> bool:
    return any(cost((one,)) >= UNLIKELY for one in faults)


def _by_wrong(one: tuple[int, float, Faults]) -> tuple[int, float, list[str]]:
    return one[0], one[1], sorted(map(str, one[2]))
