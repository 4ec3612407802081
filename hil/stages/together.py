"""The stage `together`: switches held at the same time → what one press alone can't show.

* Solder between the joints of switch and diode of two neighbours whose diodes lead to the same line: with
  both held, their other two lines read low for one another, over copper. With good diodes they read high,
  and over one drop only would be low too: so either reading is definite.
* A diode that could not be measured in both directions: three corners of a rectangle that make the fourth
  answer prove that it conducts backwards. No ghost clears it, since that way leads through two more diodes.
* The keymap's chords: whether the board sees all their switches at once.
"""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from math import hypot
from typing import TYPE_CHECKING

from hil.diagnosis.ghosts import Ghosts
from hil.judge import FASTER_THAN_A_HAND_US, ends, lines_of, names_in_order
from hil.observe import Observation, pair
from hil.places import in_one_breath
from hil.result import Ghost, HeldTogether, Verdict
from hil.stages.positions import STAYS_DOWN, rows_of_caps
from hil.wire import TIMES_US
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from hil.judge import Matrix
    from keyc.keyboard import Cap

_AGREEING = 2
_FINGERS = 3  # neighbours that one hand holds down
_FEW_TOLD = 4
_TRIES = 3  # of a chord that isn't seen whole

_BOUNCE_US = 5_000  # a good contact may bounce for so long (common practice)
NOTHING = "together: nothing was left in doubt that switches held at the same time would show"
NO_NEIGHBOUR = (
    "together: solder to the neighbours of what was touched, which were not asked for (leave out --touched)"
)

Pair = tuple[str, str]


class Together:
    """All frames of a run, and what to ask for next.

    `caps`: where they lie says who is whose neighbour. `good`: those whose diode is known to be good;
    `doubtful`: those that answer, but whose diode isn't judged. `chords`: the keymap's. `touched`: only what
    concerns these is asked for; None: everything.
    """

    def __init__(
        self,
        matrix: Matrix,
        base: Observation,
        now: Observation,
        *,
        good: Iterable[str],
        doubtful: Iterable[str] = (),
        caps: Sequence[Cap] = (),
        chords: Sequence[tuple[str, ...]] = (),
        touched: frozenset[str] | None = None,
    ) -> None:
        self._matrix = matrix
        self._places = {cap.switch: (cap.x_u, cap.y_u) for cap in caps}
        self._order = tuple(name for row in rows_of_caps(caps) for name in row) or tuple(matrix.switches)
        self._base, self._now = base.within(lines_of(matrix.wiring)), now
        self._good = {name for name in good if matrix.switches[name].direct is None}
        self._doubtful = [name for name in doubtful if matrix.switches[name].direct is None]
        usable = {*good, *doubtful}
        self._chords = tuple(
            chord for chord in chords if set(chord) <= usable and self._concerns(chord, touched)
        )
        self._touched = touched
        self._has_diodes = matrix.wiring.diodes is not Diodes.NONE
        self._neighbours = self._pairs() if self._has_diodes else ()
        self._clear: set[Pair] = set()
        self._joined: Counter[Pair] = Counter()
        self._backwards: Counter[Ghost] = Counter()
        self._tried: Counter[tuple[str, ...]] = Counter()
        self._seen_whole: Counter[tuple[str, ...]] = Counter()
        self._rectangles = Ghosts(matrix)
        self._most = 0
        self._opened_us: dict[str, int] = {}
        self._let_go: Counter[str] = Counter()
        self._read: Counter[tuple[frozenset[str], int]] = Counter()  # per chord and reading: how often
        self._first: dict[tuple[frozenset[str], int], Observation] = {}
        self._asked: tuple[str, ...] | None = None

    # -- what to ask -------------------------------------------------------------------------------

    def question(self) -> tuple[str, ...] | None:
        """Switches to hold down together, in the order of the caps: the same while fingers are on their way.
        None when nothing is left to ask."""
        if self._asked is not None and not self.still_held.isdisjoint(self._asked):
            return self._asked
        for chord in self._wanted():
            if self._tried[chord] < _TRIES:
                self._asked = chord
                return chord
        self._asked = None
        return None

    def ask(self, chord: tuple[str, ...] | None) -> None:
        """This was asked for (None: nothing that is known), in a run that is read again."""
        self._asked = chord

    def _wanted(self) -> Iterable[tuple[str, ...]]:
        open_pairs = [one for one in self._neighbours if one not in self._clear and not self._is_bridged(one)]
        done: set[Pair] = set()
        for one in open_pairs:
            if one in done:
                continue
            chord = [*one]
            for other in open_pairs:
                # The next one on the same line, if its neighbours are asked for too.
                if len(chord) < _FINGERS and other[0] == chord[-1] and not self._joined[one]:
                    chord.append(other[1])
            done |= set(combinations(chord, 2))
            yield tuple(chord)
        for name in self._doubtful:
            corners = self._corners(name)
            if corners is not None and self._needs(corners, name):
                yield corners
        yield from (own for own in self._chords if not self._seen_whole[own])

    def _pairs(self) -> tuple[Pair, ...]:
        """Good switches that lie side by side and whose diodes lead to one line."""
        by_line: dict[int, list[str]] = {}
        for name in self._order:
            switch = self._matrix.switches[name]
            if switch.direct is None:
                by_line.setdefault(ends(self._matrix.wiring, switch)[1], []).append(name)
        return tuple(
            one
            for names in by_line.values()
            for one in side_by_side(names, self._places)
            if self._good.issuperset(one) and self._concerns(one, self._touched)
        )

    @staticmethod
    def _concerns(names: Iterable[str], touched: frozenset[str] | None) -> bool:
        return touched is None or not touched.isdisjoint(names)

    def _corners(self, name: str) -> tuple[str, ...] | None:
        """This switch and two more, so that a ghost at the fourth corner tells of its diode."""
        usable = {*self._good, *self._doubtful}
        mine = self._matrix.switches[name]
        at = {(s.row, s.column): s.name for s in self._matrix.switches.values() if s.direct is None}
        for other in self._order:
            theirs = self._matrix.switches[other]
            if theirs.direct is not None or theirs.row == mine.row or theirs.column == mine.column:
                continue
            beside = (at.get((mine.row, theirs.column)), at.get((theirs.row, mine.column)))
            if beside[0] in usable and beside[1] in usable:
                corners = {name, beside[0], beside[1]}
                return tuple(one for one in self._order if one in corners)
        return None

    def _needs(self, corners: tuple[str, ...], name: str) -> bool:
        seen = max((n for ghost, n in self._backwards.items() if ghost.suspect == name), default=0)
        return not self._seen_whole[corners] if not seen else seen < _AGREEING

    @property
    def goes_down(self) -> bool:
        """Whether most neighbours lie below one another rather than in a row: where the diodes lead to the
        columns."""
        at = self._places
        down = sum(
            abs(at[one][1] - at[other][1]) > abs(at[one][0] - at[other][0])
            for one, other in self._neighbours
            if one in at and other in at
        )
        return 2 * down > len(self._neighbours)

    @property
    def left(self) -> int:
        """How often something is still to be held down, if nothing more is held than is asked for."""
        return sum(self._tried[chord] < _TRIES for chord in self._wanted())

    # -- what is seen ------------------------------------------------------------------------------

    @property
    def held(self) -> frozenset[str]:
        return self._matrix.read_pressed(self._now)

    @property
    def still_held(self) -> frozenset[str]:
        """Those that read pressed now, and didn't with nothing touched."""
        return self.held - self._matrix.read_pressed(self._base)

    def restart(self, now: Observation) -> None:
        """The board was away: what was seen stands."""
        self._now = now

    def see(self, table: Observation) -> bool:
        """One quiet frame. True if with it the chord asked for was seen whole, or let go before it was."""
        before, self._now = self._now, table
        held_before, held = self._matrix.read_pressed(before), self._matrix.read_pressed(table)
        bouncing = self._note_letting_go(held_before, held, table.time_us)
        asked = self._asked
        ghosts = self._ghosts(held_before | bouncing, held)
        if asked and set(asked) <= held and held - {ghost.ghost for ghost in ghosts} == set(asked):
            reading = (frozenset(asked), table.low & table.readable)
            self._first.setdefault(reading, table)
            self._read[reading] += 1
        if held - held_before:
            self._most = max(self._most, len(held - {ghost.ghost for ghost in ghosts}))
            for chord in {*self._chords, *([asked] if asked else ())}:
                self._seen_whole[chord] += set(chord) <= held
            for one in self._neighbours if held - held_before - bouncing else ():
                if set(one) <= held:
                    self._judge(one, table)
        if asked is None:
            return False
        seen_whole = set(asked) <= held and not set(asked) <= held_before
        let_go = not held and not set(asked) <= held_before and len(held_before & set(asked)) > 1
        if seen_whole or let_go:
            self._tried[asked] += 1
            self._asked = None
        return seen_whole or let_go

    def _note_letting_go(self, before: frozenset[str], held: frozenset[str], time_us: int) -> frozenset[str]:
        """Counts those that are back faster than a hand; returns those that only bounced: no new press."""
        away_us = {
            name: (time_us - self._opened_us[name]) % TIMES_US
            for name in held - before
            if name in self._opened_us
        }
        self._opened_us.update(dict.fromkeys(before - held, time_us))
        if not self._base.wavers:  # else a frame's time is not that of each change in it
            self._let_go.update(n for n, us in away_us.items() if _BOUNCE_US <= us < FASTER_THAN_A_HAND_US)
        return frozenset(name for name, us in away_us.items() if us < _BOUNCE_US)

    def give_up(self) -> None:
        """The person says that the chord asked for can't be had."""
        if self._asked is not None:
            self._tried[self._asked] = _TRIES
            self._asked = None

    def give_up_the_rest(self) -> None:
        """The person has had enough."""
        self._asked = None
        for chord in tuple(self._wanted()):
            self._tried[chord] = _TRIES

    def _judge(self, one: Pair, table: Observation) -> None:
        a, b = (ends(self._matrix.wiring, self._matrix.switches[name])[0] for name in one)
        there, back = pair(a, b), pair(b, a)
        if (there | back) & ~table.readable or (there | back) & self._base.low:
            return
        if table.low & (there | back) == there | back:
            self._joined[one] += 1
        elif not table.low & (there | back):
            self._clear.add(one)
            self._joined.pop(one, None)

    def _is_bridged(self, one: Pair) -> bool:
        return self._joined[one] >= _AGREEING

    def _ghosts(self, before: frozenset[str], after: frozenset[str]) -> list[Ghost]:
        """A fourth corner that answers in the frame in which the third was pressed, and wasn't asked for."""
        self._rectangles.see(before, after)
        asked = set(self._asked or ())
        found = [
            one
            for one in self._rectangles.found()
            if one.ghost in after - before
            and one.ghost not in asked
            and set(one.rectangle) - {one.ghost} <= asked
        ]
        self._backwards.update(found)
        return found

    @property
    def exercised(self) -> int:
        """Rectangles that had three corners held at once."""
        return self._rectangles.exercised

    def tables(self) -> dict[frozenset[str], Observation]:
        """Per chord that was asked for what was read while it, and nothing else, was held: twice alike."""
        often = [reading for reading, times in reversed(self._read.most_common()) if times >= _AGREEING]
        return {reading[0]: self._first[reading] for reading in often}

    def left_out(self) -> tuple[str, ...]:
        """What wasn't seen, and what contacts did that no finger does; one that a finger stays on looks the
        same as one that sticks."""
        told = [f"{name}: {STAYS_DOWN}" for name in names_in_order(self._matrix.wiring, self.still_held)]
        for name, times in self._let_go.items():
            often = "once" if times == 1 else f"{times} times"
            if times:
                told.append(
                    f"{name}: let go {often} for a moment while it was held (the stage bounce tells more)"
                )
        return (*not_seen_in_words(self.findings().not_seen), *told)

    def verdict(self) -> Verdict:
        found = self.findings().verdict
        return Verdict.INCOMPLETE if found is Verdict.PASS and self.left_out() else found

    def findings(self) -> HeldTogether:
        bridged = tuple(one for one in self._neighbours if self._is_bridged(one))
        ghosts = tuple(
            Ghost(one.rectangle, one.ghost, one.suspect, proven=True)
            for one, times in self._backwards.items()
            if times >= _AGREEING
        )
        not_seen = tuple(
            chord for chord, n in self._tried.items() if n >= _TRIES and not self._seen_whole[chord]
        )
        return HeldTogether(
            neighbours=self._neighbours,
            clear=tuple(one for one in self._neighbours if one in self._clear),
            bridged=bridged,
            most=self._most,
            chords=tuple(chord for chord in self._chords if self._seen_whole[chord]),
            ghosts=ghosts,
            not_seen=tuple(names_in_order(self._matrix.wiring, chord) for chord in not_seen),
        )


def side_by_side(names: Sequence[str], places: Mapping[str, tuple[float, float]]) -> list[Pair]:
    """The pairs of these that no third one lies between, which would be nearer to both (G. T. Toussaint, "The
    relative neighbourhood graph of a finite planar set", 1980). In a row it is each with the next one; where
    a line wanders over the board, nobody is left without a neighbour. Without places their order counts."""
    at = {name: places.get(name, (float(n), 0.0)) for n, name in enumerate(names)}

    def apart(one: str, other: str) -> float:
        return round(hypot(at[one][0] - at[other][0], at[one][1] - at[other][1]), 3)

    return [
        (one, other)
        for one, other in combinations(names, 2)
        if all(
            max(apart(one, third), apart(other, third)) >= apart(one, other)
            for third in names
            if third not in (one, other)
        )
    ]


def not_seen_in_words(chords: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """What was asked for, and not seen held together."""
    if len(chords) > _FEW_TOLD:
        return (f"{len(chords)} groups of switches side by side: not seen together (--stages together)",)
    return tuple(f"{in_one_breath(chord)}: not seen together" for chord in chords)
