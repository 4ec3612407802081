"""Contacts seen elsewhere than the file has them → the fewest changes of the file that explain them.

Lines come first: a line whose switches, most of them, were seen on another pin is on that pin. A round of
lines is believed where it changes less than naming each switch anew would. What is left is put down to
switches: rounds that answer as one another, and single ones that are somewhere else.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, TypeVar

from hil.faults import Fault
from hil.judge import Place, ends
from hil.observe import REST

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from keyc.keyboard import Switch, Wiring

Ends = frozenset[int]
T = TypeVar("T", str, int)


def exchanges(wiring: Wiring, seen: Mapping[str, Place], settled: Collection[str]) -> list[Fault]:
    """`swapped` and `moved` faults. `seen`: where switches were seen to make contact. `settled`: those of
    them whose place is sure enough to be told of one switch alone."""
    return _Rewiring(wiring, seen).exchanges(settled)


class _Rewiring:
    def __init__(self, wiring: Wiring, seen: Mapping[str, Place]) -> None:
        self.wiring = wiring
        self.switches = {switch.name: switch for switch in wiring.switches if switch.name in seen}
        self.seen = {name: seen[name] for name in self.switches}
        self.wired = {switch.name: _ends(wiring, switch) for switch in wiring.switches}
        self.own = dict.fromkeys((*wiring.rows, *wiring.columns, *wiring.direct_pins))

    def exchanges(self, settled: Collection[str]) -> list[Fault]:
        on_pin: dict[int, int] = {}  # line of the file → the pin where it is
        found = []
        for round_ in _rounds(self._lines()):
            here = dict(zip(round_, (*round_[1:], round_[0]), strict=True))
            if self._is_worth(here):
                on_pin.update(here)
                # `swapped GPIO2 GPIO3 GPIO4`: each pin has the line of the next one.
                pins = sorted(round_) if len(round_) == 2 else reversed(round_)
                found.append(Fault("swapped", tuple(f"GPIO{gpio}" for gpio in pins)))
        return [*found, *self._switches(on_pin, settled)]

    def _lines(self) -> dict[int, int]:
        """Which pin each line that was seen elsewhere is on, closed to rounds."""
        on_pin: dict[int, int] = {}
        votes: dict[int, int] = {}  # switches of the line that were seen there
        for line in self.own:
            on = [name for name in self.seen if line in self.wired[name]]
            pins = Counter(pin for name in on for pin in _both(self.seen[name]))
            del pins[REST]
            if not pins:
                continue
            likely = [pin for pin, times in pins.items() if times == max(pins.values())]
            if len(on) == 1:
                # It may as well be the switch that is elsewhere, unless that pin has no line.
                likely = [pin for pin in likely if pin not in self.own]
            if pins[line] == len(on) or len(likely) != 1 or 2 * pins[likely[0]] <= len(on):
                likely = [line]
            on_pin[line], votes[line] = likely[0], pins[likely[0]]
        for pin in set(on_pin.values()):
            claim = sorted((line for line in on_pin if on_pin[line] == pin), key=lambda line: -votes[line])
            equal = len(claim) > 1 and votes[claim[0]] == votes[claim[1]]
            for line in claim if equal and pin not in claim else claim[1:]:
                del on_pin[line]
        for last in set(on_pin.values()) - set(on_pin):
            first = last
            lines = {pin: line for line, pin in on_pin.items()}
            while first in lines:
                first = lines[first]
            on_pin[last] = first
        return on_pin

    def _is_worth(self, on_pin: Mapping[int, int]) -> bool:
        """Whether this round of lines explains more switches than it changes lines."""
        concerned = [name for name in self.seen if self.wired[name] & set(on_pin)]
        before = [name for name in concerned if _both(self.seen[name]) != self.wired[name]]
        after = [name for name in concerned if _both(self.seen[name]) != _moved(self.wired[name], on_pin)]
        places = set(self.wired.values())
        nowhere = any(_both(self.seen[name]) not in places for name in before)
        cost = len(after) + len(self.own.keys() & set(on_pin))
        return cost < len(before) or (cost == len(before) > 0 and nowhere)

    def _switches(self, on_pin: Mapping[int, int], settled: Collection[str]) -> Iterator[Fault]:
        lines = {pin: line for line, pin in on_pin.items()}
        at = {both: name for name, both in self.wired.items()}
        elsewhere: dict[str, Place] = {}
        for name in self.seen:
            place = self.seen[name]
            there = Place(lines.get(place.anode, place.anode), lines.get(place.cathode, place.cathode))
            if name in settled and _both(there) != self.wired[name]:
                elsewhere[name] = there
        answers = {name: at[_both(place)] for name, place in elsewhere.items() if _both(place) in at}
        in_rounds: set[str] = set()
        for round_ in _rounds(answers):
            in_rounds.update(round_)
            yield Fault("swapped", tuple(round_))
        for name, place in elsewhere.items():
            if name not in in_rounds:
                yield Fault("moved", (name, *str(place).split(" to ")))


def _ends(wiring: Wiring, switch: Switch) -> Ends:
    return frozenset((switch.direct, REST) if switch.direct is not None else ends(wiring, switch))


def _both(place: Place) -> Ends:
    return frozenset((place.anode, place.cathode))


def _moved(both: Ends, on_pin: Mapping[int, int]) -> Ends:
    return frozenset(on_pin.get(line, line) for line in both)


def _rounds(leads_to: Mapping[T, T]) -> Iterator[list[T]]:
    """The closed rounds of more than one, each starting where it comes first."""
    done: set[T] = set()
    for start in leads_to:
        round_ = [start]
        while (following := leads_to.get(round_[-1])) is not None and following not in round_:
            round_.append(following)
        if following == start and len(round_) > 1 and start not in done:
            yield round_
            done.update(round_)
