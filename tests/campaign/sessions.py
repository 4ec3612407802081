"""One board under the bench, with a hand that may slip; and what came of it, scored."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from random import Random
from typing import Literal

from hil.diagnosis.candidates import canonical, cost
from hil.faults import EVERY_DIODE, Fault
from hil.judge import switches_on
from hil.result import LineVerdict, PositionVerdict, Result
from hil.stages.positions import Kind
from keyc.keyboard import Wiring
from tests.campaign.plant import in_pairs, settled
from tests.hil.boards import Desk
from tests.hil.copper_graph import Reference

Miss = Literal["wrong key", "double press", "light touch"]
MISSES: tuple[Miss, ...] = ("wrong key", "double press", "light touch")


_AT_REST, _PULLED_DOWN = -1, -2
_HELD = (LineVerdict.LOW, LineVerdict.HIGH)
_NO_LESS = 0.01  # sums of the same costs, in another order
_COMPARED = 6  # listed sets that are compared with the planted one


class Careless(Desk):
    """Follows the guide, and slips at some questions: once a switch at most, since two that agree count.
    Where nothing comes it is said at the computer; with `touches` what is offered is touched instead."""

    def __init__(
        self, wiring: Wiring, faults: tuple[Fault, ...], seed: int, slips: float = 0.0, build: int = 0
    ) -> None:
        super().__init__(wiring, [str(fault) for fault in faults], seed, build=build)
        self._chance, self._slips = Random(seed), slips
        self._slipped: set[str] = set()
        self.slips = 0
        self.asked = 0

    def follow(self, limit: int = 4000, *, touches: bool = False) -> Careless:
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
            if touches and question.instead and (noted is None or noted.kind is Kind.RELEASED):
                noted = self.press(question.instead)
            if noted is None or noted.kind is Kind.RELEASED:
                noted = self.positions.silent()
            if noted is not None:
                self.guide.react(noted)
        self.end()
        return self


@dataclass(frozen=True, slots=True)
class Score:
    """`visible`: some reading surely differs from a good board's. `named`: the planted set, less what it
    hides, is in the listed class; `first`: and comes first. `outdone`: what comes first reads the same, by
    the graph, and is as likely or likelier: so no tester could have known. `rounds`: how often a board is
    tested until nothing is left to mend, when each time what is listed is mended; 0: never.
    `sets`: how many sets are listed, dirt apart, which may read as anything; `no_larger`: of them, with no
    more faults than the first. `apart`: of the first few, those that the graph tells from the planted set
    by what was pressed, on the pins that were watched then."""

    planted: tuple[Fault, ...]
    visible: bool
    found: bool
    named: bool
    first: bool
    outdone: bool
    rounds: int
    sets: int
    no_larger: int
    apart: int
    asked: int
    slips: int
    not_proven: int
    result: Result


def run(
    wiring: Wiring, planted: tuple[Fault, ...], seed: int = 0, slips: float = 0.0, build: int = 0
) -> Score:
    """`build`: which of the boards that could be made of this wiring (see `hil.board.Board`)."""
    desk = Careless(wiring, planted, seed, slips, build).follow()
    result = desk.result()
    visible = any(
        differs(wiring, planted, (), state) for state in (None, *(each.name for each in wiring.switches))
    )
    listed = _listed(wiring, result)
    wanted = settled(wiring, planted)
    # What holds a pin of no role may be a module's own circuit: the bench says that it is held, and no more.
    foreign = frozenset(one.gpio for one in result.lines if one.role == "unused" and one.verdict in _HELD)
    hidden = frozenset(
        one
        for one in wanted
        if _is_hidden(wiring, one, wanted, result) or not foreign.isdisjoint(_pins_of(one))
    )
    not_pressed = (PositionVerdict.UNTESTED, PositionVerdict.STUCK)
    states = (None, *(one.switch for one in result.positions if one.verdict not in not_pressed))
    # Pressed switches are watched on these pins alone: what others read then, nobody has seen.
    unread = foreign | {gpio for gpio in range(30) if not desk.watched >> gpio & 1}

    def reads_otherwise(one: Iterable[Fault], other: Iterable[Fault]) -> bool:
        return any(
            differs(wiring, tuple(one), tuple(other), state, foreign if state is None else unread)
            for state in states
        )

    naming = [one for one in listed if _explains(wiring, one, wanted, hidden, reads_otherwise)]
    first = listed[0] in naming
    likelier = cost(listed[0], desk.rise_us) < cost(wanted, desk.rise_us) + _NO_LESS
    outdone = likelier and not reads_otherwise(planted, listed[0])
    clean = [one for one in listed if all(each.kind != "leaky" for each in one)]
    apart = [
        one
        for one in ([listed[0], *_exchanged(wiring, result)][:_COMPARED] if result.faults else [])
        if reads_otherwise(planted, one)
    ]
    return Score(
        planted=planted,
        visible=visible,
        found=bool(result.faults),
        named=bool(naming),
        first=first,
        outdone=outdone and not first,
        rounds=_rounds(wiring, planted, naming[0], seed, slips, build) if naming else 0,
        sets=len(clean),
        no_larger=sum(len(one) <= len(listed[0]) for one in clean),
        apart=len(apart),
        asked=desk.asked,
        slips=desk.slips,
        not_proven=sum(one.verdict is not PositionVerdict.PROVEN for one in result.positions),
        result=result,
    )


def _rounds(
    wiring: Wiring, planted: tuple[Fault, ...], mended: frozenset[Fault], seed: int, slips: float, build: int
) -> int:
    """How often it takes a test until all is mended, if these are mended now; 0: something is never found."""
    left = tuple(one for one in planted if not settled(wiring, (one,)) & mended)
    if not left or len(left) == len(planted):
        return 1
    further = run(wiring, left, seed, slips, build)
    if not further.visible:  # a diode turned on a board without current, a joint beside another one
        return 1
    return 1 + further.rounds if further.rounds else 0


def alike(wiring: Wiring, fault: Fault, faults: list[Fault]) -> tuple[list[Fault], int]:
    """Of all these single faults some read as this one, by the graph: those that the bench doesn't list,
    and how many there are. None of a fault that shows nowhere."""
    states = (None, *(each.name for each in wiring.switches))
    same = [one for one in faults if not any(differs(wiring, (fault,), (one,), state) for state in states)]
    score = run(wiring, (fault,))
    if not score.visible:
        return [], 0
    listed = set(_listed(wiring, score.result))
    return [one for one in same if settled(wiring, (one,)) not in listed], len(same)


def _exchanges(wiring: Wiring, result: Result) -> list[tuple[frozenset[Fault], frozenset[Fault]]]:
    """What may be taken out of the set that is listed first, and what is then put in."""
    return [
        (
            frozenset(_fault(wiring, words) for words in (fault.title, *cause.instead_of)),
            frozenset(_fault(wiring, words) for words in cause.faults),
        )
        for fault in result.faults
        for cause in fault.alike
    ]


def _exchanged(wiring: Wiring, result: Result) -> list[frozenset[Fault]]:
    """The listed sets that are one exchange away from the first."""
    plain = frozenset(_fault(wiring, fault.title) for fault in result.faults)
    return [plain - gone | instead for gone, instead in _exchanges(wiring, result)]


def _listed(wiring: Wiring, result: Result) -> list[frozenset[Fault]]:
    """Every fault set that the result lists, the first one first; of very many the first 500."""
    plain = frozenset(_fault(wiring, fault.title) for fault in result.faults)
    exchanges = _exchanges(wiring, result)
    found = {settled(wiring, tuple(plain)): None}
    waiting = [(plain, 0, plain)]
    while waiting and len(found) < 500:
        now, at, untouched = waiting.pop(0)
        for n in range(at, len(exchanges)):
            gone, instead = exchanges[n]
            if gone <= untouched and not instead & now:
                changed = now - gone | instead
                found[settled(wiring, tuple(changed))] = None
                waiting.append((changed, n + 1, untouched - gone))
    return list(found)


def _fault(wiring: Wiring, words: str) -> Fault:
    kind, *where = words.split()
    if kind == "cut":
        return Fault("cut", (where[0], where[2]))
    if kind in ("leaky", "slow"):
        return canonical(Fault(kind, tuple(where[:2]), "47k" if kind == "leaky" else "5nF"))
    return next(iter(settled(wiring, (Fault(kind, tuple(where)),))))


def _pins_of(fault: Fault) -> list[int]:
    return [int(word[4:]) for word in fault.where if word.startswith("GPIO")]


def _is_hidden(wiring: Wiring, fault: Fault, wanted: frozenset[Fault], result: Result) -> bool:
    """Whether the result says of a place of this fault that another fault hides it. A place that is exchanged
    with others is closed by a press of those."""
    verdicts = {one.switch: one for one in result.positions}
    titles = {one.title for one in result.faults}
    gpios = _pins_of(fault)
    names = {name for gpio in gpios for name in switches_on(wiring, gpio)}
    names |= {word for word in fault.where if word in verdicts}
    exchanged = [set(one.where) & verdicts.keys() for one in wanted if one.kind == "swapped"]
    names = names.union(*(some for some in exchanged if not some.isdisjoint(names)))
    if fault.kind == "cut":
        on = switches_on(wiring, gpios[0])
        names = set(on[on.index(fault.where[1]) + 1 :])

    def is_blocked(name: str) -> bool:
        unjudged = verdicts[name].verdict in (PositionVerdict.UNTESTED, PositionVerdict.STUCK)
        return unjudged and bool(set(verdicts[name].blocked_by) & titles or f"closed {name}" in titles)

    if fault.where == (EVERY_DIODE,):  # hidden where every switch is that has one
        return all(is_blocked(switch.name) for switch in wiring.switches if switch.direct is None)
    return any(map(is_blocked, names))


def _explains(
    wiring: Wiring,
    named: frozenset[Fault],
    wanted: frozenset[Fault],
    hidden: frozenset[Fault],
    reads_otherwise: Callable[[Iterable[Fault], Iterable[Fault]], bool],
) -> bool:
    """Whether these are the planted ones, less what the result calls hidden and what reads no different in
    any state that was pressed."""
    if named == wanted:
        return True
    if not named <= wanted or (wanted and not named):
        return False
    if reads_otherwise(wanted, named):
        return False
    every = (None, *(each.name for each in wiring.switches))
    rest = named | hidden
    return wanted <= rest or not any(differs(wiring, tuple(wanted), tuple(rest), state) for state in every)


def differs(
    wiring: Wiring,
    one: tuple[Fault, ...],
    other: tuple[Fault, ...],
    pressed: str | None,
    foreign: frozenset[int] = frozenset(),
) -> bool:
    """Whether some reading of the lines, less those of the pins that are `foreign`, surely tells these two
    boards apart."""
    a, b = _readings(wiring, _key(wiring, one), pressed), _readings(wiring, _key(wiring, other), pressed)
    over = ~sum(1 << pin for pin in foreign)
    return any(
        (low ^ b[row][0]) & sure & b[row][1] & over for row, (low, sure) in a.items() if row not in foreign
    )


def _key(wiring: Wiring, faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    return tuple(each for fault in sorted(settled(wiring, faults), key=str) for each in in_pairs(fault))


@lru_cache(maxsize=20_000)
def _readings(
    wiring: Wiring, faults: tuple[Fault, ...], pressed: str | None
) -> Mapping[int, tuple[int, int]]:
    """What every line reads, by the graph: pulled up, pulled down, and with each pin driven low."""
    graph = Reference(wiring, list(faults), frozenset(() if pressed is None else (pressed,)))
    graph.solve()
    found = {_AT_REST: _masks(lambda line: graph.reading(line, None))}
    if pressed is None:  # while it watches, the bench pulls nothing down
        found[_PULLED_DOWN] = _masks(graph.reading_down)
    # A pin of no role is driven too: a line may be there.
    for driven in set(range(30)) - {light.pin for light in wiring.lights}:
        low, sure = _masks(partial(graph.reading, driven=driven))
        found[driven] = low, sure & ~(1 << driven)
    return found


def _masks(reading: Callable[[object], str]) -> tuple[int, int]:
    """The lines that read low, and those that read anything for sure."""
    low = sure = 0
    for gpio in range(30):
        word = reading(("die", gpio))
        low |= (word == "low") << gpio
        sure |= (word != "undefined") << gpio
    return low, sure
