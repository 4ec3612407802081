"""The stage `flex`: tables while the case is squeezed and the cable moved → what came or went on its own.

Each switch, each pair of lines and each line alone is a signal. A signal that leaves a steady level and is
back soon after has blipped: a hand is slower. Two switches of one line that let go put it down to the line.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from hil.judge import FASTER_THAN_A_HAND_US, lines_of, names_in_order
from hil.observe import REST, Observation, members, pair, row_of
from hil.result import Blip, Flexed, Verdict
from hil.wire import TIMES_US
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from hil.judge import Matrix

_STEADY_US = 30_000  # a level that lasts so long is one to count from
_TOUCHED_US = 10_000  # a press: no hand is that fast (from memory)
_AT_ONCE = 2  # switches that a pair of thumbs holds down

RESTLESS = (
    "GPIO{} and GPIO{}: they don't read the same twice with nothing touched, so nobody could tell what "
    "squeezing does; clean there first"
)
CABLE = "USB"  # what has let go when the board itself was gone

_Signal = tuple[str, ...]  # ("SW7",), ("GPIO3",), ("GPIO3", "GPIO4")


@dataclass(slots=True)
class _Level:
    """`steady`: the level it has kept; `now`: the level since `since_us`; `left_us`: when it left the steady
    one, None while it keeps it."""

    steady: bool
    now: bool
    since_us: int
    left_us: int | None = None


class Flex:
    """All tables of a run. Times are the board's, in µs."""

    def __init__(self, matrix: Matrix, base: Observation, now: Observation) -> None:
        """`base`: the table with nothing touched. `now`: the table as it is."""
        self._matrix = matrix
        self._over = lines_of(matrix.wiring)
        self._base = base.within(self._over)
        self._levels: dict[_Signal, _Level] = {}
        self._blips: list[Blip] = []
        self._held_us: Counter[str] = Counter()
        self._watched_us = 0
        self._is_whole = True
        self._last_us = now.time_us
        self._pins = {
            name: tuple(f"GPIO{gpio}" for gpio in (s.row, s.column, s.direct) if gpio is not None)
            for name, s in matrix.switches.items()
        }
        self.restart(now)

    def start(self, now_us: int) -> None:
        """The board's clock is known from the first frame on: this is when watching began."""
        self._last_us = now_us % TIMES_US
        for level in self._levels.values():
            level.since_us = self._last_us

    def restart(self, now: Observation, *, away: bool = False) -> None:
        """Watched anew. `away`: the board itself was gone."""
        if away:
            self._blips.append(Blip(CABLE, True, 0))
        self._last_us = now.time_us
        self._levels = {signal: _Level(True, True, now.time_us) for signal in self._signals(now)}

    def lost(self) -> None:
        """Something of what the board told is missing: nothing is known until it is watched anew."""
        self._levels = {}

    def cut_short(self) -> None:
        """Not all was seen that was asked for: whether its neighbours let go too is not known of a switch."""
        self._is_whole = False

    def see(self, table: Observation) -> tuple[Blip, ...]:
        """One frame: the table as it is now. What has blipped since the last call."""
        found = self.pass_time(table.time_us)
        signals = self._signals(table)
        for signal in signals | set(self._levels):
            level = self._levels.setdefault(signal, _Level(False, False, table.time_us - _STEADY_US))
            if level.now == (signal in signals):
                continue
            if level.left_us is None:
                level.left_us = table.time_us
            level.now, level.since_us = not level.now, table.time_us
        return found

    def pass_time(self, now_us: int) -> tuple[Blip, ...]:
        """It is this late, and nothing has changed since the last frame."""
        now_us %= TIMES_US
        passed_us = (now_us - self._last_us) % TIMES_US
        if passed_us > TIMES_US // 2:
            return ()
        if passed_us > _STEADY_US:
            # Whatever is to become steady has done so by then, and is held from there on.
            settled = self._pass_time((self._last_us + _STEADY_US) % TIMES_US, _STEADY_US)
            return (*settled, *self._pass_time(now_us, passed_us - _STEADY_US))
        return self._pass_time(now_us, passed_us)

    def _pass_time(self, now_us: int, passed_us: int) -> tuple[Blip, ...]:
        self._last_us = now_us
        self._watched_us += passed_us
        self._held_us.update({pin: passed_us for name in self.held for pin in self._pins[name]})
        found: list[Blip] = []
        for signal, level in self._levels.items():
            if level.left_us is None or (now_us - level.since_us) % TIMES_US < _STEADY_US:
                continue
            took_us = (level.since_us - level.left_us) % TIMES_US
            blip = self._blip(signal, level, took_us)
            if blip is not None:
                found.append(blip)
            level.steady, level.left_us = level.now, None
        self._blips += found
        return tuple(found)

    def _blip(self, signal: _Signal, level: _Level, took_us: int) -> Blip | None:
        is_switch = signal[0] in self._matrix.switches
        name = " ".join(signal)
        if level.now == level.steady:
            if not is_switch or took_us <= (FASTER_THAN_A_HAND_US if level.steady else _TOUCHED_US):
                return Blip(name, level.steady, took_us, signal if is_switch else ())
        elif not is_switch and level.now:
            return Blip(name, False, took_us + _STEADY_US)  # lines that touch, and stay so
        return None

    @property
    def held(self) -> frozenset[str]:
        """The switches that are held down steadily."""
        return frozenset(s[0] for s, level in self._levels.items() if level.steady and level.now) & frozenset(
            self._matrix.switches
        )

    def left_out(self) -> tuple[str, ...]:
        """The lines on which nothing was held down meanwhile."""
        lines = {pin for pins in self._pins.values() for pin in pins}
        never = sorted((pin for pin in lines if not self._held_us[pin]), key=lambda pin: int(pin[4:]))
        if not never:
            return ()
        return (f"{', '.join(never)}: no switch on it was held down while the case was squeezed",)

    def verdict(self) -> Verdict:
        if self._blips:
            return Verdict.FAIL
        return Verdict.INCOMPLETE if self.left_out() else Verdict.PASS

    def findings(self) -> Flexed:
        return Flexed(tuple(self._of_lines()), self._watched_us, dict(self._held_us))

    def _of_lines(self) -> list[Blip]:
        """The blips, with those of two switches of a line put down to it."""
        loose = {one.what for one in self._blips if one.let_go and one.switches}
        to: dict[str, str] = {}
        while True:
            on = Counter(pin for name in loose - set(to) for pin in self._pins[name])
            pin, count = max(on.items(), key=lambda one: one[1], default=("", 0))
            if count < 2:
                break
            to.update({name: pin for name in loose - set(to) if pin in self._pins[name]})
        found = []
        for blip in self._blips:
            if not self._is_whole and blip.let_go and blip.switches and blip.what not in to:
                continue  # perhaps its own joint, perhaps its line's
            pin = to.get(blip.what, "") if blip.let_go else ""
            concerned = names_in_order(self._matrix.wiring, (n for n, line in to.items() if line == pin))
            found.append(Blip(pin, True, blip.took_us, concerned) if pin else blip)
        return found

    def _signals(self, table: Observation) -> set[_Signal]:
        """What reads closed, beyond what does so with nothing touched."""
        table = table.within(self._over)
        low = table.low & table.readable & ~self._base.low
        found: set[_Signal] = {(name,) for name in self._matrix.read_pressed(table)}
        directs = {s.direct for s in self._matrix.wiring.switches}
        found |= {(f"GPIO{gpio}",) for gpio in members(row_of(low, REST)) if gpio not in directs}
        if found and self._matrix.wiring.diodes is Diodes.NONE:
            return found  # held switches join lines themselves
        for a, b in combinations(members(table.over & ~table.row(REST)), 2):  # held to ground says nothing
            both = pair(a, b) | pair(b, a)
            if low & both == both and not self._matrix.at(both):
                found.add((f"GPIO{a}", f"GPIO{b}"))
        return found


def groups(matrix: Matrix, usable: Sequence[str]) -> list[tuple[str, ...]]:
    """Switches to hold down in turn, a few at a time, so that each line has had one held on it."""
    pins = {
        name: {gpio for gpio in (s.row, s.column, s.direct) if gpio is not None}
        for name, s in matrix.switches.items()
    }
    left = {gpio for name in usable for gpio in pins[name]}
    found: list[tuple[str, ...]] = []
    while left:
        group: list[str] = []
        taken: set[int] = set()
        for _ in range(_AT_ONCE):
            free = [name for name in usable if not pins[name] & taken and pins[name] & left]
            if not free:
                break
            best = max(free, key=lambda name: len(pins[name] & left))
            group.append(best)
            taken |= pins[best]
            left -= pins[best]
        found.append(tuple(group))
    return found


def beside(matrix: Matrix, name: str, usable: Iterable[str]) -> tuple[str, ...]:
    """Another switch of its row and another of its column: whether they let go too tells a joint of the line
    from one of the switch."""
    switch = matrix.switches[name]
    others = [matrix.switches[other] for other in usable if other != name]
    row = next((o.name for o in others if o.row is not None and o.row == switch.row), None)
    column = next((o.name for o in others if o.column is not None and o.column == switch.column), None)
    return tuple(one for one in (row, column) if one is not None)
