"""Boards with nothing wrong: what the bench makes of switches that bounce, diodes that leak, indicators and
dials on pins, and pins that a module holds. It must not make a fault of any.

What a good part does at most is common practice: contacts bounce for up to 5 ms, diodes leak nanoamperes, and
a few microamperes when hot (data sheets, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import log
from random import Random

from hil.conversation import Settings
from hil.faults import Fault
from hil.hands import FingerHand
from hil.link import Link
from hil.result import PositionVerdict, Result, Verdict
from hil.session import ON_REQUEST, STAGES, Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of, loader_of
from keyc.fingerprints import fingerprints
from keyc.keyboard import Dial, Diodes, Wiring
from tests.campaign.figures import Figure
from tests.campaign.sessions import Careless
from tests.hil.boards import keyboard_of
from tests.hil.wirings import NOWHERE, light, wiring_of

_USUAL_LEAK_NA, _LARGEST_LEAK_NA = 25, 5_000
_LARGEST_BOUNCE_US = 5_000
_REST_US = 3_000_000  # for dials to come to rest where they are turned to before the bench begins
_FLEX_US = 2_000_000
_EVERY = 4  # of so many boards one goes through the stages on request, too


@dataclass(frozen=True, slots=True)
class Pressed:
    """A good board, pressed through. `asked`: presses asked for; `slips`: how often the hand slipped."""

    asked: int
    slips: int
    result: Result

    @property
    def alarmed(self) -> bool:
        return bool(self.result.faults) or self.result.verdict is Verdict.FAIL

    @property
    def proven(self) -> bool:
        return all(one.verdict is PositionVerdict.PROVEN for one in self.result.positions)


def good_boards(count: int, seed: int = 0, slips: float = 0.0) -> Iterator[Pressed]:
    """Lines and positions of many boards, without a wire: presses follow the guide, or a hand that slips.
    Dials rest on either contact, or on both."""
    chance = Random(f"good {seed}")
    for n in range(count):
        wiring, spare = _wiring(chance)
        parts = _parts(chance, wiring, spare)
        for dial in wiring.dials:
            contacts = [pin for pin in (dial.pin_a, dial.pin_b) if chance.random() < 0.5]
            parts += [Fault("low", (f"GPIO{pin}",)) for pin in contacts]
        desk = Careless(wiring, tuple(parts), n % 7, slips, build=n).follow()
        yield Pressed(desk.asked, desk.slips, desk.result())


@dataclass(frozen=True, slots=True)
class Run:
    """A whole run of the bench on a good board: `parts` are what it is made of."""

    wiring: Wiring
    parts: tuple[Fault, ...]
    seed: int
    result: Result

    @property
    def alarms(self) -> tuple[str, ...]:
        """What it takes for a fault, or can't finish for."""
        told = [fault.title for fault in self.result.faults]
        told += [f"{one.name}: {one.verdict.value}" for one in self.result.stages if one.verdict in _ALARMING]
        return tuple(told)

    @property
    def not_proven(self) -> tuple[str, ...]:
        """The switches, dials and lights that are not proven. A light that is driven high to be lit never is:
        the bench drives no pin high."""
        good = PositionVerdict.PROVEN
        found = [one.switch for one in self.result.positions if one.verdict is not good]
        found += [one.name for one in self.result.dials if one.verdict is not good]
        lit_low = {f"GPIO{light.pin}" for light in self.wiring.lights if light.lit_low}
        found += [one.pin for one in self.result.lights if one.pin in lit_low and one.verdict is not good]
        return tuple(found)


_ALARMING = (Verdict.FAIL, Verdict.ERROR)


def whole_runs(count: int, seed: int = 0) -> Iterator[Run]:
    """The stages that run by themselves, and of each fourth board those on request, under the bench firmware
    on a virtual clock."""
    chance = Random(f"whole {seed}")
    for n in range(count):
        wiring, spare = _wiring(chance)
        parts = _parts(chance, wiring, spare)
        for switch in wiring.switches:
            if chance.random() < 0.3:  # as bad as they may; the others as the finger has it
                parts.append(Fault("bounces", (switch.name,), f"{chance.randint(100, _LARGEST_BOUNCE_US)}us"))
        left_out = () if n % _EVERY == 0 else ON_REQUEST
        stages = [name for name in STAGES if name not in left_out]
        yield Run(wiring, tuple(parts), n, _run(wiring, parts, n, stages, chance))


def _run(wiring: Wiring, parts: list[Fault], seed: int, stages: list[str], chance: Random) -> Result:
    keyboard = keyboard_of(wiring)
    board = board_of(keyboard, parts, seed=seed)
    finger = Finger(board, seed, bouncing=True)
    for dial in wiring.dials:
        finger.turn(dial.name, chance.randint(-4, 4))
    finger.advance(_REST_US)
    return Session(
        keyboard,
        Link(BoardTransport(finger)),
        FingerHand(finger, loader_of(board, keyboard)),
        fingerprints(keyboard).wiring,
        Settings(stages=stages, flex_us=_FLEX_US),
    ).run()


def _wiring(chance: Random) -> tuple[Wiring, list[int]]:
    """A wiring of its own, and pins that it leaves free."""
    pins = list(range(30))
    chance.shuffle(pins)
    rows, columns = chance.randint(1, 5), chance.randint(1, 6)
    own, rest = pins[: rows + columns], pins[rows + columns :]
    lights = tuple(light(rest.pop(), chance.random() < 0.5) for _ in range(chance.randint(0, 2)))
    dials = tuple(
        Dial(f"DIAL{n}", rest.pop(), rest.pop(), chance.choice((1, 2, 4)), NOWHERE)
        for n in range(1, chance.randint(0, 2) + 1)
    )
    directs = tuple(rest.pop() for _ in range(chance.randint(0, 2)))
    wiring = wiring_of(
        tuple(own[:rows]), tuple(own[rows:]), chance.choice(list(Diodes)), directs=directs, lights=lights
    )
    return wiring.replaced(dials=dials), rest


def _parts(chance: Random, wiring: Wiring, spare: list[int]) -> list[Fault]:
    """Pins that a module holds, and what each diode leaks."""
    parts = [Fault(chance.choice(("low", "high")), (f"GPIO{pin}",)) for pin in spare[: chance.randint(0, 3)]]
    if wiring.diodes is not Diodes.NONE:
        for switch in wiring.switches:
            if switch.direct is None:
                leaks = min(_LARGEST_LEAK_NA, 1 + int(chance.lognormvariate(log(_USUAL_LEAK_NA), 2)))
                parts.append(Fault("leaks", (switch.name,), f"{leaks}nA"))
    return parts


def figures_of_desks(done: list[Pressed], name: str = "good boards") -> list[Figure]:
    """What is to be reached without a wire; presses are counted where no hand has slipped."""
    clean = [one for one in done if not one.slips]
    return [
        Figure(f"{name}: false alarms", sum(one.alarmed for one in done), 0, most=0),
        Figure(f"{name}: all proven", sum(one.proven for one in done), len(done), 1.0),
        Figure(
            f"{name}: presses asked for beyond one a switch",
            sum(one.asked - len(one.result.positions) for one in clean),
            0,
            most=0,
        ),
    ]


def figures_of_runs(runs: list[Run]) -> list[Figure]:
    """No alarm in any stage, and everything proven."""
    return [
        Figure("good boards, every stage: false alarms", sum(bool(one.alarms) for one in runs), 0, most=0),
        Figure(
            "good boards, every stage: switches, dials and lights proven",
            sum(not one.not_proven for one in runs),
            len(runs),
            1.0,
        ),
    ]
