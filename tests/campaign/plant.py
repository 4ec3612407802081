"""Boards of several sizes, and every fault that can be planted on them."""

from __future__ import annotations

from itertools import combinations, pairwise
from random import Random

import networkx as nx

from hil.board import Board
from hil.diagnosis.candidates import OFTEN, canonical, kind_of
from hil.faults import Fault, parse_fault
from hil.judge import switches_on
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Wiring
from tests.hil.wirings import light, wiring_of


def boards(diodes: Diodes) -> dict[str, Wiring]:
    """By name, small to large; every size of matrix that is soldered, and odd ones."""
    return {
        "1 x 6": wiring_of((2,), (6, 7, 8, 9, 10, 11), diodes),
        "2 x 2": wiring_of((2, 3), (4, 5), diodes, lights=(light(7),)),
        "3 x 4 + 1": wiring_of((2, 3, 4), (6, 7, 8, 9), diodes, directs=(10,)),
        "4 x 5 with holes": wiring_of((15, 16, 17, 18), (0, 1, 2, 3, 4), diodes, holes=frozenset((3, 11))),
        "5 x 6 + 2": wiring_of((0, 1, 2, 3, 4), (6, 7, 8, 9, 10, 11), diodes, directs=(20, 21)),
        "4 x 12": wiring_of((0, 1, 2, 3), tuple(range(4, 16)), diodes),
        "6 x 17": wiring_of(tuple(range(6)), tuple(range(6, 23)), diodes),
    }


def static_faults(wiring: Wiring) -> list[Fault]:
    """Every fault of the list that is there all the time, at every place."""
    words: list[str] = []
    names = [switch.name for switch in wiring.switches]
    matrix = [switch.name for switch in wiring.switches if switch.direct is None]
    lines = [*wiring.rows, *wiring.columns, *wiring.direct_pins]
    words += [f"{kind} {name}" for name in names for kind in ("open", "closed")]
    if wiring.diodes is not Diodes.NONE:
        words += [f"{kind} {name}" for name in matrix for kind in ("reversed", "shorted")]
        words += [f"bridge {a} {b}" for a, b in combinations(matrix, 2)]
        words.append("reversed diodes")
    words += [f"{kind} GPIO{gpio}" for gpio in lines for kind in ("open", "low", "high")]
    words += [f"cut GPIO{gpio} after {name}" for gpio in lines for name in switches_on(wiring, gpio)[:-1]]
    words += [f"bridge GPIO{a} GPIO{b}" for a, b in combinations(sorted(lines), 2)]
    free = [gpio for gpio in range(30) if gpio not in lines and not any(x.pin == gpio for x in wiring.lights)]
    words += [f"bridge GPIO{a} GPIO{b}" for a in lines for b in free if abs(a - b) == 1]
    words += [f"bridge GPIO{gpio} {rail}" for gpio in lines for rail in ("IOVDD", "GND")]
    words += [f"leaky GPIO{a} GPIO{b} 47k" for a, b in combinations(sorted(lines), 2)]
    words += [f"swapped {a} {b}" for a, b in combinations(names, 2)]
    words += [f"swapped GPIO{a} GPIO{b}" for a, b in combinations(sorted(lines), 2)]
    words += [f"swapped GPIO{a} GPIO{b}" for a in lines for b in free if abs(a - b) == 1]
    taken = {(switch.row, switch.column) for switch in wiring.switches}
    places = [(c, r) for r in wiring.rows for c in wiring.columns if (r, c) not in taken]
    places += [*pairwise(wiring.columns)][:1] + [*pairwise(wiring.rows)][:1]
    words += [f"moved {name} GPIO{a} GPIO{b}" for name in matrix for a, b in places]
    return [parse_fault(text, wiring) for text in words]


def sample(chance: Random, faults: list[Fault], count: int, *, as_often: bool = False) -> tuple[Fault, ...]:
    """So many different faults. `as_often`: each as often as such a place is bad; else each kind as likely
    as any other."""
    # Where another fault hides its place, a switch that is moved may be anywhere: it is planted alone. How
    # often there is dirt nobody knows.
    chosen: dict[Fault, None] = {}
    if as_often:
        places = [fault for fault in faults if fault.kind not in ("moved", "leaky")]
        weights = [OFTEN[kind_of(fault)] for fault in places]
        while len(chosen) < count:
            chosen[chance.choices(places, weights)[0]] = None
        return tuple(chosen)
    by_kind: dict[str, list[Fault]] = {}
    for fault in faults:
        by_kind.setdefault(fault.kind, []).append(fault)
    kinds = sorted(by_kind.keys() - {"moved"})
    while len(chosen) < count:
        chosen[chance.choice(by_kind[chance.choice(kinds)])] = None
    return tuple(chosen)


def makes_sense(wiring: Wiring, faults: tuple[Fault, ...]) -> bool:
    """Whether such a board starts at all, and the faults don't name one place twice."""
    once = [fault.where for fault in faults if fault.kind in ("reversed", "shorted")]
    if len(once) != len(set(once)):
        return False  # a diode is in backwards or shorted, not both
    try:
        Board(wiring, faults)
    except UserError:
        return False
    return True


def settled(wiring: Wiring, faults: tuple[Fault, ...]) -> frozenset[Fault]:
    """The same set in one form. Copper that is joined is one net, however many bridges do it (a bridge to
    ground is `low`): its members are named in a chain. Exchanges that follow on one another are one round."""
    found: set[Fault] = set()
    nets = nx.Graph()
    names = {switch.name for switch in wiring.switches}
    place = {name: name for name in names} | {f"GPIO{n}": f"GPIO{n}" for n in range(30)}
    for fault in faults:
        if fault.kind in ("low", "high"):
            nets.add_edge(fault.where[0], fault.kind)
        elif fault.kind == "bridge" and fault.where[0] not in names:
            a, b = fault.where
            nets.add_edge(a, {"IOVDD": "high", "GND": "low"}.get(b, b))
        elif fault.kind == "swapped":
            for a, b in zip(fault.where, fault.where[1:], strict=False):
                place[a], place[b] = place[b], place[a]
        else:
            found.add(canonical(fault))
    for net in nx.connected_components(nets):
        rail = net & {"low", "high"}
        pins = sorted(net - rail, key=lambda word: (len(word), word))
        if rail:
            found.update(Fault(next(iter(rail)), (pin,)) for pin in pins)
        else:
            found.update(Fault("bridge", both) for both in pairwise(pins))
    seen: set[str] = set()
    for start in [*names, *(f"GPIO{n}" for n in range(30))]:
        round_ = [start]
        while (following := place[round_[-1]]) != start:
            round_.append(following)
        if len(round_) > 1 and start not in seen:
            first = round_.index(min(round_))
            found.add(canonical(Fault("swapped", (*round_[first:], *round_[:first]))))
        seen.update(round_)
    return frozenset(found)


def in_pairs(fault: Fault) -> tuple[Fault, ...]:
    """A round of exchanged places as the exchanges that make it."""
    if fault.kind != "swapped":
        return (fault,)
    return tuple(Fault("swapped", both) for both in zip(fault.where, fault.where[1:], strict=False))
