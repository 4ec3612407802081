"""Every feature of the language in one image: its size, and the same reports as on this computer.

What the features mean is tested in `tests/meaning`; here the same C runs in the emulated chip, with its real
scan, sleep, interrupts and USB.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hil.board import Board, Reading
from hil.chip.chip_board import ChipBoard
from hil.host_board import HostBoard
from keyc.compile import check_text, read_source
from keyc.image.firmware import build_uf2
from keyc.image.identity import Image
from keyc.keyboard import Keyboard
from keyc.tables import tables_of
from tests.emulator.test_images import COMPILERS
from tests.perf.chip import busy_console, deepest_stack, rough_hands

# What the fingers do: switches that are closed, and for how many ms.
SCRIPT = [
    ("SW1", 12), ("", 30),                          # a key
    ("SW5", 12), ("", 30),                          # Tab
    ("SW5", 250), ("SW5 SW3", 12), ("SW5", 12), ("", 300),  # arrows held: ArrowUp
    ("SW6", 30), ("SW6 SW1", 20), ("SW6", 20), ("", 30),   # Shift, since another key was tapped
    ("SW2", 10), ("SW2 SW3", 20), ("", 30),         # the chord
    ("SW2", 60), ("", 60),                          # ... and too slow for it
    ("SW4", 12), ("", 30), ("SW4", 12), ("", 300),  # two taps: Control+Z
    ("SW4", 12), ("", 300),                         # one: E
    ("SW10", 20), ("SW10 SW10", 20), ("", 30),      # a layer, nothing on it
    ("SW11", 20), ("SW11 SW1", 20), ("", 120),      # the sequence
    ("SW10", 20), ("SW10 SW11", 20), ("", 30),      # numbers locked
    ("SW2", 12), ("", 30), ("SW11", 12), ("", 30),  # Numpad7, unlocked
    ("SW8", 20), ("", 30),                          # a button
    ("SW5", 250), ("SW5 SW8", 20), ("", 30),        # Control and a media key
    ("SW5", 250), ("SW5 SW10", 20), ("SW5", 20), ("", 30), ("SW1", 20), ("", 30),  # next(Shift): Shift+Escape
]  # fmt: skip


@pytest.fixture(scope="module")
def keyboard() -> Keyboard:
    keyboard, found = check_text(read_source(Path(__file__).with_name("everything.keys")))
    assert keyboard is not None
    assert found == []
    return keyboard


@pytest.fixture(scope="module")
def board(keyboard: Keyboard) -> ChipBoard:
    board = ChipBoard(build_uf2(keyboard, "daily").bytes, keyboard.wiring)
    board.power_on()
    board.advance(5_000)
    return board


def told(board: ChipBoard | HostBoard) -> list[tuple[str, bytes]]:
    """The reports so far, without the ids of the second interface."""
    reports = []
    for _, which, payload in board.reports():
        own = payload[1:] if isinstance(board, ChipBoard) and which != "keyboard" else payload
        reports.append((which, own))
    return reports


@pytest.mark.parametrize("compiler", COMPILERS)
def test_it_fits(keyboard: Keyboard, compiler: str) -> None:
    sizes = build_uf2(keyboard, "daily", compiler).sizes
    assert sizes.flash <= 16 * 1024
    assert sizes.ram + sizes.stack <= 4 * 1024


@pytest.mark.parametrize(
    ("image", "compiler"),
    [*(("daily", one) for one in COMPILERS), *(("trial", one) for one in COMPILERS[:1])],
)
def test_its_stack_is_as_deep_as_is_said(keyboard: Keyboard, image: Image, compiler: str) -> None:
    """`python -m tests.perf chip` shows it for 104 keys, for the bench image and on the Pico SDK, too."""
    built = build_uf2(keyboard, image, compiler)
    board = ChipBoard(built.bytes, keyboard.wiring)
    board.power_on()
    names = [switch.name for switch in keyboard.wiring.switches]

    def work() -> None:
        if image == "trial":
            busy_console(board, keyboard)
        else:
            rough_hands(board, names)

    assert 0 < deepest_stack(board, work) <= built.sizes.stack


def test_the_chip_tells_what_this_computer_tells(keyboard: Keyboard, board: ChipBoard) -> None:
    here = HostBoard(keyboard.wiring, image="daily", tables=tables_of(keyboard))
    for one in (board, here):
        for closed, time_ms in SCRIPT:
            one.set_closed(frozenset(closed.split()))
            one.advance(time_ms * 1000)
    on_chip, expected = told(board), told(here)
    assert on_chip == expected
    assert len(expected) > 55
    assert {which for which, _ in expected} == {"keyboard", "consumer", "pointer"}
    assert board.chip.warnings == []
    assert {one.pin for one in board.chip.drives.violations} <= {24, 25}, "lights alone are driven high"


def test_the_pointer_moves_while_the_key_is_held(board: ChipBoard) -> None:
    """A report a frame at most, to the left (HID Usage Tables: X is signed, to the right)."""
    board.set_closed(frozenset({"SW7"}))
    board.advance(300_000)
    board.set_closed(frozenset())
    board.advance(20_000)
    reports = [(time_us, payload) for time_us, which, payload in board.reports() if which == "pointer"]
    moves = [int.from_bytes(payload[2:3], "little", signed=True) for _, payload in reports]
    assert all(move < 0 for move in moves)
    assert 40 <= -sum(moves) <= 160
    frames = [time_us // 1000 for time_us, _ in reports]
    assert len(set(frames)) == len(frames)


def test_a_move_that_nobody_took_is_over_after_a_bus_reset(board: ChipBoard) -> None:
    """The computer doesn't ask while the key is held, and starts anew (USB 2.0, 7.1.7.5) when it is up."""
    board.advance(20_000)
    told(board)
    board.set_closed(frozenset({"SW7"}))
    board.chip.run_us(8_000)
    board.set_closed(frozenset())
    board.chip.run_us(8_000)
    board.host.enumerate()
    board.advance(30_000)
    moves = [payload for which, payload in told(board) if which == "pointer" and any(payload[1:])]
    assert moves == []


def test_lights_are_driven_both_ways(board: ChipBoard) -> None:
    """Caps Lock (LED usage 2) lights GPIO25 when high; the layer's light, lit low, is off when high."""
    caps, layer = 1 << 25, 1 << 24
    assert board.chip.gpio_state.driven_high & (caps | layer) == layer
    board.host.set_lights(0b00010)
    board.advance(5_000)
    assert board.chip.gpio_state.driven_high & (caps | layer) == caps | layer
    board.set_closed(frozenset({"SW10"}))
    board.advance(20_000)
    assert board.chip.gpio_state.driven_high & (caps | layer) == caps
    assert board.chip.gpio_state.driven_low & layer
    board.set_closed(frozenset())
    board.host.set_lights(0)
    board.advance(30_000)
    assert board.chip.gpio_state.driven_high & (caps | layer) == layer
    assert [pad & 0x3F for pad in map(board.chip.pad, (24, 25))] == [0, 0], "2 mA, slow (2.19.6.3)"


@pytest.mark.parametrize("edge_us", [700, 4_000])
def test_a_dial_wakes_the_chip_and_is_counted(keyboard: Keyboard, board: ChipBoard, edge_us: int) -> None:
    """A detent clockwise is line A low, B low, A high, B high (common practice)."""
    a, b = 1 << 20, 1 << 21
    table = Board(keyboard.wiring).table()
    board.advance(50_000)
    told(board)

    def turn(*levels: int) -> list[tuple[str, bytes]]:
        for low in levels:
            rows = tuple(Reading(row.low | low, row.undefined) for row in table.driven)
            rest = Reading(table.at_rest.low | low, table.at_rest.undefined)
            board.chip.set_table(replace(table, at_rest=rest, driven=rows))
            board.advance(edge_us)
        board.advance(20_000)
        return told(board)

    louder = [("consumer", b"\xe9\0\0\0"), ("consumer", bytes(4))]
    assert turn(a, a | b, b, 0) == louder
    assert turn(a, a | b, b, 0, a, a | b, b, 0) == louder * 2
    assert turn(b, a | b, a, 0) == [("pointer", bytes([0, 0, 0, 0xFF, 0]))]
