"""The campaign's parts, each a list of scores, and the figures that are made of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random
from statistics import median

from wirings import NOWHERE, light, wiring_of

from hil.board import Fault
from hil.result import PositionVerdict, Result, Verdict
from keyc.keyboard import Dial, Diodes, Wiring
from tests.campaign.plant import boards, makes_sense, sample, static_faults
from tests.campaign.sessions import Score, alike, run, session

Progress = Callable[[str], None]
SMALL = ("1 x 6", "2 x 2", "3 x 4 + 1", "4 x 5 with holes", "5 x 6 + 2")


@dataclass(frozen=True, slots=True)
class Figure:
    """`value` of `of`; `least` is the share to reach, None where it is told only."""

    name: str
    value: float
    of: float
    least: float | None = None
    most: float | None = None

    @property
    def share(self) -> float:
        return self.value / self.of if self.of else 1.0

    @property
    def kept(self) -> bool:
        if self.most is not None and self.value > self.most:
            return False
        return self.least is None or self.share >= self.least

    def __str__(self) -> str:
        mark = "" if self.kept else "   NOT REACHED"
        if self.of == 0:
            return f"{self.name}: {self.value:g}{mark}"
        return f"{self.name}: {self.value:g} of {self.of:g} ({100 * self.share:.1f} %){mark}"


def is_sure(planted: tuple[Fault, ...]) -> bool:
    """Whether every reading of these faults is definite: dirt (`leaky`) may read either way."""
    return all(fault.kind != "leaky" for fault in planted)


def singles(most_per_board: int | None, seed: int = 0) -> Iterator[Score]:
    """Each fault alone, at every place; of a board with more places than `most_per_board` a sample."""
    for diodes in Diodes:
        for name, wiring in boards(diodes).items():
            faults = [(fault,) for fault in static_faults(wiring)]
            if most_per_board is not None and len(faults) > most_per_board:
                faults = Random(f"{seed} {name} {diodes}").sample(faults, most_per_board)
            for n, planted in enumerate(faults):
                yield run(wiring, planted, n % 4)


def several(
    count: int,
    each: int,
    seed: int = 0,
    slips: float = 0.0,
    names: tuple[str, ...] = SMALL,
    *,
    as_often: bool = False,
) -> Iterator[Score]:
    """`count` boards with `each` faults. `as_often`: as they come; else each kind as likely as another."""
    chance = Random(f"{seed} {each} {slips}")
    every = [
        (wiring, static_faults(wiring)) for d in Diodes for name, wiring in boards(d).items() if name in names
    ]
    done = 0
    while done < count:
        wiring, faults = chance.choice(every)
        planted = sample(chance, faults, each, as_often=as_often)
        if makes_sense(wiring, planted):
            yield run(wiring, planted, done % 4, slips)
            done += 1


def good_boards(count: int, seed: int = 0, slips: float = 0.0) -> Iterator[Score]:
    """Boards without a fault: indicators on pins either way round, dials at rest on either contact or on
    both, and pins that a module holds. What a good diode leaks (µA) is over 200 kΩ: it reads as nothing."""
    chance = Random(f"good {seed}")
    for n in range(count):
        wiring, spare = _good_wiring(chance)
        held = [
            Fault(chance.choice(("low", "high")), (f"GPIO{pin}",)) for pin in spare[: chance.randint(0, 3)]
        ]
        for dial in wiring.dials:
            contacts = [pin for pin in (dial.pin_a, dial.pin_b) if chance.random() < 0.5]
            held += [Fault("low", (f"GPIO{pin}",)) for pin in contacts]
        yield run(wiring, tuple(held), n % 7, slips)


def bouncing_boards(count: int, seed: int = 0) -> Iterator[tuple[Wiring, Result]]:
    """Good boards whose every switch bounces, up to the 5 ms that common data sheets allow, under the bench
    firmware on a virtual clock; a whole run each."""
    chance = Random(f"bouncing {seed}")
    for n in range(count):
        wiring, _ = _good_wiring(chance)
        bounces = [
            Fault("bounces", (switch.name,), f"{chance.randint(100, 5000)}us") for switch in wiring.switches
        ]
        yield wiring, session(wiring, bounces, n)


def _good_wiring(chance: Random) -> tuple[Wiring, list[int]]:
    """A wiring of its own, and pins that it leaves free."""
    pins = list(range(30))
    chance.shuffle(pins)
    rows, columns = chance.randint(1, 5), chance.randint(1, 6)
    own, rest = pins[: rows + columns], pins[rows + columns :]
    lights = tuple(light(rest.pop(), chance.random() < 0.5) for _ in range(chance.randint(0, 2)))
    dials = tuple(
        Dial(f"DIAL{n}", rest.pop(), rest.pop(), 4, NOWHERE) for n in range(1, chance.randint(0, 2) + 1)
    )
    directs = tuple(rest.pop() for _ in range(chance.randint(0, 2)))
    wiring = wiring_of(
        tuple(own[:rows]), tuple(own[rows:]), chance.choice(list(Diodes)), directs=directs, lights=lights
    )
    return wiring.replaced(dials=dials), rest


def figures_of(scores: list[Score], name: str, first: float | None = None) -> list[Figure]:
    """What is to be reached of boards with faults. `first`: the share to be listed first."""
    sure = [one for one in scores if one.visible and is_sure(one.planted)]
    dirt = [one for one in scores if not is_sure(one.planted)]
    quiet = [one for one in scores if not one.visible and is_sure(one.planted)]
    found = [
        Figure(f"{name}: found", sum(one.found for one in sure), len(sure), 1.0),
        Figure(f"{name}: the planted set is listed", sum(one.named for one in sure), len(sure), 1.0),
        Figure(f"{name}: and listed first", sum(one.first for one in sure), len(sure), first),
        Figure(
            f"{name}: listed first, or what is first reads the same and comes as often or oftener",
            sum(one.first or one.outdone for one in sure),
            len(sure),
            1.0,
        ),
        Figure(
            f"{name}: all mended, where what is listed is mended and the board tested again",
            sum(one.rounds > 0 for one in sure),
            len(sure),
            1.0,
        ),
        Figure(f"{name}: tests until all is mended, most", max([one.rounds for one in sure] or [0]), 0),
        Figure(
            f"{name}: boards with a listed set that the graph tells apart",
            sum(one.apart > 0 for one in sure),
            0,
            most=0,
        ),
        Figure(
            f"{name}: sets listed with no more faults than the first, median",
            median([one.no_larger for one in sure] or [0]),
            0,
            most=3,
        ),
        Figure(f"{name}: sets listed, median", median([one.sets for one in sure] or [0]), 0),
        Figure(
            f"{name}: something found where nothing reads differently",
            sum(one.found for one in quiet),
            0,
            most=0,
        ),
    ]
    if dirt:
        told = [one for one in dirt if one.found]
        found.append(
            Figure(
                f"{name}: with dirt: listed, of those where anything was seen",
                sum(one.named for one in told),
                len(told),
            )
        )
    return found


def alike_figure(each: int, names: tuple[str, ...] = SMALL[:3], seed: int = 0) -> Figure:
    """`each` single faults of every small board: is every single fault that reads the same listed?"""
    of = missing = 0
    for diodes in Diodes:
        for name in names:
            wiring = boards(diodes)[name]
            faults = [fault for fault in static_faults(wiring) if fault.kind != "leaky"]
            for fault in Random(f"{seed} {name} {diodes}").sample(faults, each):
                left, count = alike(wiring, fault, faults)
                of, missing = of + count, missing + len(left)
    return Figure("single faults that read the same, by networkx: listed", of - missing, of, 1.0)


def good_figures(scores: list[Score]) -> list[Figure]:
    clean = [one for one in scores if not one.slips]
    return [
        Figure(
            "good boards: false alarms",
            sum(one.found or one.result.verdict is Verdict.FAIL for one in scores),
            0,
            most=0,
        ),
        Figure("good boards: all proven", sum(not one.not_proven for one in scores), len(scores), 1.0),
        Figure(
            "good boards: presses asked for beyond one a switch",
            sum(one.asked - len(one.result.positions) for one in clean),
            0,
            most=0,
        ),
    ]


def bouncing_figures(results: list[tuple[Wiring, Result]]) -> list[Figure]:
    """No alarm, and each switch proven by one press."""
    good = PositionVerdict.PROVEN
    return [
        Figure("bouncing switches: false alarms", sum(bool(one.faults) for _, one in results), 0, most=0),
        Figure(
            "bouncing switches: boards with every switch proven",
            sum(all(each.verdict is good for each in one.positions) for _, one in results),
            len(results),
            1.0,
        ),
    ]


def presses_figure(scores: list[Score]) -> Figure:
    """One press a switch, and one more for each that isn't proven."""
    kept = [
        one for one in scores if one.asked <= len(one.result.positions) + one.not_proven + len(one.planted)
    ]
    return Figure("presses: at most one more per fault and what it blocks", len(kept), len(scores), 1.0)
