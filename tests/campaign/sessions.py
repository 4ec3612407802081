"""One board under the bench, with a hand that may slip; and what came of it, scored."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from random import Random
from typing import Literal

from boards import Desk
from copper_graph import Reference

from hil.board import Fault
from hil.result import PositionVerdict, Result
from hil.stages.positions import Kind
from keyc.keyboard import Wiring
from tests.campaign.plant import in_pairs, settled

Miss = Literal["wrong key", "double press", "light touch"]
MISSES: tuple[Miss, ...] = ("wrong key", "double press", "light touch")


class Careless(Desk):
    """Follows the guide, and slips at some questions: once a switch at most, since two that agree count."""

    def __init__(self, wiring: Wiring, faults: tuple[Fault, ...], seed: int, slips: float = 0.0) -> None:
        super().__init__(wiring, [str(fault) for fault in faults], seed)
        self._chance, self._slips = Random(seed), slips
        self._slipped: set[str] = set()
        self.slips = 0
        self.asked = 0

    def follow(self, limit: int = 4000) -> Careless:
        while (question := self.guide.question()) is not None:
            self.asked += 1
            assert self.asked < limit, "the guide never ends"
            self.positions.ask(question.asked, question.instead)
            name, silent = question.asked, False
            if name not in self._slipped and self._chance.random() < self._slips:
                self._slipped.add(name)
                self.slips += 1
                miss = self._chance.choice(MISSES)
                if miss == "wrong key":
                    name = self._chance.choice(list(self.matrix.switches))
                silent = miss == "light touch"
                if miss == "double press":
                    before = self.press(name)
                    if before is not None:
                        self.guide.react(before)
            noted = None if silent else self.press(name)
            if noted is None or noted.kind is Kind.RELEASED:
                noted = self.positions.silent()
            if noted is not None:
                self.guide.react(noted)
        self.end()
        return self


@dataclass(frozen=True, slots=True)
class Score:
    """`visible`: some reading surely differs from a good board's. `named`: the planted set, less what it
    hides, is in the listed class; `first`: and comes first. `sets`: how many sets are listed."""

    planted: tuple[Fault, ...]
    visible: bool
    found: bool
    named: bool
    first: bool
    sets: int
    asked: int
    slips: int
    not_proven: int
    result: Result


def run(wiring: Wiring, planted: tuple[Fault, ...], seed: int = 0, slips: float = 0.0) -> Score:
    desk = Careless(wiring, planted, seed, slips).follow()
    result = desk.result()
    visible = any(
        differs(wiring, planted, (), state) for state in (None, *(each.name for each in wiring.switches))
    )
    listed = [_choices(wiring, fault) for fault in result.faults]
    wanted = settled(wiring, planted)
    titles = frozenset(one for choices in listed for one in choices[0])
    sets = 1
    for choices in listed:
        sets *= len(choices)
    first = _explains(wiring, titles, wanted, planted)
    return Score(
        planted=planted,
        visible=visible,
        found=bool(result.faults),
        named=first or _is_listed(wiring, listed, wanted, planted),
        first=first,
        sets=sets,
        asked=desk.asked,
        slips=desk.slips,
        not_proven=sum(one.verdict is not PositionVerdict.PROVEN for one in result.positions),
        result=result,
    )


def _choices(wiring: Wiring, fault: object) -> list[frozenset[Fault]]:
    every = [(fault.title,), *fault.alike]  # type: ignore[attr-defined]
    return [frozenset(_fault(wiring, words) for words in one) for one in every]


def _fault(wiring: Wiring, words: str) -> Fault:
    kind, *where = words.split()
    if kind == "cut":
        return Fault("cut", (where[0], where[2]))
    if kind in ("leaky", "slow"):
        return Fault(kind, tuple(where), "47k" if kind == "leaky" else "5nF")
    return next(iter(settled(wiring, (Fault(kind, tuple(where)),))))


def _is_listed(
    wiring: Wiring, listed: list[list[frozenset[Fault]]], wanted: frozenset[Fault], planted: tuple[Fault, ...]
) -> bool:
    """Whether some choice of one set a fault makes the planted set, less what reads the same without it."""
    usable = [[one for one in choices if one <= wanted] for choices in listed]
    if not all(usable):
        return False
    tried = 0
    for choice in product(*usable):
        tried += 1
        if tried > 200:
            return False
        if _explains(wiring, frozenset().union(*choice), wanted, planted):
            return True
    return False


def _explains(
    wiring: Wiring, named: frozenset[Fault], wanted: frozenset[Fault], planted: tuple[Fault, ...]
) -> bool:
    if named == wanted:
        return True
    if not named <= wanted:
        return False
    states = (None, *(each.name for each in wiring.switches))
    return not any(differs(wiring, tuple(wanted), tuple(named), state) for state in states)


def differs(wiring: Wiring, one: tuple[Fault, ...], other: tuple[Fault, ...], pressed: str | None) -> bool:
    """Whether some reading of the lines surely tells these two boards apart."""
    a, b = _readings(wiring, _key(wiring, one), pressed), _readings(wiring, _key(wiring, other), pressed)
    return any(x != y and "undefined" not in (x, y) for x, y in zip(a, b, strict=True))


def _key(wiring: Wiring, faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    return tuple(each for fault in sorted(settled(wiring, faults), key=str) for each in in_pairs(fault))


@lru_cache(maxsize=20_000)
def _readings(wiring: Wiring, faults: tuple[Fault, ...], pressed: str | None) -> tuple[str, ...]:
    """What every line reads, by the graph: pulled up, pulled down, and with each line of the wiring low."""
    graph = Reference(wiring, list(faults), frozenset(() if pressed is None else (pressed,)))
    graph.solve()
    lines = [("die", gpio) for gpio in range(30)]
    own = [*wiring.rows, *wiring.columns, *wiring.direct_pins]
    found = [graph.reading(line, None) for line in lines] + [graph.reading_down(line) for line in lines]
    for driven in own:
        found += [graph.reading(line, driven) for line in lines if line[1] != driven]
    return tuple(found)
