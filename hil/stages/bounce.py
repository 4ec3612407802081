"""The stage `bounce`: edges of contacts, in µs → how each switch bounces, and how long to debounce.

One cathode line is held low; the line that falls then says which switch it was. Edges of one line with
less than `_GAP_US` between them are one stroke: a press if it ends low, a release if it ends high. A contact
that opens in the middle of a press for longer than any bounce, or comes back sooner than a hand can, has let
go.

Good contacts bounce for 0.1 to 5 ms (common practice). A bad verdict needs two strokes that agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil
from typing import TYPE_CHECKING

from hil.judge import FASTER_THAN_A_HAND_US, ends
from hil.observe import REST, Edge, Holding, pair, row_of
from hil.places import in_one_breath
from hil.result import BounceSide, Debounce, PositionVerdict, SwitchBounce, Verdict
from hil.stages.lines import pairs_between
from hil.stages.positions import STAYS_DOWN
from hil.wire import TIMES_US

if TYPE_CHECKING:
    from hil.judge import Matrix
    from hil.stages.lines import LineFindings

_GAP_US = 15_000  # a line that was quiet for so long has ended its stroke
_LET_GO_US = 3_000  # an opening in the middle of a press: longer than a bounce leaves a gap (from memory)
_AGREEING = 2
_FEWEST, _MOST = 3, 5  # presses of a switch
_FURTHER = 3  # presses more, where something was seen once
_FEW = 8  # switches that make quartiles worth while
_FENCES = 3.0  # Tukey's outer fence: so many quartile distances above the upper quartile

LONGEST_GOOD_US = 5_000  # of a stroke (common practice)
POOL = 300  # none longer in 300: fewer than 1 in 100 are longer, with 95 % (the rule of three)
_RULE = 3
_FEW_POOLED = 10  # with fewer the rule says next to nothing
MARGIN = 1.5  # other fingers, other days, and contacts that age

SCRATCHED = "bounce: tweezers scratch, so how contacts bounce is measured with a finger alone"
ONCE = "its contact let go or rattled, once; a second press is needed"
NO_EDGES = "bounce: this board's image tells no edges; load the bench image of this version"


@dataclass(frozen=True, slots=True)
class Stroke:
    """One press or release. `bounces`: how often the contact went back; `took_us`: first to last edge."""

    switch: str
    is_press: bool
    bounces: int
    took_us: int


@dataclass(slots=True)
class _Counted:
    presses: list[Stroke] = field(default_factory=list)
    releases: list[Stroke] = field(default_factory=list)
    drops: int = 0


@dataclass(slots=True)
class _Line:
    """A line that moves: whether it was low before, and the edges since (time, low)."""

    was_low: bool = False
    edges: list[tuple[int, bool]] = field(default_factory=list)
    released_us: int | None = None  # when its last stroke, a release, ended


def held_line(matrix: Matrix, name: str) -> int:
    """The pin to hold low, so that a press of this switch shows; `REST` for a switch to ground."""
    switch = matrix.switches[name]
    return REST if switch.direct is not None else ends(matrix.wiring, switch)[1]


class Bounces:
    """All strokes of a run. `hold` and `see` take what the board tells; `findings` is what it amounts to."""

    def __init__(self, matrix: Matrix, lines: LineFindings | None = None) -> None:
        """`lines`: with what is known of them, a pair that reads as it likes is no switch."""
        self._matrix = matrix
        self._wavers = 0 if lines is None else pairs_between(lines.wavering)
        self._driven = REST
        self._lines: dict[int, _Line] = {}
        self._counted: dict[str, _Counted] = {}
        self._stays_down: set[str] = set()  # on the lines held before

    def hold(self, begun: Holding) -> None:
        """Edges count from here. What was under way on another line is ended."""
        self._stays_down |= self._down()
        self._driven = begun.driven
        dirt = row_of(self._wavers, begun.driven)
        self._lines = {gpio: _Line(was_low=bool(begun.low & ~dirt & 1 << gpio)) for gpio in range(REST)}

    def is_of_dirt(self, edge: Edge) -> bool:
        """Whether this line reads as it likes while the present one is held: it never becomes quiet."""
        return bool(pair(self._driven, edge.line) & self._wavers)

    def see(self, edge: Edge) -> list[Stroke]:
        """One edge. The strokes that are over with it."""
        line = self._lines.get(edge.line)
        if line is None or self.is_of_dirt(edge):
            return []
        over = []
        if line.edges and (edge.time_us - line.edges[-1][0]) % TIMES_US >= _GAP_US:
            over = self._ended(edge.line, line)
        line.edges.append((edge.time_us, not edge.high))
        return over

    def quiet(self) -> list[Stroke]:
        """Nothing has come for longer than `_GAP_US`: what was under way is over."""
        return [
            stroke for gpio, line in self._lines.items() if line.edges for stroke in self._ended(gpio, line)
        ]

    @property
    def moving(self) -> bool:
        """Whether a stroke is under way."""
        return any(line.edges for line in self._lines.values())

    @property
    def holds(self) -> bool:
        """Whether a switch is down."""
        return any(line.was_low for line in self._lines.values())

    def _down(self) -> set[str]:
        """The switches that read pressed while this line is held."""
        names = (self._switch(gpio) for gpio, line in self._lines.items() if line.was_low)
        return {name for name in names if name is not None}

    def lost(self) -> None:
        """Something of what the board told is missing: strokes under way don't count."""
        self._lines = {}

    def wanted(self, usable: Sequence[str]) -> int:
        """Presses of each of these, so that enough are pooled, or nearly so."""
        return max(_FEWEST, min(_MOST, ceil(POOL / max(1, len(usable)))))

    def left(self, name: str, wanted: int) -> int:
        """How often this one is still to be pressed: more often where something was seen once."""
        return max(0, wanted + (_FURTHER if self.is_doubtful(name) else 0) - self.presses(name))

    def presses(self, name: str) -> int:
        """How often it was pressed and let go, whatever its contact did meanwhile."""
        counted = self._counted.get(name)
        return 0 if counted is None else len(counted.releases)

    def is_doubtful(self, name: str) -> bool:
        """Whether something was seen once that would be a fault if it came again."""
        counted = self._counted.get(name)
        return counted is not None and 1 in (counted.drops, len(_long(counted)))

    def left_out(self, usable: Sequence[str]) -> tuple[str, ...]:
        """What isn't known of these switches."""
        missed = [name for name in usable if not self.presses(name)]
        # One that has had its presses is under a finger that types on.
        wanted, now = self.wanted(usable), self._stays_down | self._down()
        down = [name for name in usable if name in now and self.left(name, wanted)]
        few = [name for name in usable if 0 < self.presses(name) < _FEWEST and not self.is_doubtful(name)]
        return (
            *((f"how contacts bounce, not measured: {in_one_breath(missed)}",) if missed else ()),
            *((f"how contacts bounce, fewer than {_FEWEST} presses: {in_one_breath(few)}",) if few else ()),
            *(f"{name}: {ONCE}" for name in usable if self.is_doubtful(name)),
            *(f"{name}: {STAYS_DOWN}" for name in down),
        )

    def verdict(self, usable: Sequence[str]) -> Verdict:
        verdicts = {one.verdict for one in self.findings()}
        if verdicts & {PositionVerdict.CHATTERING, PositionVerdict.INTERMITTENT}:
            return Verdict.FAIL
        return Verdict.INCOMPLETE if self.left_out(usable) or not usable else Verdict.PASS

    def _ended(self, gpio: int, line: _Line) -> list[Stroke]:
        edges, line.edges = line.edges, []
        was_low, line.was_low = line.was_low, edges[-1][1]
        # A level that came twice is one edge.
        told, low = [], was_low
        for time_us, now_low in edges:
            if now_low != low:
                told.append((time_us, now_low))
                low = now_low
        name = self._switch(gpio)
        if name is None or not told:
            return []
        if not low:
            self._stays_down.discard(name)
        counted = self._counted.setdefault(name, _Counted())
        openings = [
            (after - before) % TIMES_US for (before, is_low), (after, _) in pairwise(told) if not is_low
        ]
        began_us, ended_us = told[0][0], told[-1][0]
        released_us, line.released_us = line.released_us, None
        if low and not was_low:
            if released_us is not None and (began_us - released_us) % TIMES_US < FASTER_THAN_A_HAND_US:
                counted.drops += 1
                counted.releases.pop()  # that was no release
                return []
            if any(opening >= _LET_GO_US for opening in openings):
                counted.drops += 1
                return []
        took_us = (ended_us - began_us) % TIMES_US
        if low == was_low:
            # Opened and closed in the middle of a press; or a touch that was none, unless it never got quiet.
            counted.drops += was_low
            if was_low or took_us < FASTER_THAN_A_HAND_US:
                return []
            both = Stroke(name, True, len(told) // 2, took_us), Stroke(name, False, len(told) // 2, took_us)
            counted.presses.append(both[0])
            counted.releases.append(both[1])
            line.released_us = ended_us
            return list(both)
        if not low:
            line.released_us = ended_us
        stroke = Stroke(name, low, (len(told) - 1) // 2, took_us)
        (counted.presses if low else counted.releases).append(stroke)
        return [stroke]

    def _switch(self, gpio: int) -> str | None:
        shown = pair(self._driven, gpio)
        return next((name for name in self._matrix.at(shown) if self._matrix.forward(name) == shown), None)

    def findings(self) -> tuple[SwitchBounce, ...]:
        """Each switch that was seen, in the order of the wiring."""
        longest = {name: _longest_us([*c.presses, *c.releases]) for name, c in self._counted.items()}
        fence_us = _fence_us(longest.values())
        found = []
        for name in self._matrix.switches:
            counted = self._counted.get(name)
            if counted is None:
                continue
            verdict = None
            if counted.drops >= _AGREEING:
                verdict = PositionVerdict.INTERMITTENT
            elif len(_long(counted)) >= _AGREEING:
                verdict = PositionVerdict.CHATTERING
            elif self.is_doubtful(name):
                verdict = PositionVerdict.UNTESTED
            sides = (_side(counted.presses), _side(counted.releases))
            outlier = verdict is None and longest[name] > fence_us
            found.append(SwitchBounce(name, *sides, counted.drops, verdict, outlier))
        return tuple(found)


def not_pooled(found: Iterable[SwitchBounce], earlier: Iterable[tuple[int, int]] = ()) -> tuple[str, ...]:
    """Why no debounce time is recommended, and what is known instead; empty if one is."""
    presses, longest_us = pooled(found, earlier)
    if presses >= POOL:
        return ()
    # None longer in n: fewer than 3 in n are longer, with 95 % (the rule of three).
    so_far = ""
    if presses >= _FEW_POOLED:
        so_far = (
            f": the longest so far took {longest_us / 1000:.1f} ms, which rests on {presses} presses (fewer "
            f"than 1 in {presses // _RULE} takes longer, with 95 %)"
        )
    return (
        f"how long to debounce{so_far}; {POOL} presses give a recommendation (1 in {POOL // _RULE}). "
        f"{POOL - presses} more are wanted, in this run or the next ones",
    )


def _long(counted: _Counted) -> list[Stroke]:
    return [one for one in (*counted.presses, *counted.releases) if one.took_us > LONGEST_GOOD_US]


def _longest_us(strokes: Iterable[Stroke]) -> int:
    return max((one.took_us for one in strokes), default=0)


def _side(strokes: Sequence[Stroke]) -> BounceSide:
    return BounceSide(sum(one.bounces for one in strokes), tuple(one.took_us for one in strokes))


def _fence_us(longest_us: Iterable[int]) -> float:
    """Above this a switch bounces unlike its peers: bounces differ by factors, so by their logarithms."""
    values = sorted(max(1, us) for us in longest_us)
    if len(values) < _FEW:
        return float("inf")
    lower, upper = values[len(values) // 4], values[(3 * len(values)) // 4]
    return max(float(upper * (upper / lower) ** _FENCES), LONGEST_GOOD_US / 2)


def pool(found: Iterable[SwitchBounce]) -> tuple[int, int]:
    """Presses of switches with no fault, and their longest stroke in µs."""
    good = [one for one in found if one.verdict is None]
    return sum(one.pooled for one in good), max((one.longest_us for one in good), default=0)


def pooled(found: Iterable[SwitchBounce], earlier: Iterable[tuple[int, int]] = ()) -> tuple[int, int]:
    """The presses that a debounce time rests on by now, and the longest stroke of them in µs. `earlier`: the
    pools of this board's runs before."""
    pools = [pool(found), *earlier]
    return sum(n for n, _ in pools), max(us for _, us in pools)


def debounce(found: Iterable[SwitchBounce], earlier: Iterable[tuple[int, int]] = ()) -> Debounce | None:
    """What to write for `debounce`, once enough presses are pooled; else None."""
    presses, longest_us = pooled(found, earlier)
    if presses < POOL:
        return None
    return Debounce(max(1, ceil(longest_us * MARGIN / 1000)), presses, longest_us)
