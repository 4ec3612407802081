"""Contacts that let go, chatter or stick now and then: noticed as often as chance has it, and no oftener.

Each of n presses (or squeezes of the case) does so with probability p, so at least one does with
1 - (1 - p)^n (binomial distribution). A stage gives a good board n chances, counted at the finger; whether
a press is a bad one, the finger rolls for itself. The bench sees tables and edges only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

from hil.conversation import Settings
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.link import Link
from hil.result import PositionVerdict, Result
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, VirtualBoard, board_of, loader_of
from keyc.fingerprints import fingerprints
from tests.hil.boards import keyboard_of
from tests.hil.wirings import wiring_of

_SIGMAS = 3
_KEYBOARD = keyboard_of(wiring_of((2, 3), (4, 5)))
_FLEX_US = 2_000_000
SHARES = (0.03, 0.1, 0.3)


@dataclass(frozen=True, slots=True)
class Way:
    """How a contact or a joint fails now and then, and a stage that can see it. `where`: what is bad; of a
    line all its switches may be named."""

    stage: str
    kind: str
    where: str = "SW1"
    amount: str = ""

    @property
    def named(self) -> frozenset[str]:
        return frozenset(("SW1", "SW2") if self.where == "GPIO2" else (self.where,))

    def fault(self, share: float) -> str:
        return " ".join(filter(None, (self.kind, self.where, self.amount, f"{100 * share:g}%")))


# `bounces`: longer than the stage bears: a good contact may for 5 ms, and a frame is waited for for 60 ms.
# In `typing` the debounce hides it, as it should; a contact that lets go comes through.
WAYS = (
    Way("positions", "drops"),
    Way("positions", "bounces", amount="70ms"),
    Way("positions", "sticks"),
    Way("together", "drops"),
    Way("together", "sticks"),
    Way("bounce", "drops"),
    Way("bounce", "bounces", amount="7ms"),
    Way("bounce", "sticks"),
    Way("flex", "drops"),
    Way("flex", "drops", "GPIO2"),
    Way("typing", "drops"),
    Way("typing", "sticks"),
)
SAMPLE = (WAYS[0], WAYS[3], WAYS[6], WAYS[8], WAYS[10])  # one of each stage


class Counting(Finger):
    """Writes down when SW1 is pressed, let go and squeezed."""

    def __init__(self, board: VirtualBoard, seed: int = 0, *, bouncing: bool = False) -> None:
        super().__init__(board, seed, bouncing=bouncing)
        self.downs: list[int] = []
        self.ups: list[int] = []
        self.squeezed: list[int] = []

    def down(self, switch: str, at_us: int | None = None) -> None:
        if switch == "SW1":
            self.downs.append(self.now_us if at_us is None else at_us)
        super().down(switch, at_us)

    def up(self, switch: str, at_us: int | None = None) -> None:
        if switch == "SW1":
            self.ups.append(self.now_us if at_us is None else at_us)
        super().up(switch, at_us)

    def squeeze(self, at_us: int | None = None) -> None:
        self.squeezed.append(self.now_us if at_us is None else at_us)
        super().squeeze(at_us)

    @property
    def squeezed_while_down(self) -> int:
        held = list(zip(self.downs, self.ups, strict=True))
        return sum(any(begin <= at < end for begin, end in held) for at in self.squeezed)


@dataclass(frozen=True, slots=True)
class Noticed:
    """`found` of `boards` whose bad place was not let through; `accused`: good switches that weren't."""

    way: Way
    share: float
    chances: int
    found: int
    boards: int
    accused: int

    @property
    def expected(self) -> float:
        return 1 - (1 - self.share) ** self.chances

    @property
    def sigmas(self) -> float:
        """How far off, in standard deviations of the binomial distribution."""
        sigma = sqrt(self.expected * (1 - self.expected) * self.boards)
        return (self.found - self.expected * self.boards) / sigma

    @property
    def kept(self) -> bool:
        return not self.accused and abs(self.sigmas) <= _SIGMAS

    def __str__(self) -> str:
        told = f"{self.way.stage}: {self.way.fault(self.share)}, {self.chances} chances"
        told += f": noticed {self.found} of {self.boards}, chance says {self.expected * self.boards:.0f}"
        told += f" ({self.sigmas:+.1f} sigma), good switches accused: {self.accused}"
        return told if self.kept else f"{told}   NOT REACHED"


def _run(stage: str, fault: str | None, seed: int) -> tuple[Result, Counting]:
    planted = [] if fault is None else [parse_fault(fault, _KEYBOARD.wiring)]
    board = board_of(_KEYBOARD, planted, seed=seed)
    finger = Counting(board, seed, bouncing=True)
    result = Session(
        _KEYBOARD,
        Link(BoardTransport(finger)),
        FingerHand(finger, loader_of(board, _KEYBOARD)),
        fingerprints(_KEYBOARD).wiring,
        Settings(stages=(stage,), flex_us=_FLEX_US),
    ).run()
    return result, finger


@lru_cache
def chances(stage: str) -> int:
    """How often a good board's SW1 is pressed in this stage, or squeezed while it is held down."""
    _, finger = _run(stage, None, 0)
    return finger.squeezed_while_down if stage == "flex" else len(finger.downs)


def seen(stage: str, result: Result) -> set[str]:
    """The switches that this stage did not let pass without a word."""
    told = [*result.notes, *next(one.not_tested for one in result.stages if one.name == stage)]
    names = {one.switch for one in result.positions}
    found = {text.split(":")[0] for text in told} & names
    found |= {name for fault in result.faults for name in (*fault.switches, *fault.where)} & names
    if stage == "positions":
        found |= {one.switch for one in result.positions if one.verdict is not PositionVerdict.PROVEN}
    return found


def noticed(way: Way, share: float, boards: int, seed: int = 0) -> Noticed:
    """So many boards, each with one bad place that fails with this probability."""
    found = accused = 0
    for n in range(boards):
        result, _ = _run(way.stage, way.fault(share), 10_007 * seed + n)
        names = seen(way.stage, result)
        found += bool(names & way.named)
        accused += len(names - way.named)
    return Noticed(way, share, chances(way.stage), found, boards, accused)


def figures(boards: int = 300, seed: int = 0) -> Iterator[Noticed]:
    for way in WAYS:
        for share in SHARES:
            yield noticed(way, share, boards, seed)
