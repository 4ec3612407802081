"""Which sets of one or two faults give the same readings: worked out one by one, all of them, by a graph.

Nothing is left out, put together or searched, and no code is shared with the bench (`copper_graph`, which
uses networkx).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations

from hil.diagnosis.candidates import joined
from hil.faults import Fault
from keyc.keyboard import Wiring
from tests.hil.copper_graph import Reference

Masks = tuple[int, int]  # lines that read low, and lines that read anything for sure
Signature = tuple[Masks, ...]


def signature(wiring: Wiring, faults: Iterable[Fault]) -> Signature | None:
    """What the lines of such a board read with nothing pressed, pulled up and down and with each line driven
    low, and the same with each switch pressed alone, but pulled down; None where it doesn't start."""
    lines = [*wiring.rows, *wiring.columns, *wiring.direct_pins]
    planted = [each for fault in sorted(faults, key=str) for each in _in_pairs(fault)]
    found: list[Masks] = []
    for pressed in (None, *(switch.name for switch in wiring.switches)):
        graph = Reference(wiring, planted, frozenset(() if pressed is None else (pressed,)))
        graph.solve(lines)
        if pressed is None and graph.ground.get("3V3") == 0:
            return None
        rows = [{gpio: graph.reading(("die", gpio), None) for gpio in lines}]
        if pressed is None:
            rows.append({gpio: graph.reading_down(("die", gpio)) for gpio in lines})
        rows += [{gpio: graph.reading(("die", gpio), at) for gpio in lines if gpio != at} for at in lines]
        found += map(_masks, rows)
    return tuple(found)


def fault_sets(wiring: Wiring, faults: Sequence[Fault]) -> dict[Signature, list[frozenset[Fault]]]:
    """Readings → the sets of one or two of these faults that give them; not those of a good board."""
    good = signature(wiring, ())
    found: dict[Signature, list[frozenset[Fault]]] = {}
    for count in (1, 2):
        for some in combinations(faults, count):
            made = frozenset(some)
            if count == 2 and made not in joined(made - {some[1]}, some[1:]):
                continue  # they make one fault together, or can't be both
            now = signature(wiring, made)
            if now is not None and now != good:
                found.setdefault(now, []).append(made)
    return found


def _masks(row: dict[int, str]) -> Masks:
    low = sum(1 << gpio for gpio, word in row.items() if word == "low")
    return low, sum(1 << gpio for gpio, word in row.items() if word != "undefined")


def _in_pairs(fault: Fault) -> tuple[Fault, ...]:
    """A round of exchanged places as the exchanges that make it."""
    if fault.kind != "swapped":
        return (fault,)
    return tuple(Fault("swapped", both) for both in zip(fault.where, fault.where[1:], strict=False))
