"""Pads → parts and nets: which pins are joined to which, as the copper was meant.

Designators aren't always unique in a netlist (six characters of them are kept); parts that share one are told
apart here by their places.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from keyc.netlist.ipc_d_356 import Netlist, Pad
from keyc.netlist.nearby import Nearby

# The hole in a key switch's middle; a hot-swap socket's are smaller (common practice: 3.0 and 4.0 mm).
SMALLEST_CENTRE_HOLE_MM = 3.2

_KEPT_CHARACTERS = 6  # of a designator, by the format
_WITHIN_A_SWITCH_MM = 12.0  # from a switch's middle to its farthest pad
_WITHIN_A_PART_MM = 25.0  # from one pad of a diode with wires to the other


@dataclass(frozen=True, eq=False)
class Part:
    """A part: its nets and its pads by pin. A pin whose pads are joined to nothing has None.

    A pin without a name is called `?`, the next one `??`. `is_numbered`: its name was made here. What follows
    from these is asked for many times, and worked out once.
    """

    name: str
    nets: Mapping[str, str | None]
    pads: Mapping[str, tuple[Pad, ...]]
    is_numbered: bool = False

    @cached_property
    def prefix(self) -> str:
        """The letters that a designator begins with: `SW` of `SW17`."""
        match = re.match(r"[A-Za-z]+", self.name)
        return match[0].upper() if match else ""

    @cached_property
    def joined(self) -> tuple[str, ...]:
        """The nets that it is joined to, each once, in the order of its pins."""
        return tuple(dict.fromkeys(net for net in self.nets.values() if net is not None))

    @cached_property
    def centre_mm(self) -> tuple[float, float]:
        """The middle of its pads."""
        return centroid_mm([pad for pads in self.pads.values() for pad in pads])


@dataclass(frozen=True, slots=True)
class Terminal:
    """One pin of a part on a net."""

    part: Part
    pin: str


@dataclass(frozen=True, eq=False)
class Circuit:
    """A netlist's parts by name, the terminals of each net that joins something, and the large bare holes."""

    netlist: Netlist
    parts: Mapping[str, Part]
    nets: Mapping[str, tuple[Terminal, ...]]
    holes: tuple[Pad, ...]

    def on(self, net: str) -> tuple[Part, ...]:
        """The parts on a net, each once."""
        return self._parts_on.get(net, ())

    @cached_property
    def _parts_on(self) -> dict[str, tuple[Part, ...]]:
        return {
            net: tuple(dict.fromkeys(terminal.part for terminal in terminals))
            for net, terminals in self.nets.items()
        }


def circuit_of(netlist: Netlist) -> Circuit:
    """The parts of a netlist and how they are joined."""
    pads_on: dict[str, int] = defaultdict(int)
    pads_by_part: dict[str, list[Pad]] = defaultdict(list)
    holes: list[Pad] = []
    for pad in netlist.pads:
        if pad.net is not None:
            pads_on[pad.net] += 1
        if pad.hole_mm is not None and not pad.is_plated:
            if pad.hole_mm >= SMALLEST_CENTRE_HOLE_MM:
                holes.append(pad)
        elif pad.part:
            pads_by_part[pad.part].append(pad)

    centres = Nearby(((hole.x_mm, hole.y_mm) for hole in holes), _WITHIN_A_SWITCH_MM)
    # A net of one pad joins nothing: that is how an unconnected pad is written.
    joined = {net for net, count in pads_on.items() if count > 1}
    parts: dict[str, Part] = {}
    for name, pads in pads_by_part.items():
        for part in _parts(name, pads, joined, centres):
            parts[part.name] = part
    return Circuit(netlist, parts, _terminals(parts.values()), tuple(holes))


def parts_read(circuit: Circuit) -> str:
    """How much was read, for messages."""
    count = len(circuit.parts)
    return "one part was read" if count == 1 else f"{count} parts were read"


def _terminals(parts: Iterable[Part]) -> dict[str, tuple[Terminal, ...]]:
    nets: dict[str, list[Terminal]] = defaultdict(list)
    for part in parts:
        for pin, net in part.nets.items():
            if net is not None:
                nets[net].append(Terminal(part, pin))
    return {net: tuple(terminals) for net, terminals in nets.items()}


def _parts(name: str, pads: Sequence[Pad], joined: set[str], centres: Nearby) -> list[Part]:
    """The one part of a designator, or the several that share it."""
    part, is_one = _part(name, pads, joined)
    if is_one or len(name) != _KEPT_CHARACTERS:
        return [part]
    groups = _by_hole(pads, centres) or _by_nearness(pads)
    return [
        _part(f"{name}-{number}", group, joined, is_numbered=True)[0]
        for number, group in enumerate(sorted(groups, key=_reading_place), start=1)
    ]


def _part(
    name: str, pads: Iterable[Pad], joined: set[str], *, is_numbered: bool = False
) -> tuple[Part, bool]:
    """The part, and whether no pin of it is on two nets. Unconnected pads don't count beside a joined one."""
    nets: dict[str, str | None] = {}
    by_pin: dict[str, list[Pad]] = {}
    is_one = True
    for pad in pads:
        net = pad.net if pad.net in joined else None
        pin = pad.pin
        if not pin:  # pins without a name can only be told apart by their nets
            pin = "?"
            while pin in nets and nets[pin] != net:
                pin += "?"
        there = nets.get(pin)
        if there is None:
            nets[pin] = net
        elif net is not None and net != there:
            is_one = False
        by_pin.setdefault(pin, []).append(pad)
    return Part(name, nets, {pin: tuple(pads) for pin, pads in by_pin.items()}, is_numbered), is_one


def _reading_place(pads: Sequence[Pad]) -> tuple[float, float]:
    """A key for the order in which one reads: from the top, then from the left."""
    x, y = centroid_mm(pads)
    return (round(-y / 10), x)


def _by_hole(pads: Sequence[Pad], centres: Nearby) -> list[list[Pad]]:
    """Pads by the centre hole that each lies nearest to; [] if that doesn't take all of them."""
    groups: dict[int, list[Pad]] = defaultdict(list)
    for pad in pads:
        near = centres.within(pad.x_mm, pad.y_mm, _WITHIN_A_SWITCH_MM)
        if not near:
            return []
        groups[near[0][1]].append(pad)
    return list(groups.values())


def _by_nearness(pads: Sequence[Pad]) -> list[list[Pad]]:
    """Pads grouped around those of the first pin, the nearest pairs first."""
    by_pin: dict[str, list[Pad]] = defaultdict(list)
    for pad in pads:
        by_pin[pad.pin].append(pad)
    seeds, *others = by_pin.values()
    groups = [[seed] for seed in seeds]
    around = Nearby(((seed.x_mm, seed.y_mm) for seed in seeds), _WITHIN_A_SWITCH_MM)
    for more in others:
        pairs = sorted(
            (away, at, number)
            for number, pad in enumerate(more)
            for away, at in around.within(pad.x_mm, pad.y_mm, _WITHIN_A_PART_MM)
        )
        taken_groups: set[int] = set()
        taken_pads: set[int] = set()
        for _, at, number in pairs:
            if at not in taken_groups and number not in taken_pads:
                groups[at].append(more[number])
                taken_groups.add(at)
                taken_pads.add(number)
    return groups


def centroid_mm(pads: Sequence[Pad]) -> tuple[float, float]:
    """The middle of pads; each place counts once, however many pads lie there."""
    places = {(pad.x_mm, pad.y_mm) for pad in pads}
    return (
        sum(x for x, _ in places) / len(places),
        sum(y for _, y in places) / len(places),
    )
