"""The stage `extras`: dials and lights. The order of a dial's contacts is the one of quadrature encoders:
contact A leads contact B clockwise (common practice)."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from boards import keyboard_of
from wirings import dial, light, wiring_of

from hil.board import Board, dial_contacts, parse_fault
from hil.conversation import Settings
from hil.events import Event
from hil.hands import FingerHand
from hil.link import Link
from hil.result import PositionVerdict, Result
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of
from keyc.compile import check_text
from keyc.diagnostics import UserError
from keyc.keyboard import Keyboard
from keyc.source import Source
from keyc.tables import fingerprints

ROWS, COLUMNS = (2, 3, 4), (6, 7, 8, 9)
WIRING = wiring_of(
    ROWS, COLUMNS, directs=(10,), lights=(light(25, lit_low=True),), dials=(dial("DIAL1", 20, 21),)
)
KEYBOARD = keyboard_of(WIRING)
ALONE = Settings(stages=("extras",))


def bench(
    *faults: str,
    keyboard: Keyboard = KEYBOARD,
    settings: Settings = ALONE,
    seed: int = 0,
    tell: Callable[[Event], None] = lambda event: None,
    chip: bool = False,
) -> Result:
    planted = [parse_fault(text, keyboard.wiring) for text in faults]
    finger = Finger(board_of(keyboard, planted, seed=seed, chip=chip), seed)
    link = Link(BoardTransport(finger))
    session = Session(
        keyboard, link, FingerHand(finger), fingerprints(keyboard).wiring, settings, tell=tell
    )
    return session.run()


def said(result: Result) -> list[str]:
    return [one.title for one in result.faults]


def test_a_good_dial_and_a_good_light() -> None:
    result = bench()
    assert said(result) == []
    assert result.verdict.value == "pass"
    (one,), (lit,) = result.dials, result.lights
    assert (one.verdict, one.clockwise, one.counter_clockwise) == (PositionVerdict.PROVEN, 4, 4)
    assert (lit.verdict, lit.shows) == (PositionVerdict.PROVEN, "CapsLock")


@pytest.mark.parametrize(
    ("fault", "titles"),
    [
        ("open DIAL1", ["open DIAL1"]),
        ("open GPIO20", ["open GPIO20"]),
        ("open GPIO21", ["open GPIO21"]),
        ("low GPIO20", ["low GPIO20"]),
        ("swapped GPIO20 GPIO21", ["swapped GPIO20 GPIO21"]),
        ("detents DIAL1 2", ["detents DIAL1 2"]),
        ("open GPIO25", ["open GPIO25"]),
        ("high GPIO25", ["high GPIO25"]),
    ],
)
def test_each_fault_by_its_name(fault: str, titles: list[str]) -> None:
    result = bench(fault)
    assert said(result) == titles
    assert result.verdict.value == "fail"


def test_a_bridge_hides_the_dial() -> None:
    result = bench("bridge GPIO20 GPIO21")
    assert said(result) == ["bridge GPIO20 GPIO21"]
    assert result.dials[0].verdict is PositionVerdict.UNTESTED
    assert result.dials[0].blocked_by == ("bridge GPIO20 GPIO21",)
