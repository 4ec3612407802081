"""Contact events: each closing and opening is told at once, whatever it turns out to mean."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from hil.conversation import Settings
from hil.events import Event
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.link import Link
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of
from keyc.fingerprints import fingerprints
from keyc.keyboard import Diodes
from tests.hil.boards import keyboard_of
from tests.hil.wirings import small


def told(*faults: str, diodes: Diodes = Diodes.CATHODE_TO_ROW) -> list[Event]:
    keyboard = keyboard_of(small(diodes))
    finger = Finger(board_of(keyboard, [parse_fault(text, keyboard.wiring) for text in faults]))
    events: list[Event] = []
    link, hand = Link(BoardTransport(finger)), FingerHand(finger)
    Session(keyboard, link, hand, fingerprints(keyboard).wiring, Settings(), tell=events.append).run()
    return events


def closings(events: Sequence[Event]) -> list[bool | None]:
    return [event.down for event in events if event.kind == "contact"]


@pytest.mark.parametrize("diodes", Diodes)
def test_a_press_closes_one_contact_and_opens_it_again(diodes: Diodes) -> None:
    assert closings(told(diodes=diodes)) == [True, False] * 13


def test_a_contact_is_told_before_its_verdict_and_with_the_press_that_it_makes() -> None:
    events = [event.kind for event in told() if event.kind in ("prompt", "contact", "press", "verdict")]
    assert events[:5] == ["prompt", "contact", "press", "prompt", "contact"]


def test_a_bad_diode_touches_as_well() -> None:
    # Any verdict but `proven` needs a second press.
    assert closings(told("reversed SW7")) == [True, False] * 14


def test_an_open_switch_is_never_heard() -> None:
    events = told("open SW7")
    asked = None
    for event in events:
        asked = event.switch if event.kind == "prompt" else asked
        assert not (event.kind == "contact" and event.down and asked == "SW7")
    assert closings(events) == [True, False] * 12


def test_a_switch_that_stays_closed_is_not_told_as_open() -> None:
    assert closings(told("sticks SW13")).count(True) == closings(told("sticks SW13")).count(False) + 1
