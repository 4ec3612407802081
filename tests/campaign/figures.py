"""The campaign's parts, each a list of scores, and the figures that are made of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random
from statistics import median

from hil.faults import Fault
from keyc.keyboard import Diodes
from tests.campaign.plant import boards, makes_sense, sample, static_faults
from tests.campaign.sessions import Score, alike, run

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
                yield run(wiring, planted, n % 4, build=n + 1)


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
            yield run(wiring, planted, done % 4, slips, build=done + 1)
            done += 1


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


def presses_figure(scores: list[Score]) -> Figure:
    """One press a switch, and one more for each that isn't proven."""
    kept = [
        one for one in scores if one.asked <= len(one.result.positions) + one.not_proven + len(one.planted)
    ]
    return Figure("presses: at most one more per fault and what it blocks", len(kept), len(scores), 1.0)
