"""The trial image in the emulated chip: keys and console in one device, and a run of the stage `typing`."""

from __future__ import annotations

import pytest

from hil.chip.chip_board import ChipBoard
from hil.chip.usb_descriptors import descriptors_of
from hil.chip.usb_host import UsbStall
from hil.conversation import Settings
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.link import Link
from hil.result import PositionVerdict, Result, Verdict
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, loader_of
from hil.wire import Sentence, parse_line
from keyc.fingerprints import fingerprints
from keyc.image.firmware import build_uf2
from keyc.keyboard import Keyboard
from tests.emulator.test_images import COMPILERS, FIRST_KEY, KEYBOARD, WIRING, finger, held_in
from tests.keyc.hand_made import key, keyboard_of, media, wiring_of

PLAIN = keyboard_of(WIRING, [key(FIRST_KEY + n) for n in range(len(WIRING.switches))])
FEW = keyboard_of(wiring_of((2, 3), (6, 7), direct=()), [key(FIRST_KEY + n) for n in range(4)])


@pytest.fixture(scope="module")
def trial() -> bytes:
    return build_uf2(KEYBOARD, "trial").bytes


def board_with(uf2: bytes) -> ChipBoard:
    board = ChipBoard(uf2, WIRING)
    board.power_on()
    board.advance(2000)
    return board


def told(board: ChipBoard) -> list[tuple[str, ...]]:
    sentences = [parse_line(line) for line in board.receive().splitlines()]
    assert all(isinstance(one, Sentence) for one in sentences)
    return [(one.name, *one.fields) for one in sentences if isinstance(one, Sentence)]


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("keyboard", [PLAIN, KEYBOARD], ids=["one interface", "two interfaces"])
def test_one_configuration_holds_keys_and_console(keyboard: Keyboard, compiler: str) -> None:
    """The interface association (USB 2.0 ECN "Interface Association Descriptors", table 9-Z) names the two
    interfaces behind those of the keyboard, and so do the union and call management (CDC 1.2, 5.2.3)."""
    board = board_with(build_uf2(keyboard, "trial", compiler).bytes)
    device = board.host.device
    assert device is not None
    assert device.device_descriptor[4:7] == b"\xef\x02\x01"
    keys = 2 if keyboard is KEYBOARD else 1
    assert [one.class_code for one in device.interfaces] == [3] * keys + [2, 10]
    assert [one.number for one in device.interfaces] == list(range(keys + 2))
    configuration = device.configuration_descriptor
    assert int.from_bytes(configuration[2:4], "little") == len(configuration)
    assert configuration[4] == keys + 2
    parts = list(descriptors_of(configuration))
    assert [one for one in parts if one[1] == 0x0B] == [bytes([8, 0x0B, keys, 2, 2, 2, 0, 0])]
    assert bytes([5, 0x24, 6, keys, keys + 1]) in parts
    assert bytes([5, 0x24, 1, 0, keys + 1]) in parts
    endpoints = [one[2] for one in parts if one[1] == 5]
    assert len(endpoints) == len(set(endpoints))


def test_the_keys_are_those_of_the_daily_image(trial: bytes) -> None:
    """The same descriptors, requests and reports, beside the console."""
    daily, both = board_with(build_uf2(KEYBOARD, "daily").bytes), board_with(trial)
    assert daily.host.device is not None
    assert both.host.device is not None
    assert daily.host.device.report_descriptors == both.host.device.report_descriptors
    for switches in (("SW1",), ("SW1", "SW2"), ("SW2", "SW11"), ()):
        assert finger(daily, *switches) == finger(both, *switches)
    for board in (daily, both):
        assert board.host.control(0xA1, 3, 0, 0, 1) == b"\x01"
        board.host.control(0x21, 0x0A, 0, 0)
        assert board.host.control(0xA1, 2, 0, 0, 1) == b"\x00"
        with pytest.raises(UsbStall):
            board.host.control(0xA1, 0x7F, 0, 0, 1)


def test_what_is_told_is_what_the_host_got(trial: bytes) -> None:
    board = board_with(trial)
    board.send(b"watch\n")
    board.advance(5_000)
    told(board)
    reports = [
        held_in(one) for switches in (("SW1",), ("SW1", "SW2"), ()) for one in finger(board, *switches)
    ]
    said = told(board)
    assert [one[:2] for one in said if one[0].startswith("switch")] == [
        ("switch-down", "0"),
        ("switch-down", "1"),
        ("switch-up", "0"),
        ("switch-up", "1"),
    ]
    down: set[int] = set()
    seen = []
    for name, *fields in said:
        if name.startswith("usage"):
            assert fields[0] == "7"
            (down.add if name == "usage-down" else down.discard)(int(fields[1]))
            seen.append(set(down))
    assert seen == reports


def test_media_keys_are_told_too() -> None:
    keyboard = keyboard_of(WIRING, [media(0xE9), *(key(4 + n) for n in range(len(WIRING.switches) - 1))])
    board = board_with(build_uf2(keyboard, "trial").bytes)
    board.send(b"watch\n")
    board.advance(5_000)
    told(board)
    finger(board, "SW1")
    finger(board)
    assert [one[:3] for one in told(board) if one[0].startswith("usage")] == [
        ("usage-down", "12", "233"),
        ("usage-up", "12", "233"),
    ]


def test_nobody_listens_and_the_keys_go_on(trial: bytes) -> None:
    """A host that never fetches what the console says: the ring overflows, no key is late or lost."""
    board = board_with(trial)
    board.send(b"watch\n")
    board.advance(5_000)
    board.host.terminal_reads = False
    for _ in range(40):
        assert finger(board, "SW1", "SW2")
        assert finger(board)


@pytest.mark.parametrize(("fault", "verdict"), [(None, Verdict.PASS), ("drops SW2", Verdict.FAIL)])
def test_typing_on_the_real_image(fault: str | None, verdict: Verdict) -> None:
    """As on this computer (tests/hil/test_typing.py): the bench image first, then the trial image."""
    result = _typed(fault)
    assert result.verdict is verdict
    assert result.board.image == "trial"
    assert result.typing is not None
    assert all(one.presses >= 4 for one in result.typing.switches)
    bad = {one.switch for one in result.positions if one.verdict is PositionVerdict.CHATTERING}
    assert bad == (set() if fault is None else {"SW2"})


def _typed(fault: str | None) -> Result:
    faults = [] if fault is None else [parse_fault(fault, FEW.wiring)]
    board = ChipBoard(build_uf2(FEW, "bench").bytes, FEW.wiring, faults)
    board.plug()
    finger = Finger(board)
    hand = FingerHand(finger, loader_of(board, FEW))
    wiring = fingerprints(FEW).wiring
    return Session(FEW, Link(BoardTransport(finger)), hand, wiring, Settings(stages=("typing",))).run()
