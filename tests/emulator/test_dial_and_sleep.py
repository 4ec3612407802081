"""A dial that is turned just as the chip falls asleep: no edge is lost, in whatever microsecond."""

from __future__ import annotations

import pytest

from hil.chip.chip_board import ChipBoard
from hil.faults import dial_contacts
from keyc.compile import check_text
from keyc.image.firmware import Runtime, build_uf2
from keyc.keyboard import Keyboard
from keyc.source import Source
from tests.pico_sdk import RUNTIMES

KEYMAP = """
keyboard "Dial" { usb 0x1209:0x5A17 }
wiring {
    diodes cathode-to-row
    columns    GPIO6
    row GPIO2  SW1
    dial GPIO20 GPIO21 DIAL1
}
shape { SW1 }
timing { debounce 1ms }
layer base { A }
dial DIAL1 on base { clockwise = B   counter-clockwise = C }
"""
ROW, KEY_B = 1 << 2, 0x05
DIAL_WAKES = 0x40014108  # datasheet 2.19.6.1: PROC0_INTE2, pins 16 to 23
TURNING_US = 25_000  # until the dial is taken to rest


@pytest.fixture(scope="module", params=RUNTIMES)
def board(request: pytest.FixtureRequest) -> ChipBoard:
    runtime: Runtime = request.param
    board = ChipBoard(build_uf2(keyboard(), "daily", runtime=runtime).bytes, keyboard().wiring)
    board.power_on()
    board.advance(50_000)
    return board


def keyboard() -> Keyboard:
    keyboard, _ = check_text(Source("dial.keys", KEYMAP))
    assert keyboard is not None
    return keyboard


def touch(board: ChipBoard) -> None:
    """A contact that closes for a moment: the chip is awake until its debounce time is over."""
    board.set_closed(frozenset({"SW1"}))
    board.chip.run_us(150)
    board.set_closed(frozenset())


def falling_asleep_us(board: ChipBoard) -> tuple[int, int]:
    """From a touch to the beginning of the last scan before the chip sleeps, and until it is asleep."""
    touch(board)
    began = driven = 0
    for now in range(5_000):
        before, driven = driven, board.chip.gpio_state.driven_low & ROW
        if driven and not before and not board.chip.read_register(DIAL_WAKES):
            last, began = began, now  # the last time but one is the scan, the last one the sleep
        if board.chip.read_register(DIAL_WAKES) and now > 1_000:
            return last, now
        board.chip.run_us(1)
    raise AssertionError("it doesn't fall asleep")


def test_an_edge_at_any_microsecond_of_falling_asleep_is_counted(board: ChipBoard) -> None:
    """A detent clockwise is line A low, B low, A high, B high (common practice)."""
    a, b = dial_contacts("DIAL1")
    begins, ends = falling_asleep_us(board)
    board.advance(TURNING_US)
    lost = []
    for at_us in range(begins, ends + 5):
        touch(board)
        board.chip.run_us(at_us)
        for closed in ({a}, {a, b}, {b}, set()):
            board.set_closed(frozenset(closed))
            board.chip.run_us(800)
        board.advance(TURNING_US)
        pressed = [report[8] for _, _, report in board.reports() if any(report)]
        if pressed != [1 << KEY_B]:
            lost.append(at_us - ends)
    assert ends - begins > 20
    assert lost == [], "microseconds before it is asleep"
