"""Boards of several sizes, and every fault that can be planted on them."""

from __future__ import annotations

from itertools import combinations
from random import Random

from wirings import light, wiring_of

from hil.alike import canonical
from hil.board import Board, Fault, parse_fault
from hil.judge import switches_on
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Wiring


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
    words += [f"{kind} GPIO{gpio}" for gpio in lines for kind in ("open", "low", "high")]
    words += [f"cut GPIO{gpio} after {name}" for gpio in lines for name in switches_on(wiring, gpio)[:-1]]
    words += [f"bridge GPIO{a} GPIO{b}" for a, b in combinations(sorted(lines), 2)]
    free = [gpio for gpio in range(30) if gpio not in lines and not any(x.pin == gpio for x in wiring.lights)]
    words += [f"bridge GPIO{a} GPIO{b}" for a in lines for b in free if abs(a - b) == 1]
    words += [f"bridge GPIO{gpio} {rail}" for gpio in lines for rail in ("IOVDD", "GND")]
    words += [f"leaky GPIO{a} GPIO{b} 47k" for a, b in combinations(sorted(lines), 2)]
    words += [f"swapped {a} {b}" for a, b in combinations(names, 2)]
    for group in (wiring.rows, wiring.columns):
        words += [f"swapped GPIO{a} GPIO{b}" for a, b in combinations(sorted(group), 2)]
    return [parse_fault(text, wiring) for text in words]


def sample(chance: Random, faults: list[Fault], count: int) -> tuple[Fault, ...]:
    """So many different faults, each kind as likely as any other."""
    by_kind: dict[str, list[Fault]] = {}
    for fault in faults:
        by_kind.setdefault(fault.kind, []).append(fault)
    chosen: dict[Fault, None] = {}
    while len(chosen) < count:
        chosen[chance.choice(by_kind[chance.choice(sorted(by_kind))])] = None
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
    """The same set in one form: a bridge to a supply is `low` or `high`, and exchanges that follow on one
    another are one round."""
    found: set[Fault] = set()
    names = {switch.name for switch in wiring.switches}
    place = {name: name for name in names} | {f"GPIO{n}": f"GPIO{n}" for n in range(30)}
    for fault in faults:
        if fault.kind == "bridge" and fault.where[1] in ("IOVDD", "GND"):
            found.add(Fault("high" if fault.where[1] == "IOVDD" else "low", fault.where[:1]))
        elif fault.kind == "swapped":
            for a, b in zip(fault.where, fault.where[1:], strict=False):
                place[a], place[b] = place[b], place[a]
        else:
            found.add(canonical(fault))
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
