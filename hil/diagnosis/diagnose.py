"""From verdicts to faults, each with what electricity can't tell from it; `advice` says what is told of them.

Faults come in the order of mending: supply shorts, bridges, opens, then diodes and what is wired otherwise
than the file says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

from hil.diagnosis.advice import Advice, are_beside
from hil.diagnosis.contacts import node_bridge, unsteady
from hil.judge import Matrix, lines_of, names_in_order, switches_on
from hil.observe import mask_of
from hil.result import Cause, Fault, Line, LineVerdict, Position, PositionVerdict
from hil.stages.lines import WAVERS
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from hil.diagnosis.alike import Exchange
    from hil.faults import Fault as Planted
    from hil.observe import Observation
    from hil.stages.lines import LineFindings
    from hil.stages.positions import Positions

UNPLUG = "Unplug the board before you bring an iron or a meter to it."

# Kinds in the order of mending. What hides other faults comes first.
_ORDER = (
    "high",
    "low",
    "bridge",
    "closed",
    "sticks",
    "leaky",
    "slow",
    "open",
    "cut",
    "reversed",
    "shorted",
    "swapped",
    "moved",
    "detents",
    "drops",
    "bounces",
)

# What is there all the time; the rest shows in time, and the model of one moment says nothing about it.
_MODELLED = frozenset(_ORDER) - {"slow", "sticks", "detents", "drops", "bounces"}

# What only a press of its switches shows.
_OF_A_PRESS = frozenset({"open", "cut", "reversed", "shorted"})

_MOST_DIODES = 3  # from so many on, most of them in backwards is the file's mistake rather than the iron's


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The faults in the order of mending, and the lines with what the presses said about them."""

    faults: tuple[Fault, ...]
    lines: tuple[Line, ...]


def ranked(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """These faults in the order of mending, numbered from 1."""
    in_order = sorted(faults, key=lambda fault: _ORDER.index(fault.kind))
    return tuple(replace(fault, rank=n) for n, fault in enumerate(in_order, 1))


def diagnosis(
    matrix: Matrix,
    lines: LineFindings,
    positions: Positions | None,
    verdicts: Sequence[Position],
    further: Sequence[Fault] = (),
    chords: Mapping[frozenset[str], Observation] | None = None,
) -> Diagnosis:
    """Everything to mend. `verdicts`: the positions' verdicts; empty if that stage didn't run. `further`:
    faults that other stages found, which no table of one press shows. `chords`: tables with several
    switches held, each read alike twice."""
    by_name = {one.switch: one for one in verdicts}
    return _Diagnosis(matrix, lines, positions, by_name, chords or {}).whole(further)


class _Diagnosis:
    def __init__(
        self,
        matrix: Matrix,
        lines: LineFindings,
        positions: Positions | None,
        verdicts: dict[str, Position],
        chords: Mapping[frozenset[str], Observation],
    ) -> None:
        self.chords = chords
        self.matrix, self.findings, self.positions, self.verdicts = matrix, lines, positions, verdicts
        self.wiring = matrix.wiring
        self.advice = Advice(matrix, lines, verdicts, chords)

    def whole(self, further: Sequence[Fault] = ()) -> Diagnosis:
        open_lines, cuts, single = self._opens()
        faults = [
            *self._held_lines(),
            *self._bridges(),
            *self._weak_lines(),
            *self._stuck(),
            *(self.advice.open_line(gpio, names) for gpio, names in open_lines.items()),
            *(self.advice.cut(gpio, after, names) for (gpio, after), names in cuts.items()),
            *(self.advice.open_switch(name) for name in single),
            *self._diodes(),
            *self._swaps(),
            *self._node_bridges(),
            *self._unsteady(),
        ]
        faults = _joined([*self._checked(faults), *further])
        in_order = ranked(faults)
        opened = {int(f.where[0][4:]) for f in faults if f.kind in ("open", "cut") and f.pins == f.where[:1]}
        told = tuple(
            replace(line, verdict=LineVerdict.OPEN)
            if line.gpio in opened and line.verdict is LineVerdict.CLEAR
            else line
            for line in self.findings.lines
        )
        return Diagnosis(in_order, told)

    # -- against the electrical model --------------------------------------------------------------

    def _checked(self, faults: list[Fault]) -> list[Fault]:
        """These faults, mended where the model doesn't read so with them, each with what reads the same."""
        if self.findings.table is None or self.findings.wavering:
            return faults
        from hil.diagnosis.alike import Evidence, canonical, explanation

        pressed = self.positions.tables() if self.positions else {}
        # What was concluded without a table that is believed stands as it is: no table speaks against it.
        beyond = [
            fault
            for fault in faults
            if not self._is_modelled(fault)
            or (fault.kind in _OF_A_PRESS and fault.switches and pressed.keys().isdisjoint(fault.switches))
        ]
        named = {canonical(_planted(fault)): fault for fault in faults if fault not in beyond}
        evidence = Evidence(self.findings.table, pressed, self.chords)
        found = explanation(self.wiring, evidence, named)
        if found.differs:
            return faults  # not a board that the model knows: what the rules say is all there is
        checked = beyond
        for planted in found.faults:
            fault = named.get(planted) or self.advice.fault_of(planted)
            if fault is None:
                return faults
            others = [
                cause
                for each in found.alike
                if planted == next(one for one in found.faults if one in each.of)
                and (cause := self._instead(planted, each)) is not None
            ]
            checked.append(replace(fault, causes=(*fault.causes, *others)))
        return checked

    def _is_modelled(self, fault: Fault) -> bool:
        """Whether one moment of the matrix tells of it: not of a light's or a dial's pin alone. RUN is told
        of by a restart."""
        gpios = mask_of(int(pin[4:]) for pin in fault.pins)
        others = "RUN" in fault.where or (gpios and not gpios & lines_of(self.wiring))
        return fault.kind in _MODELLED and not others

    def _instead(self, planted: Planted, exchange: Exchange) -> Cause | None:
        """What would read the same, as a cause of its own."""
        faults = [self.advice.fault_of(one) for one in exchange.instead]
        causes = [fault.causes[0] for fault in faults if fault is not None]
        also = tuple(str(one) for one in sorted(exchange.of - {planted}, key=str))
        if len(causes) < len(exchange.instead):
            return None
        instead = f" (and then {' and '.join(also)} is no fault)" if also else ""
        return Cause(
            f"or, which reads the same{instead}: " + ", and ".join(cause.what for cause in causes),
            "; ".join(dict.fromkeys(cause.look_at for cause in causes)),
            "; ".join(dict.fromkeys(cause.meter for cause in causes)),
            tuple(fault.title for fault in faults if fault is not None),
            also,
        )

    # -- lines -------------------------------------------------------------------------------------

    def _held_lines(self) -> list[Fault]:
        found = []
        for line in self.findings.lines:
            if line.role == "unused":
                continue  # a module holds some of its pins by itself
            if line.verdict is LineVerdict.LOW:
                found.append(self.advice.low(line))
            elif line.verdict is LineVerdict.HIGH:
                found.append(self.advice.high(line))
        return found

    def _bridges(self) -> list[Fault]:
        found = []
        for line in self.findings.lines:
            for other in line.joined:
                if line.verdict is LineVerdict.BRIDGED and other.pin is None:
                    found.append(self.advice.run_bridge(line))
        for group in self.findings.groups:
            # A chain of neighbours is named as one fault per gap: that is what the iron parts.
            for a, b in pairwise(group):
                inside = self._switch_between(a, b)
                if inside and self.wiring.diodes is Diodes.NONE and not are_beside(a, b):
                    found.append(self.advice.closed_switch(inside, from_start=True))
                else:
                    found.append(self.advice.bridge(a, b, group))
        return found

    def _switch_between(self, a: int, b: int) -> str | None:
        """The switch that would join these two lines if it were closed."""
        bridge = f"bridge GPIO{a} GPIO{b}"
        return next((name for name, other in self.findings.maybe_closed.items() if other == bridge), None)

    def _weak_lines(self) -> list[Fault]:
        found = []
        done: set[frozenset[str]] = set()
        for line in self.findings.lines:
            if line.verdict is not LineVerdict.WEAK:
                continue
            if not line.joined:
                found.append(self.advice.slow(line))
                continue
            for other in line.joined:
                both = frozenset((line.pin, other.name))
                if both in done:
                    continue
                done.add(both)
                evidence = f"{line.pin} and {other.name} read low for one another in one direction only"
                if line.note == WAVERS:
                    evidence = f"{line.pin} against {other.name} {WAVERS}"
                found.append(self.advice.leaky(line, other.name, evidence))
        return found

    # -- switches ----------------------------------------------------------------------------------

    def _with(self, *verdicts: PositionVerdict) -> list[Position]:
        return [one for one in self.verdicts.values() if one.verdict in verdicts]

    def _stuck(self) -> list[Fault]:
        found = []
        stuck = {one.switch: one for one in self._with(PositionVerdict.STUCK)}
        at_rest = self.findings.closed
        for name in names_in_order(self.wiring, {*stuck, *(() if self.verdicts else at_rest)}):
            found.append(self.advice.closed_switch(name, from_start=name in at_rest))
        return found

    def _opens(self) -> tuple[dict[int, list[str]], dict[tuple[int, str], list[str]], list[str]]:
        """Silent switches, put down to whole lines, to cut tracks, and to themselves, in this order."""
        silent = {one.switch for one in self._with(PositionVerdict.OPEN)}
        answering = {
            one.switch
            for one in self.verdicts.values()
            if one.verdict not in (PositionVerdict.OPEN, PositionVerdict.UNTESTED)
        }
        whole: dict[int, list[str]] = {}
        cuts: dict[tuple[int, str], list[str]] = {}
        gpios = [*self.wiring.rows, *self.wiring.columns]
        while True:
            best: tuple[int, int, str | None, list[str]] | None = None
            for gpio in gpios:
                on = switches_on(self.wiring, gpio)
                mute = [name for name in on if name in silent]
                if len(mute) < 2:
                    continue
                if not set(on) & answering and set(on) - set(mute) == set(on) - silent - answering:
                    candidate: tuple[int, int, str | None, list[str]] = (len(mute), gpio, None, mute)
                else:
                    last = max((i for i, name in enumerate(on) if name in answering), default=-1)
                    tail = [name for name in on[last + 1 :] if name in silent]
                    if last < 0 or len(tail) < 2:
                        continue
                    candidate = (len(tail), gpio, on[last], tail)
                if best is None or candidate[0] > best[0]:
                    best = candidate
            if best is None:
                break
            _, gpio, after, names = best
            if after is None:
                whole[gpio] = names
            else:
                cuts[gpio, after] = names
            silent -= set(names)
        return whole, cuts, list(names_in_order(self.wiring, silent))

    def _diodes(self) -> list[Fault]:
        shorted = [self.advice.shorted(one.switch) for one in self._with(PositionVerdict.SHORTED)]
        turned = [one.switch for one in self._with(PositionVerdict.REVERSED)]
        good = [
            one.switch
            for one in self._with(PositionVerdict.PROVEN)
            if self.matrix.switches[one.switch].direct is None
        ]
        if len(turned) >= _MOST_DIODES and len(turned) > len(good) + 1:
            # Against the corrected line those that seemed good are the odd ones.
            return [self.advice.every_diode(), *(self.advice.reversed(name) for name in good), *shorted]
        return [*(self.advice.reversed(name) for name in turned), *shorted]

    def _swaps(self) -> list[Fault]:
        if self.positions is None:
            return []
        from hil.diagnosis.rewired import exchanges

        seen = self.positions.contacts()
        settled = {one.switch for one in self._with(PositionVerdict.SWAPPED)}
        settled |= {name for name in seen if self.positions.answers_beside(name)}
        found = []
        for planted in exchanges(self.wiring, seen, settled):
            fault = self.advice.fault_of(planted)
            if fault is not None:
                answers = {name: self.verdicts[name].answered_as for name in fault.switches}
                told = [
                    f"{name} answered {'from' if ' to ' in at else 'as'} {at}, twice"
                    for name, at in answers.items()
                    if at
                ]
                found.append(replace(fault, evidence=tuple(told) or fault.evidence))
        return found

    def _node_bridges(self) -> list[Fault]:
        """Switches that answer together although their lines are clear: solder between the parts."""
        if self.positions is None:
            return []
        found: list[Fault] = []
        done: set[str] = set()
        for name in self.matrix.switches:
            together = self.positions.seen_with(name)
            if not together or name in done or self._is_explained(name):
                continue
            partner = self._node_partner(name, together)
            pair_ = names_in_order(self.wiring, (name, partner))
            done.update(pair_)
            others = " and ".join(together)
            evidence = f"{name}, asked for twice, answered together with {others}"
            found.append(node_bridge(pair_, evidence, slipped=True))
        return found

    def _node_partner(self, name: str, together: tuple[str, ...]) -> str:
        """The switch whose diode takes part: in the row of what answered as well, and answering like this."""
        assert self.positions is not None
        mine = self.matrix.switches[name]
        for other in self.matrix.switches:
            back = self.positions.seen_with(other)
            theirs = self.matrix.switches[other]
            if other == name or not back:
                continue
            lines = {
                line
                for each in together
                for line in (self.matrix.switches[each].row, self.matrix.switches[each].column)
            }
            if {theirs.row, theirs.column} & lines - {mine.row, mine.column} or other in together:
                return other
        return together[0]

    def _is_explained(self, name: str) -> bool:
        assert self.positions is not None
        return bool(self.positions.hidden_by(name))

    def _unsteady(self) -> list[Fault]:
        found = []
        for one in self._with(PositionVerdict.CHATTERING, PositionVerdict.INTERMITTENT):
            name = one.switch
            chatters = one.verdict is PositionVerdict.CHATTERING
            evidence = (
                f"{name} was never quiet for 50 ms while it was pressed"
                if chatters
                else f"presses of {name} did not agree with one another"
            )
            found.append(unsteady(self.matrix, name, "bounces" if chatters else "drops", [evidence]))
        return found


def _joined(faults: list[Fault]) -> list[Fault]:
    """The same fault found in two ways is one, with the evidence of both."""
    found: dict[str, Fault] = {}
    for fault in faults:
        known = found.get(fault.id)
        evidence = fault.evidence if known is None else (*known.evidence, *fault.evidence)
        found[fault.id] = replace(known or fault, evidence=tuple(dict.fromkeys(evidence)))
    return list(found.values())


def _planted(fault: Fault) -> Planted:
    from hil.faults import Fault as Planted

    return Planted(fault.kind, fault.where, "47k" if fault.kind == "leaky" else None)
