"""The real image in the emulated chip against the host's board: the same verdicts for a sample of each fault.

Both are benched over the same electrical model, with the same seed for what electricity leaves open, so they
have to say the same: switch by switch, line by line, fault by fault. `python -m tests.campaign chip` runs
every kind with each diode setting on boards of 3 x 4 and a key to ground, and the later stages on such boards
with what fails now and then: the finger rolls the same dice for both.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hil.conversation import Settings
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.link import Link
from hil.result import PositionVerdict, Result
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of
from keyc.fingerprints import fingerprints
from keyc.keyboard import Diodes, Wiring
from tests.campaign.figures import Figure
from tests.hil.boards import keyboard_of
from tests.hil.wirings import dial, small, wiring_of

# A place or two for each word of the list of faults.
KINDS = (
    "open SW7",
    "closed SW7",
    "reversed SW7",
    "reversed diodes",
    "shorted SW7",
    "drops SW7",
    "bounces SW7 6ms",
    "bounces SW7 200ms",  # so long that no press hides it; of 70 ms chance decides what two boards see
    "sticks SW7",
    "open GPIO2",
    "open GPIO10",
    "cut GPIO2 after SW3",
    "bridge GPIO3 GPIO4",
    "bridge GPIO9 GPIO10",
    "bridge SW7 SW8",
    "bridge GPIO4 RUN",
    "low GPIO7",
    "high GPIO7",
    "leaky GPIO3 GPIO4 47k",
    "slow GPIO3 300pF",
    "slow GPIO7 5nF",
    "swapped GPIO2 GPIO3",
    "swapped SW7 SW8",
    "moved SW7 GPIO9 GPIO8",
    "no-flash",
)
OF_DIALS = ("open DIAL1", "open GPIO21", "swapped GPIO20 GPIO21", "detents DIAL1 2")
LATER = (  # stage, fault
    ("together", ""),
    ("together", "bridge SW6 SW7"),
    ("together", "sticks SW6 50%"),
    ("bounce", ""),
    ("bounce", "bounces SW7 7ms"),
    ("bounce", "bounces SW13 7ms 40%"),
    ("bounce", "drops SW7"),
    ("bounce", "drops SW2 30%"),
    ("bounce", "sticks SW5 30%"),
    ("flex", ""),
    ("flex", "drops GPIO3"),
    ("flex", "drops SW1 30%"),
    ("flex", "drops GPIO8 15%"),
)
_NEED_DIODES = ("reversed", "shorted", "bridge SW")
_IN_TIME = ("drops", "bounces", "sticks")
_MATRIX = Settings(stages=("lines", "positions"))
_DIALS = Settings(stages=("extras",))
_FLEX_US = 4_000_000


@dataclass(frozen=True, slots=True)
class Pair:
    """One fault on both boards, in the stages `lines` and `positions` or in the one that is named.
    `differences`: what they don't agree on."""

    fault: str
    diodes: Diodes
    differences: tuple[str, ...]
    stage: str = ""

    def __str__(self) -> str:
        told = f"{self.fault or 'a good board'}, {self.diodes.value} {self.stage}".rstrip()
        return f"{told}: {'; '.join(self.differences) or 'the same'}"


def cases() -> Iterator[tuple[str, Diodes]]:
    """Every fault that each diode setting can have; a good board, too."""
    for diodes in Diodes:
        for fault in ("", *KINDS):
            if diodes is not Diodes.NONE or not fault.startswith(_NEED_DIODES):
                yield fault, diodes
    for fault in OF_DIALS:
        yield fault, Diodes.CATHODE_TO_ROW


def later_cases() -> Iterator[tuple[str, Diodes, str]]:
    """What fails now and then, and what only a later stage sees, in that stage; diode settings in turn."""
    for n, (stage, fault) in enumerate(LATER):
        yield fault, (Diodes.CATHODE_TO_COLUMN if n % 3 == 2 else Diodes.CATHODE_TO_ROW), stage


def pair(fault: str, diodes: Diodes = Diodes.CATHODE_TO_ROW, seed: int = 0, stage: str = "") -> Pair:
    """One fault on the host's board and in the chip; one of `OF_DIALS` on a board with a dial."""
    if fault in OF_DIALS:
        wiring, settings = wiring_of((2,), (6,), diodes, dials=(dial("DIAL1", 20, 21),)), _DIALS
    else:
        wiring, settings = small(diodes), _MATRIX
    if stage:
        settings = Settings(stages=(stage,), flex_us=_FLEX_US)
    host, chip = (_result(wiring, fault, settings, seed, chip=chip) for chip in (False, True))
    in_time = not stage and fault.startswith(_IN_TIME)
    return Pair(fault, diodes, tuple(_differences(host, chip, in_time=in_time)), stage)


def _result(wiring: Wiring, fault: str, settings: Settings, seed: int, *, chip: bool) -> Result:
    keyboard = keyboard_of(wiring)
    planted = [parse_fault(fault, wiring)] if fault else []
    finger = Finger(
        board_of(keyboard, planted, chip=chip, seed=seed), seed, bouncing="bounce" in settings.stages
    )
    link = Link(BoardTransport(finger))
    return Session(keyboard, link, FingerHand(finger), fingerprints(keyboard).wiring, settings).run()


def _differences(host: Result, chip: Result, *, in_time: bool) -> Iterator[str]:
    """What they don't agree on. `in_time`: a contact that comes and goes may have been seen once only by one,
    which is no verdict yet; then one may say less than the other, never something else."""
    here, there = ([fault.title for fault in one.faults] for one in (host, chip))
    fewer = in_time and (set(here) <= set(there) or set(there) <= set(here))
    if here != there and not fewer:
        yield f"{', '.join(here) or 'no fault'}; in the chip {', '.join(there) or 'no fault'}"
    if host.verdict is not chip.verdict and not fewer:
        yield f"{host.verdict.value}, in the chip {chip.verdict.value} ({chip.trouble})"
    for a, b in zip(host.positions, chip.positions, strict=True):
        less = in_time and PositionVerdict.UNTESTED in (a.verdict, b.verdict)
        if a.verdict is not b.verdict and not less:
            yield f"{a.switch} {a.verdict.value}, in the chip {b.verdict.value}"
    for one, other in zip(host.lines, chip.lines, strict=True):
        if (one.verdict, one.joined) != (other.verdict, other.joined):
            yield f"{one.pin} {one.verdict.value}, in the chip {other.verdict.value}"
    told = [[one.not_tested for one in result.stages] for result in (host, chip)]
    if told[0] != told[1] and not in_time:
        yield f"not tested: {told[0]}, in the chip {told[1]}"
    if host.dials != chip.dials:
        yield f"{host.dials}, in the chip {chip.dials}"


def pairs(part_of: int = 1, seed: int = 0) -> Iterator[Pair]:
    """All of it, or one so-many-th."""
    every = [*((fault, diodes, "") for fault, diodes in cases()), *later_cases()]
    for n, (fault, diodes, stage) in list(enumerate(every))[::part_of]:
        yield pair(fault, diodes, seed + n % 4, stage)


def figure_of(done: list[Pair]) -> Figure:
    """What is to be reached: they all agree."""
    same = sum(not one.differences for one in done)
    return Figure("boards with the same verdicts in the emulated chip", same, len(done), 1.0)
