"""What reads the same, against every set of one and of two faults of a small board, worked out one by one.

Which sets those are is for `fault_sets` to say: a graph of networkx.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import combinations, product
from random import Random

import pytest

from hil.board import Board
from hil.diagnosis.alike import Explanation, explanation
from hil.diagnosis.candidates import canonical, cost, joined
from hil.diagnosis.compared import Compared, Evidence
from hil.faults import Fault, parse_fault
from hil.judge import switches_on
from hil.observe import ROW, Observation, mask_of, observed
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Wiring
from tests.hil.fault_sets import Signature, fault_sets, signature
from tests.hil.wirings import small, wiring_of

BOARDS = {diodes: wiring_of((2,), (4, 5), diodes) for diodes in Diodes}


def evidence_of(wiring: Wiring, faults: Iterable[Fault], seed: int = 0) -> Evidence:
    """A whole look with nothing pressed, and each switch pressed alone; `seed` settles undefined readings."""
    board = Board(wiring, faults)

    def table(*closed: str) -> Observation:
        drives = None if not closed else ROW
        return observed(board.table(frozenset(closed)).resolved(seed), ROW, driven=drives)

    return Evidence(table(), {switch.name: table(switch.name) for switch in wiring.switches})


def every_fault(wiring: Wiring) -> list[Fault]:
    """All that is there all the time, at every place; but no dirt and nothing that is somewhere else."""
    names = [switch.name for switch in wiring.switches]
    lines = [f"GPIO{gpio}" for gpio in (*wiring.rows, *wiring.columns)]
    words = [f"{kind} {name}" for kind in ("open", "closed") for name in names]
    words += [f"{kind} {line}" for kind in ("open", "low", "high") for line in lines]
    words += [f"{kind} {a} {b}" for kind in ("bridge", "swapped") for a, b in combinations(lines, 2)]
    words += [f"swapped {a} {b}" for a, b in combinations(names, 2)]
    words += [
        f"cut {line} after {name}" for line in lines for name in switches_on(wiring, int(line[4:]))[:-1]
    ]
    if wiring.diodes is not Diodes.NONE:
        words += [f"{kind} {name}" for kind in ("reversed", "shorted") for name in names]
        words += [f"bridge {a} {b}" for a, b in combinations(names, 2)]
    return [canonical(parse_fault(word, wiring)) for word in words]


@lru_cache(maxsize=3)
def classes(diodes: Diodes) -> list[list[frozenset[Fault]]]:
    """Sets of one or two faults that read the same, without those that a smaller one of them is part of; only
    where every reading is definite and no line is held high."""
    wiring = BOARDS[diodes]
    lines = mask_of((*wiring.rows, *wiring.columns))
    found = []
    for seen, same in fault_sets(wiring, every_fault(wiring)).items():
        if seen[1][0] == lines and is_definite(wiring, seen):
            found.append([one for one in same if not any(other < one for other in same)])
    return found


def is_definite(wiring: Wiring, seen: Signature) -> bool:
    count = len(wiring.rows) + len(wiring.columns)
    return all(sure.bit_count() >= count - 1 for _, sure in seen) and seen[0][1].bit_count() == count


def in_order(same: Iterable[frozenset[Fault]]) -> list[list[str]]:
    return [sorted(map(str, one)) for one in same]


def listed(told: Explanation) -> set[frozenset[Fault]]:
    """Every set that the explanation lists: each choice of exchanges that don't take the same fault."""
    found = {frozenset(told.faults)}
    for exchange in told.alike:
        found |= {
            one - exchange.of | set(exchange.instead)
            for one in found
            if exchange.of <= one & frozenset(told.faults)
        }
    return found


@pytest.mark.parametrize("diodes", list(Diodes))
def test_from_readings_alone_the_likeliest_set_is_found_and_all_others_are_listed(diodes: Diodes) -> None:
    wiring = BOARDS[diodes]
    alike = classes(diodes)
    assert len(alike) > 20
    for same in Random(f"alike {diodes.value}").sample(sorted(alike, key=in_order), 20):
        fewest = min(map(len, same))
        told = explanation(wiring, evidence_of(wiring, sorted(same[0], key=str)), ())
        assert told.differs == 0, list(map(str, same[0]))
        assert cost(told.faults) <= min(map(cost, same)) + 0.01, (same, told.faults)
        missing = {one for one in same if len(one) == fewest} - listed(told)
        if any(fault.kind == "leaky" for fault in told.faults):
            assert missing < set(
                same
            )  # dirt alone reads so too, and of what would need two faults some is told
            continue
        assert not missing, ([str(f) for f in told.faults], [[str(f) for f in one] for one in missing])


@pytest.mark.parametrize("diodes", list(Diodes))
def test_what_is_listed_reads_the_same(diodes: Diodes) -> None:
    wiring = BOARDS[diodes]
    for same in Random(f"same {diodes.value}").sample(sorted(classes(diodes), key=in_order), 12):
        now = signature(wiring, same[0])
        told = explanation(wiring, evidence_of(wiring, sorted(same[0], key=str)), ())
        plain = frozenset(told.faults)
        for one in (plain, *(plain - each.of | set(each.instead) for each in told.alike)):
            then = signature(wiring, one)
            assert now is not None
            assert then is not None
            apart = [(a ^ b) & sure & of for (a, sure), (b, of) in zip(now, then, strict=True)]
            assert not any(apart), list(map(str, one))


TWO_BY_TWO = ((2, 3), (4, 5))
ONE_BY_SIX = ((2,), (6, 7, 8, 9, 10, 11))


@pytest.mark.parametrize(
    ("lines", "diodes", "planted"),
    [
        # Silent switches put down to joints, tracks and exchanges in another way, all three at once.
        (TWO_BY_TWO, Diodes.CATHODE_TO_COLUMN, "open SW1, swapped SW2 SW4, open GPIO3"),
        (TWO_BY_TWO, Diodes.CATHODE_TO_ROW, "open SW1, open SW3, open GPIO5"),
        # ... where one cut explains as much as three faults.
        (ONE_BY_SIX, Diodes.NONE, "open GPIO8, cut GPIO2 after SW4, open SW4"),
        # Three diodes of four: every one and the fourth again.
        (TWO_BY_TWO, Diodes.CATHODE_TO_COLUMN, "reversed SW1, reversed SW2, reversed SW3"),
        # Every diode, where few are left to tell of it.
        (TWO_BY_TWO, Diodes.CATHODE_TO_COLUMN, "bridge SW1 SW4, open SW1, reversed diodes"),
        (TWO_BY_TWO, Diodes.CATHODE_TO_COLUMN, "bridge SW2 SW3, reversed diodes, swapped GPIO3 GPIO5"),
        # An open pin whose pad is bridged: the line answers from the neighbour.
        (TWO_BY_TWO, Diodes.CATHODE_TO_COLUMN, "swapped GPIO5 GPIO6, open GPIO2, bridge GPIO1 GPIO2"),
        # A press that leads to ground by way of an exchanged line.
        (ONE_BY_SIX, Diodes.NONE, "low GPIO7, swapped GPIO7 GPIO9, swapped SW3 SW4"),
    ],
)
def test_three_faults_of_a_small_board_are_listed(
    lines: tuple[tuple[int, ...], tuple[int, ...]], diodes: Diodes, planted: str
) -> None:
    wiring = wiring_of(*lines, diodes)
    faults = frozenset(canonical(parse_fault(word.strip(), wiring)) for word in planted.split(","))
    told = explanation(wiring, evidence_of(wiring, sorted(faults, key=str)), ())
    assert told.differs == 0
    assert faults in listed(told), ([*map(str, told.faults)], len(told.alike))
    assert cost(told.faults) <= cost(faults) + 0.01


@pytest.mark.parametrize("seed", range(4))
def test_a_state_is_worked_out_from_the_faults_that_matter_in_it(seed: int) -> None:
    """Any faults, planted all at once on the whole board, read as `Compared` puts them together."""
    chance = Random(f"matter {seed}")
    told_apart = 0
    for diodes, _ in product(Diodes, range(25)):
        wiring = small(diodes)
        lines = [f"GPIO{gpio}" for gpio in (*wiring.rows, *wiring.columns)]
        names = [switch.name for switch in wiring.switches[:12]]
        a, b, c = chance.sample(names, 3)
        x, y, z = chance.sample(lines, 3)
        words = [f"open {a}", f"closed {b}", f"swapped {a} {c}", f"open {x}", f"low {y}", f"high {z}"]
        words += [f"bridge {x} {y}", f"swapped {y} {z}", f"leaky {x} {z} 47k", f"moved {c} {x} {z}"]
        words += [f"cut GPIO{wiring.rows[0]} after SW2", f"cut GPIO{wiring.columns[0]} after SW1"]
        if diodes is not Diodes.NONE:
            words += [
                f"reversed {a}",
                f"shorted {b}",
                f"bridge {a} {b}",
                f"bridge {b} {c}",
                "reversed diodes",
            ]
        one, other = (
            frozenset(canonical(parse_fault(word, wiring)) for word in chance.sample(words, count))
            for count in (3, 2)
        )
        try:
            compared = Compared(wiring, evidence_of(wiring, sorted(one, key=str), chance.randint(0, 9)))
            differs = tells_apart(wiring, sorted(one, key=str), sorted(other, key=str))
        except UserError:
            continue  # supply and ground are tied together
        assert compared.explain(one), list(map(str, one))
        if differs:
            told_apart += 1
            assert not compared.explain(other), (list(map(str, one)), list(map(str, other)))
    assert told_apart > 20


def tells_apart(wiring: Wiring, one: list[Fault], other: list[Fault]) -> bool:
    """Whether a reading that the bench takes is definite on both boards, and another one."""
    first, second = Board(wiring, one), Board(wiring, other)
    over = 0
    for gpio in (*wiring.rows, *wiring.columns):
        over |= 1 << gpio
    for name in (None, *(switch.name for switch in wiring.switches)):
        closed = frozenset(() if name is None else (name,))
        a, b = first.table(closed), second.table(closed)
        held = a.held_high | ROW & ~first.table().pulled_down.low
        driven = [n for n in range(30) if over >> n & 1 and not held >> n & 1]
        rows = [(-1, a.at_rest, b.at_rest), *((n, a.driven[n], b.driven[n]) for n in driven)]
        for n, x, y in rows:
            lines = over & ~held & ~(1 << n if n >= 0 else 0)
            if (x.low ^ y.low) & ~x.undefined & ~y.undefined & lines:
                return True
    return False


def exchanged(words: str, more: str) -> Iterator[str]:
    wiring = small()
    first = frozenset(canonical(parse_fault(word.strip(), wiring)) for word in words.split(","))
    for made in joined(first, [canonical(parse_fault(more, wiring))]):
        yield ", ".join(sorted(map(str, made)))


def test_exchanges_that_share_a_place_are_one_round_either_way() -> None:
    assert set(exchanged("swapped SW1 SW2", "swapped SW2 SW3")) == {
        "swapped SW1 SW2 SW3",
        "swapped SW1 SW3 SW2",
    }
    assert set(exchanged("swapped SW1 SW2", "swapped SW3 SW4")) == {"swapped SW1 SW2, swapped SW3 SW4"}
    assert not list(exchanged("reversed SW1", "shorted SW1")), "a diode is in backwards or shorted, not both"
