"""The stage `lines`: one whole table with nothing pressed → what ties lines together, or holds them.

It sees no diode and no open joint, and a switch only if it is closed all the time.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from statistics import median_low
from typing import TYPE_CHECKING

from hil.judge import Matrix, State, ends
from hil.observe import REST, ROW, Observation, driven_and_line, mask_of, members, pair, row_of
from hil.result import BAD_LINES, Line, LineVerdict, Neighbour
from hil.rises import differ, in_us, like_a_pin_alone
from keyc.keyboard import Diodes
from keyc.pins import neighbours, package_pin_of_gpio, package_pins

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from keyc.keyboard import Wiring

NOT_SEEN = "switches, diodes and open joints can't be seen without a press: that is the stage positions"
WAVERS = "does not read the same twice with nothing touched; no verdict rests on it"
_GROUND_PAD = 57
_MATRIX = frozenset({"row", "column", "direct"})
_MAY_LEAK = (LineVerdict.CLEAR, LineVerdict.BRIDGED, LineVerdict.WEAK)
_TWO_TOUCHES = 4  # changes
_PEERS = 4  # fewer tell nothing of what is usual


@dataclass(frozen=True, slots=True)
class LineFindings:
    """`groups`: lines that copper joins. `closed`: switches that read pressed with nothing touched, and how
    they conduct. `maybe_closed`: switches that may be closed, and the other fault that looks the same.
    `table`: the whole look that all this rests on. `wavering`: pairs of lines that read as they like."""

    lines: tuple[Line, ...]
    groups: tuple[tuple[int, ...], ...] = ()
    closed: Mapping[str, State] = field(default_factory=dict)
    maybe_closed: Mapping[str, str] = field(default_factory=dict)
    table: Observation | None = None
    wavering: tuple[tuple[int, int], ...] = ()

    def wavers_between(self, *gpios: int | None) -> bool:
        """Whether two of these lines read as they like for one another."""
        return any(a in gpios and b in gpios for a, b in self.wavering)

    def line(self, gpio: int) -> Line | None:
        return next((one for one in self.lines if one.gpio == gpio), None)

    @property
    def spare(self) -> int:
        """The pins of no role that nothing ties or holds: a line that the file has elsewhere may be there."""
        return mask_of(
            one.gpio for one in self.lines if one.role == "unused" and one.verdict is LineVerdict.CLEAR
        )

    @property
    def bad(self) -> bool:
        """Whether something has to be mended. A pin of no role that is held is a module's own affair."""
        held = (LineVerdict.LOW, LineVerdict.HIGH)
        return bool(self.closed or self.maybe_closed) or any(
            one.verdict in BAD_LINES and not (one.role == "unused" and one.verdict in held)
            for one in self.lines
        )

    def troubles_of(self, gpio: int) -> tuple[str, ...]:
        """The faults of a line, in the words that would plant them."""
        line = self.line(gpio)
        if line is None:
            return (f"GPIO{gpio} not measured",)
        if line.verdict is LineVerdict.BRIDGED:
            return tuple(
                f"bridge {line.pin} {one.name}"
                if one.pin is None or int(one.pin[4:]) > gpio
                else f"bridge {one.pin} {line.pin}"
                for one in line.joined
            )
        if line.verdict in (LineVerdict.LOW, LineVerdict.HIGH):
            return (f"{line.verdict.value} {line.pin}",)
        if line.verdict is LineVerdict.WEAK:
            return (f"{'leaky' if line.joined else 'slow'} {line.pin}",)
        if line.verdict is LineVerdict.UNTESTED:
            return (line.note or f"{line.pin} not measured",)
        return ()


def roles(wiring: Wiring) -> dict[int, str]:
    """What each pin of the wiring is for."""
    found: dict[int, str] = {}
    for dial in wiring.dials:
        found[dial.pin_a] = found[dial.pin_b] = "dial"
    for light in wiring.lights:
        found[light.pin] = "light"
    for gpio in wiring.direct_pins:
        found[gpio] = "direct"
    for gpio in wiring.columns:
        found[gpio] = "column"
    for gpio in wiring.rows:
        found[gpio] = "row"
    return found


def findings(
    matrix: Matrix,
    table: Observation,
    resets: Iterable[int] = (),
    wavering: Sequence[tuple[int, int]] = (),
) -> LineFindings:
    """`table`: a whole one, with nothing pressed. `resets`: pins at whose first drive the board restarted,
    twice; they are joined to RUN. `wavering`: pairs of lines that did not stay as they were."""
    found = _Lines(matrix, table, frozenset(resets), pairs_between(wavering)).findings()
    return with_wavering(matrix, found, wavering) if wavering else found


def pairs_between(lines: Iterable[tuple[int, int]]) -> int:
    """The bits of these pairs of lines, both ways."""
    both = 0
    for a, b in lines:
        both |= pair(a, b) | pair(b, a)
    return both


class Untouched:
    """Tables of a moment in which nobody touches anything → pairs of lines that don't stay as they were.

    Somebody who doesn't keep to that changes a pair twice with each touch; dirt goes on.
    """

    def __init__(self, base: Observation) -> None:
        self._base = self._last = base
        self._changes: Counter[tuple[int, int]] = Counter()

    def see(self, table: Observation) -> None:
        last, self._last = self._last, table
        changed = (table.low ^ last.low) & table.readable & self._base.readable
        found = set()
        while changed:
            lowest = changed & -changed
            changed ^= lowest
            driven, line = driven_and_line(lowest)
            if driven != REST:
                found.add((min(driven, line), max(driven, line)))
        self._changes.update(found)

    @property
    def moved(self) -> bool:
        """Whether anything has changed at all."""
        return bool(self._changes)

    def wavering(self) -> tuple[tuple[int, int], ...]:
        """The pairs that changed more often than a slip of the hand or two would do it."""
        return tuple(sorted(both for both, times in self._changes.items() if times > _TWO_TOUCHES))


def wavering(matrix: Matrix, before: Observation, now: Observation) -> tuple[str, ...]:
    """Pairs of lines that read low once and high once, with no switch moved: dirt that lets just so much
    through. No verdict rests on such a reading, but somebody with a brush should know."""
    changed = (before.low ^ now.low) & before.readable & now.readable
    if matrix.at(changed):
        return ()  # somebody has touched a switch, which changes others, too
    pairs = {
        tuple(sorted((driven, line)))
        for driven in members(before.over & now.over)
        for line in members(row_of(changed, driven))
    }
    return tuple(
        f"GPIO{a} and GPIO{b} read low for one another once, and high once, with nothing touched: flux or "
        "dirt between them is likely; clean there, and look again"
        for a, b in sorted(pairs)
    )


def with_wavering(
    matrix: Matrix, findings: LineFindings, wavering: Sequence[tuple[int, int]]
) -> LineFindings:
    """The same with pairs of lines that read low for one another at one time, and high at another. Copper
    doesn't: that is dirt."""
    found = {line.gpio: line for line in findings.lines}
    groups = tuple(group for group in findings.groups if group not in wavering)
    for both in wavering:
        for gpio, other in (both, both[::-1]):
            line = found.get(gpio)
            if line is not None and line.verdict in (
                LineVerdict.CLEAR,
                LineVerdict.BRIDGED,
                LineVerdict.WEAK,
            ):
                others = [one for one in line.joined if one.pin != f"GPIO{other}"]
                if line.verdict is LineVerdict.BRIDGED and others:
                    continue  # copper joins it to a third one, too
                joined = (*others, _neighbour(other))
                found[gpio] = replace(line, verdict=LineVerdict.WEAK, joined=joined, note=WAVERS)
    found_so = replace(findings, lines=tuple(found.values()), groups=groups)
    return without_trust_in(matrix, found_so, wavering)


def without_trust_in(
    matrix: Matrix, findings: LineFindings, wavering: Sequence[tuple[int, int]]
) -> LineFindings:
    """The same, and nothing rests on these pairs of lines: a switch between them is not taken as closed."""
    between = set(matrix.at(pairs_between(wavering)))
    once = {gpio for both in wavering if both in findings.groups for gpio in both}
    return replace(
        findings,
        lines=tuple(
            replace(line, verdict=LineVerdict.UNTESTED, joined=(), note=f"{line.pin} {WAVERS}")
            if line.gpio in once
            else line
            for line in findings.lines
        ),
        groups=tuple(group for group in findings.groups if group not in wavering),
        closed={name: state for name, state in findings.closed.items() if name not in between},
        maybe_closed={name: other for name, other in findings.maybe_closed.items() if name not in between},
        wavering=tuple(dict.fromkeys((*findings.wavering, *wavering))),
    )


class _Lines:
    def __init__(self, matrix: Matrix, table: Observation, resets: frozenset[int], wavers: int) -> None:
        # What wavers joins nothing by itself, but current may go that way.
        self.matrix, self.table, self.resets = matrix, replace(table, low=table.low & ~wavers), resets
        self.ways = replace(table, low=table.low | wavers)
        self.wiring = matrix.wiring
        self.roles = roles(self.wiring)
        down = table.down if table.down is not None else ROW
        self.high = table.over & (~down | table.held)
        self.low = table.row(REST) & ~self.high
        lights = {light.pin: light for light in self.wiring.lights}
        # A dial may rest on a contact, and an indicator's LED pulls its own line: neither is a fault.
        for gpio, role in self.roles.items():
            if role == "dial" or (role == "light" and not lights[gpio].lit_low):
                self.low &= ~(1 << gpio)
            if role == "light" and lights[gpio].lit_low:
                self.high &= ~(1 << gpio)
        self.free = table.over & ~self.high & ~table.row(REST) & ~table.slow & ~table.held
        self.free &= ~mask_of(self._dim(gpio for gpio, light in lights.items() if not light.lit_low))
        self.pair_of = {
            frozenset(ends(self.wiring, switch)): switch.name
            for switch in self.wiring.switches
            if switch.direct is None
        }

    def _dim(self, pins: Iterable[int]) -> list[int]:
        """Of lights to ground those that read as they like: low for a line that isn't low for them."""
        to_ground = tuple(pins)
        others = members(self.free & ~mask_of(to_ground))
        row = self.table.row
        return [
            gpio
            for gpio in to_ground
            if any(row(other) >> gpio & 1 and not row(gpio) >> other & 1 for other in others)
        ]

    def findings(self) -> LineFindings:
        groups = self._groups()
        maybe_closed = self._maybe_closed(groups)
        unsure = {gpio for group in groups if self._by_switches(group) for gpio in group}
        closed = self._closed(groups)
        leaking = self._leaking()
        group_of = {gpio: group for group in groups for gpio in group}
        every = sorted({*members(self.table.over), *self.roles, *self.resets})
        lines = tuple(self._line(gpio, group_of.get(gpio, ()), gpio in unsure, leaking) for gpio in every)
        return LineFindings(lines, tuple(groups), closed, maybe_closed, self.table)

    def _line(self, gpio: int, group: tuple[int, ...], unsure: bool, leaking: Mapping[int, int]) -> Line:
        verdict, joined, note = self._verdict(gpio, group, unsure, leaking)
        if verdict is LineVerdict.CLEAR:
            note = self._rise_hint(gpio)
        return Line(
            gpio=gpio,
            package_pin=package_pin_of_gpio(gpio),
            role=self.roles.get(gpio, "unused"),
            verdict=verdict,
            joined=joined,
            rise_us=self.table.rise_us.get(gpio),
            note=note,
        )

    def _verdict(
        self, gpio: int, group: tuple[int, ...], unsure: bool, leaking: Mapping[int, int]
    ) -> tuple[LineVerdict, tuple[Neighbour, ...], str | None]:
        bit = 1 << gpio
        if gpio in self.resets:
            run = next(pin for pin in package_pins().values() if pin.name == "RUN")
            return (
                LineVerdict.BRIDGED,
                (Neighbour(None, run.number, run.name),),
                "the board restarts when this pin is driven",
            )
        if not self.table.over & bit:
            return LineVerdict.UNTESTED, (), f"the board did not measure GPIO{gpio}"
        if self.high & bit:
            return LineVerdict.HIGH, (_supply_beside(gpio),), "reads high although it is pulled down"
        if self.low & bit:
            return (
                LineVerdict.LOW,
                (Neighbour(None, _GROUND_PAD, "GND"),),
                "reads low although it is pulled up",
            )
        if self.table.slow & bit:
            return self._slow(gpio)
        if group:
            joined = tuple(_neighbour(other) for other in group if other != gpio)
            if unsure:
                names = " or ".join(self._switches_within(group))
                return LineVerdict.UNTESTED, joined, f"joined through {names} held down, or by a bridge"
            return LineVerdict.BRIDGED, joined, None
        if gpio in leaking:
            return (
                LineVerdict.WEAK,
                tuple(_neighbour(other) for other in members(leaking[gpio])),
                "current gets through in one direction, where no switch joins these lines",
            )
        return LineVerdict.CLEAR, (), None

    def _rise_hint(self, gpio: int) -> str | None:
        """How a line's rise differs from its peers'. No more than a hint: a long track does the same."""
        rises = self.table.rise_us
        if self.roles.get(gpio) in _MATRIX and like_a_pin_alone(rises.get(gpio)):
            return f"rises in {in_us(rises[gpio])}, as fast as a pin that isn't soldered. A hint, no verdict"
        peers = [us for other, us in rises.items() if other != gpio and self.roles.get(other) in _MATRIX]
        if self.roles.get(gpio) not in _MATRIX or gpio not in rises or len(peers) < _PEERS:
            return None
        mine, usual = rises[gpio], median_low(peers)
        if not differ(mine, usual):
            return None
        why = "a longer track, flux, or a part more on it" if mine > usual else "perhaps a pin not soldered"
        return f"rises in {in_us(mine)}, lines like it in {in_us(usual)}: {why}. A hint, no verdict"

    def _slow(self, gpio: int) -> tuple[LineVerdict, tuple[Neighbour, ...], str | None]:
        """A line that is still low when the next one's turn comes keeps that from being driven."""
        driven = members(self.table.over & ~self.high)
        first = driven.index(gpio)
        while first and self.table.slow >> driven[first - 1] & 1:
            first -= 1
        if driven[first] != gpio:
            note = f"GPIO{driven[first]} was still low, so GPIO{gpio} could not be driven"
            return LineVerdict.UNTESTED, (), note
        return LineVerdict.WEAK, (), "takes more than 100 µs to recover after it was pulled low"

    def _groups(self) -> list[tuple[int, ...]]:
        """Lines that read low for one another: what one piece of copper does."""
        group_of: dict[int, set[int]] = {}
        for gpio in members(self.free):
            for other in members(self.table.row(gpio) & self.free):
                if other > gpio and self.table.row(other) >> gpio & 1:
                    whole = group_of.get(gpio, {gpio}) | group_of.get(other, {other})
                    for each in whole:
                        group_of[each] = whole
        found = {tuple(sorted(group)) for group in group_of.values()}
        return sorted(found)

    def _switches_within(self, group: tuple[int, ...]) -> tuple[str, ...]:
        inside = set(group)
        return tuple(name for lines, name in self.pair_of.items() if lines <= inside)

    def _by_switches(self, group: tuple[int, ...]) -> bool:
        """Whether closed switches alone could join these lines (without diodes a switch is a bridge)."""
        if self.wiring.diodes is not Diodes.NONE:
            return False
        reached, waiting = {group[0]}, [group[0]]
        while waiting:
            at = waiting.pop()
            for other in group:
                if other not in reached and frozenset((at, other)) in self.pair_of:
                    reached.add(other)
                    waiting.append(other)
        return len(reached) == len(group)

    def _maybe_closed(self, groups: list[tuple[int, ...]]) -> dict[str, str]:
        found: dict[str, str] = {}
        for group in groups:
            for name in self._switches_within(group):
                row, column = self.matrix.switches[name].row, self.matrix.switches[name].column
                assert row is not None
                assert column is not None
                a, b = sorted((row, column))
                found[name] = f"bridge GPIO{a} GPIO{b}"
        for switch in self.wiring.switches:
            if switch.direct is not None and self.low >> switch.direct & 1:
                found[switch.name] = f"low GPIO{switch.direct}"
        return found

    def _closed(self, groups: list[tuple[int, ...]]) -> dict[str, State]:
        """Switches of which one direction reads pressed, and that nothing else explains."""
        grouped = {gpio for group in groups for gpio in group}
        found: dict[str, State] = {}
        low = self.table.low & self.table.readable
        for switch in self.wiring.switches:
            if switch.direct is not None or self.wiring.diodes is Diodes.NONE:
                continue
            anode, cathode = ends(self.wiring, switch)
            if not (self.free >> anode & 1 and self.free >> cathode & 1) or {anode, cathode} & grouped:
                continue
            forward, backward = bool(low & pair(cathode, anode)), bool(low & pair(anode, cathode))
            if forward and not backward and not self._way_around(anode, cathode):
                found[switch.name] = State.GOOD
            elif backward and not forward and not self._way_around(cathode, anode):
                found[switch.name] = State.REVERSED
        return found

    def _way_around(self, start: int, end: int) -> bool:
        """Whether current gets from one line to another by way of a third one."""
        reached, waiting = {start}, [start]
        while waiting:
            at = waiting.pop()
            for driven in members(self.free):
                if driven in reached or not self.ways.row(driven) >> at & 1:
                    continue
                if driven == end:
                    if at != start:
                        return True
                    continue
                reached.add(driven)
                waiting.append(driven)
        return False

    def _leaking(self) -> dict[int, int]:
        """Pairs that read low one way only, where neither a switch nor a way around explains it."""
        found: dict[int, int] = {}
        # An indicator's LED leaks by trade, as its reading likes.
        free = self.free & ~mask_of(light.pin for light in self.wiring.lights)
        for driven in members(free):
            for line in members(self.table.row(driven) & free & ~(1 << driven)):
                if self.table.row(line) >> driven & 1 or frozenset((driven, line)) in self.pair_of:
                    continue
                if not self._way_around(line, driven):
                    found[driven] = found.get(driven, 0) | 1 << line
                    found[line] = found.get(line, 0) | 1 << driven
        return found


def _neighbour(gpio: int) -> Neighbour:
    return Neighbour(f"GPIO{gpio}", package_pin_of_gpio(gpio), f"GPIO{gpio}")


def _supply_beside(gpio: int) -> Neighbour:
    """The supply pin next to a GPIO on the package, if there is one."""
    for pin in neighbours(gpio):
        if pin.name in ("IOVDD", "ADC_AVDD", "USB_VDD"):
            return Neighbour(None, pin.number, pin.name)
    return Neighbour(None, None, "3V3")
