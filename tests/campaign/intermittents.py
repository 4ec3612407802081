"""Contacts that let go now and then: noticed as often as chance has it, and no oftener.

Each of n presses lets go with probability p, so at least one does with 1 - (1 - p)^n. The finger's chance is
its own; the bench sees edges only. `python -m tests.campaign.intermittents` prints the figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt

from boards import keyboard_of
from wirings import wiring_of

from hil.board import parse_fault
from hil.conversation import Settings
from hil.hands import FingerHand
from hil.link import Link
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of
from keyc.fingerprints import fingerprints

PRESSES = 5  # of each switch, on a board of so few
_SIGMAS = 3
_KEYBOARD = keyboard_of(wiring_of((2, 3), (4, 5)))


@dataclass(frozen=True, slots=True)
class Noticed:
    """`found` of `boards` whose one bad switch was not let through; `accused`: good switches that weren't."""

    chance: float
    found: int
    boards: int
    accused: int

    @property
    def expected(self) -> float:
        return 1 - (1 - self.chance) ** PRESSES

    @property
    def share(self) -> float:
        return self.found / self.boards

    @property
    def kept(self) -> bool:
        sigma = sqrt(self.expected * (1 - self.expected) / self.boards)
        return not self.accused and abs(self.share - self.expected) <= _SIGMAS * sigma

    def __str__(self) -> str:
        told = f"lets go in {100 * self.chance:g} % of presses: noticed {self.found} of {self.boards}"
        told += f" ({100 * self.share:.1f} %, chance says {100 * self.expected:.1f} %)"
        told += f", good switches accused: {self.accused}"
        return told if self.kept else f"{told}   NOT REACHED"


def noticed(chance: float, boards: int, seed: int = 0) -> Noticed:
    """So many boards, on each of which SW2 lets go with this probability."""
    found = accused = 0
    wiring = _KEYBOARD.wiring
    for n in range(boards):
        planted = parse_fault(f"drops SW2 {100 * chance:g}%", wiring)
        mixed = 10_007 * seed + n
        finger = Finger(board_of(_KEYBOARD, [planted], seed=mixed), mixed, bouncing=True)
        session = Session(
            _KEYBOARD,
            Link(BoardTransport(finger)),
            FingerHand(finger),
            fingerprints(_KEYBOARD).wiring,
            Settings(stages=("bounce",)),
        )
        seen = {one.switch for one in session.run().positions if one.bounce is None or one.bounce.verdict}
        found += "SW2" in seen
        accused += len(seen - {"SW2"})
    return Noticed(chance, found, boards, accused)


def figures(boards: int = 1_000, seed: int = 0) -> Iterator[Noticed]:
    for chance in (0.02, 0.1, 0.3, 0.6):
        yield noticed(chance, boards, seed)


def main() -> int:
    told = []
    for one in figures():
        print(one, flush=True)
        told.append(one)
    return 0 if all(one.kept for one in told) else 1


if __name__ == "__main__":
    raise SystemExit(main())
