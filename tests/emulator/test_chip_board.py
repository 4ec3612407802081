"""The real images in the emulated chip, over the electrical model, as a computer on the cable sees them.

What the lines read is compared with `hil.board`, which has its own tests against networkx. Report
descriptors and reports are read by hid-tools.
"""

from __future__ import annotations

import random
import zlib

import pytest
from hidtools.hid import ReportDescriptor

from hil.chip.chip_board import ChipBoard, report_names
from hil.chip.usb_host import NoDevice, UsbStall
from hil.faults import parse_fault
from keyc.image.firmware import build_uf2
from keyc.keyboard import LayerHeld, Light, UsbBoot, Wiring
from tests.keyc.hand_made import key, keyboard_of, media, wiring_of

WIRING = wiring_of(rows=(2, 3, 4), columns=(6, 7, 8, 9), direct=(10,))
PINS = sum(1 << pin for pin in (2, 3, 4, 6, 7, 8, 9, 10))
KEY_A, KEY_B, MUTE = 0x04, 0x05, 0xE2
KEYBOARD = keyboard_of(
    WIRING,
    [key(KEY_A), key(KEY_B), media(MUTE), key(0xE1), LayerHeld("upper")],
    [UsbBoot(), key(0x1E)],
)


@pytest.fixture(scope="session")
def bench_uf2() -> bytes:
    return build_uf2(None, image="bench").bytes


@pytest.fixture(scope="session")
def daily_uf2() -> bytes:
    return build_uf2(KEYBOARD, image="daily").bytes


def board_with(uf2: bytes, *faults: str, wiring: Wiring = WIRING, seed: int = 0) -> ChipBoard:
    board = ChipBoard(uf2, wiring, [parse_fault(fault, wiring) for fault in faults], seed)
    board.power_on()
    return board


def said(board: ChipBoard, command: str, for_us: int = 40_000) -> list[list[str]]:
    """Lines that the console says after a command, as words; their sums are checked (zlib's CRC-32)."""
    board.receive()
    board.send(command.encode("ascii") + b"\n")
    board.advance(for_us)
    lines = []
    for line in board.receive().decode("ascii").splitlines():
        text, _, crc = line.rpartition(" *")
        assert f"{zlib.crc32(text.encode('ascii')):08X}" == crc
        lines.append(text.split())
    return lines


def table_told(board: ChipBoard) -> dict[str, int]:
    lines = said(board, f"look {PINS:X}")
    assert lines[-1][:2] == ["finished", "look"]
    return {line[1]: int(line[2], 16) for line in lines if line[0] == "low-lines"}


def finger(board: ChipBoard, *switches: str, for_us: int = 12_000) -> None:
    board.set_closed(frozenset(switches))
    board.advance(for_us)


# --- the bench image


def test_the_bench_image_comes_up_and_answers(bench_uf2: bytes) -> None:
    board = board_with(bench_uf2)
    assert board.connected
    lines = said(board, "who")
    hello = next(line for line in lines if line[0] == "hello")
    assert hello[1:3] == ["1", "bench"]
    assert lines[-1][:2] == ["finished", "who"]
    assert ["flash-id", board.chip.flash_id.hex().upper()] in [line[:2] for line in lines]
    assert board.reports() == [], "it sends no key strokes"


def test_the_bench_image_sets_its_clocks_and_pads_as_it_must(bench_uf2: bytes) -> None:
    chip = board_with(bench_uf2).chip
    assert chip.clock_hz("sys") == 125_000_000
    assert chip.clock_hz("usb") == 48_000_000
    assert chip.watchdog_tick & 0x3FF == 0x200 | 12, "datasheet 4.7.2: a tick each microsecond"
    for pin in (2, 3, 4, 6, 7, 8, 9, 10, 26, 29):
        assert chip.pad(pin) & 0xB1 == 0, "2 mA, slow slew, output not disabled"
        assert chip.pad(pin) & 0x40, "input on"
    assert chip.warnings == []


@pytest.mark.parametrize(
    "faults",
    [
        (),
        ("reversed SW6",),
        ("bridge GPIO6 GPIO7", "shorted SW1"),
        ("low GPIO8",),
        ("closed SW2", "closed SW5"),
        ("swapped GPIO2 GPIO9", "open GPIO3"),
    ],
)
def test_a_look_tells_the_table_of_the_board(bench_uf2: bytes, faults: tuple[str, ...]) -> None:
    board = board_with(bench_uf2, *faults)
    finger(board, "SW6", "SW13")
    told = table_told(board)
    truth = board._board.table(frozenset({"SW6", "SW13"})).resolved(0)
    assert told["up"] == truth.at_rest.low & PINS
    assert told["down"] == truth.pulled_down.low & PINS
    for pin in (2, 3, 4, 6, 7, 8, 9, 10):
        if str(pin) in told:
            assert told[str(pin)] == truth.driven[pin].low & PINS & ~(1 << pin)
    assert len(told) == 10


def test_a_line_held_high_is_never_driven(bench_uf2: bytes) -> None:
    board = board_with(bench_uf2, "high GPIO7")
    told = table_told(board)
    assert told["down"] == PINS & ~(1 << 7), "seen by its staying high against the pull-down"
    assert "7" not in told
    assert board.chip.drives.longest_us[7] == 0
    assert board.chip.drives.longest_us[6] > 10


def test_no_drive_is_longer_than_20_us_and_none_is_high(bench_uf2: bytes) -> None:
    board = ChipBoard(bench_uf2, WIRING)
    board.chip.drives.limit_us = 20
    board.power_on()
    said(board, f"look {PINS:X}")
    said(board, f"watch {PINS:X}", for_us=100_000)
    finger(board, "SW3", for_us=50_000)
    finger(board, for_us=50_000)
    said(board, "stop")
    assert board.chip.drives.violations == []
    assert max(board.chip.drives.longest_us) > 10
    assert board.chip.gpio_state.driven_low == 0


def test_a_light_wired_to_ground_is_the_one_exception() -> None:
    """Driven high in pulses as short as any other drive, by the image of the keymap that names it."""
    wiring = wiring_of(rows=(2, 3), columns=(6, 7), direct=()).replaced(
        lights=(
            Light(25, 2, "CapsLock", False, WIRING.switches[0].span),
            Light(24, 1, "NumLock", True, WIRING.switches[0].span),
        )
    )
    keyboard = keyboard_of(wiring, [key(KEY_A)] * 4)
    board = ChipBoard(build_uf2(keyboard, image="bench").bytes, wiring)
    board.chip.drives.limit_us = 20
    board.power_on()
    said(board, "look", for_us=60_000)
    for pin in (24, 25, 25):
        said(board, f"blink {pin}", for_us=30_000)
        said(board, "stop")
    assert board.chip.drives.violations == []
    high_us = {pin: us for pin, us in enumerate(board.chip.drives.high_us) if us}
    assert list(high_us) == [25]
    assert 10_000 < high_us[25] < 60_000
    assert board.lit_us()[25] == round(high_us[25])
    board.set_faults([parse_fault("bridge GPIO25 GPIO20", wiring)])
    assert ["refused", "pin-not-free"] in [line[:2] for line in said(board, "blink 25", for_us=5_000)]
    board.set_faults([parse_fault("low GPIO25", wiring)])
    assert ["held-against", "25"] in [line[:2] for line in said(board, "blink 25", for_us=5_000)]
    assert board.chip.drives.high_us[25] - high_us[25] < 4 * 20
    assert board.chip.drives.violations == []


def test_a_press_is_told_while_watching(bench_uf2: bytes) -> None:
    board = board_with(bench_uf2)
    said(board, f"watch {PINS:X}", for_us=100_000)
    finger(board, "SW6", for_us=30_000)  # cathode on row GPIO3, anode on column GPIO7
    changes = [line.split() for line in board.receive().decode().splitlines()]
    told = {(line[1], int(line[2], 16)) for line in changes if line[0] == "change"}
    assert told == {("3", 1 << 7)}


def test_a_terminal_that_stops_reading_loses_nothing(bench_uf2: bytes) -> None:
    board = board_with(bench_uf2)
    board.host.terminal_reads = False
    for _ in range(3):
        board.send(b"who\n")
        board.advance(100_000)
    assert board.receive() == b""
    board.host.terminal_reads = True
    board.advance(100_000)
    text = board.receive().decode("ascii")
    assert text.count("finished who") == 3
    numbers = [int(line.split()[-2]) for line in text.splitlines()]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


def test_restart_leads_to_the_drive_and_back(bench_uf2: bytes) -> None:
    board = board_with(bench_uf2)
    board.send(b"restart\n")
    board.advance(1_000_000)
    assert board.shows_drive
    assert not board.connected
    board.copy_image()
    assert board.connected
    assert said(board, "who")[-1][:2] == ["finished", "who"]


def test_a_pin_bridged_to_run_restarts_the_board(bench_uf2: bytes) -> None:
    # RUN's pull-up against the pin's pull-down is anybody's guess; seed 1 takes it as low.
    board = board_with(bench_uf2, "bridge GPIO7 RUN", seed=1)
    lines = said(board, f"look {PINS:X}", for_us=100_000)
    announced = [line[1] for line in lines if line[0] == "about-to-drive"]
    assert announced[-1] == "7", "said before the pin was driven"
    board.advance(500_000)
    assert not board.connected, "what was in RAM doesn't start by itself again"


def test_the_same_run_says_the_same_bytes_at_the_same_times(bench_uf2: bytes) -> None:
    def log() -> tuple[object, ...]:
        board = board_with(bench_uf2, "leaky GPIO6 GPIO7 47k", seed=9)
        said(board, f"watch {PINS:X}")
        picks = random.Random(4)
        heard = b""
        for _ in range(5):
            finger(board, picks.choice(WIRING.switches).name)
            heard += board.receive()
        return heard, board.chip.now_ns, board.chip.drives.longest_us

    assert log() == log()


# --- the daily image


def test_the_daily_image_is_a_keyboard_and_nothing_else(daily_uf2: bytes) -> None:
    board = board_with(daily_uf2)
    device = board.host.device
    assert device is not None
    assert {interface.class_code for interface in device.interfaces} == {3}, "no console"
    boot = device.interfaces[0]
    assert (boot.subclass, boot.protocol) == (1, 1)  # HID 1.11, 4.2 and 4.3
    named = {name for text in device.report_descriptors.values() for name in report_names(text).values()}
    assert {"keyboard", "consumer"} <= named
    assert board.chip.clock_hz("sys") == 125_000_000
    assert board.chip.warnings == []


def test_a_tap_reaches_the_computer(daily_uf2: bytes) -> None:
    board = board_with(daily_uf2)
    assert board.host.device is not None
    descriptor = ReportDescriptor.from_bytes(board.host.device.report_descriptors[0])
    began = board.now_us
    finger(board, "SW1")
    finger(board)
    reports = board.reports()
    assert [which for _, which, _ in reports] == ["keyboard", "keyboard"]
    assert all(began < t_us < began + 24_000 for t_us, _, _ in reports)
    (pressed, released) = (payload for _, _, payload in reports)
    assert KEY_A in pressed[2:8]
    assert not any(released)
    (report,) = descriptor.input_reports.values()
    assert len(pressed) * 8 == report.bitsize


def test_layers_modifiers_and_consumer_keys(daily_uf2: bytes) -> None:
    board = board_with(daily_uf2)
    finger(board, "SW4")
    finger(board, "SW4", "SW2")
    finger(board)
    assert [payload[0] for _, _, payload in board.reports()][:2] == [2, 2], "ShiftLeft is bit 1"
    finger(board, "SW3")
    finger(board)
    consumer = [payload for _, which, payload in board.reports() if which == "consumer"]
    assert MUTE in consumer[0]
    finger(board, "SW5")
    finger(board, "SW5", "SW2")
    finger(board)
    assert any(0x1E in payload for _, _, payload in board.reports())


def test_flash_outlives_the_plug_and_ram_does_not(bench_uf2: bytes, daily_uf2: bytes) -> None:
    board = board_with(daily_uf2)
    board.swap_image(bench_uf2)
    assert said(board, "who")
    board.plug_alone()
    assert board.connected
    finger(board, "SW2")
    assert any(KEY_B in payload for _, _, payload in board.reports()), "the daily image is still there"
    board.plug()
    assert said(board, "who"), "plugged in by its owner, who copies the bench image again"
    board.unplug()
    assert not board.connected
    board.send(b"who\n")
    board.advance(50_000)
    assert board.receive() == b""


def test_a_blank_board_shows_its_drive(bench_uf2: bytes) -> None:
    board = ChipBoard(bench_uf2, WIRING)
    board.plug_alone()
    assert board.shows_drive
    board.copy_image()
    assert board.connected


def test_usb_boot_leads_to_the_drive(daily_uf2: bytes) -> None:
    board = board_with(daily_uf2)
    finger(board, "SW5")
    finger(board, "SW5", "SW1")
    finger(board)
    board.advance(1_000_000)
    assert board.shows_drive


def test_a_board_without_data_lines_shows_nothing(bench_uf2: bytes) -> None:
    board = ChipBoard(bench_uf2, WIRING, [parse_fault("no-usb", WIRING)])
    with pytest.raises(NoDevice):
        board.power_on()
    board.plug()
    assert not board.connected


def test_without_flash_the_bench_image_still_runs(bench_uf2: bytes) -> None:
    board = board_with(bench_uf2, "no-flash")
    assert ["flash-id", "F" * 16] in [line[:2] for line in said(board, "who")]


def test_what_a_keyboard_driver_asks(daily_uf2: bytes) -> None:
    # HID 1.11, 7.2 and appendix G.
    host = board_with(daily_uf2).host
    host.set_lights(0b00111)
    host.control(0x21, 0x0B, 0, 0)  # SET_PROTOCOL: boot
    assert host.control(0xA1, 0x03, 0, 0, 1) == b"\x00"
    host.control(0x21, 0x0A, 125 << 8, 0)  # SET_IDLE: 500 ms
    assert host.control(0xA1, 0x02, 0, 0, 1) == bytes((125,))
    for _ in range(2):
        with pytest.raises(UsbStall):
            host.control(0xC0, 0x51, 0, 0, 8)
    assert host.control(0x80, 8, 0, 0, 1) == b"\x01"


def test_sleep_and_waking_up(daily_uf2: bytes) -> None:
    board = board_with(daily_uf2)
    host = board.host
    host.control(0x00, 3, 1, 0)  # SET_FEATURE(DEVICE_REMOTE_WAKEUP), USB 2.0 9.4.9
    host.suspend()
    board.chip.run_us(100_000)
    assert not host.wait_wake_up(timeout_us=20_000), "it sleeps while nobody touches it"
    board.set_closed(frozenset({"SW1"}))
    assert host.wait_wake_up()
    host.resume()
    board.advance(50_000)
    board.set_closed(frozenset())
    board.advance(50_000)
    reports = board.reports()
    assert any(KEY_A in payload for _, _, payload in reports)
    assert not any(reports[-1][2])


# --- names of reports


def test_reports_are_named_by_their_collection() -> None:
    # HID 1.11 appendix E.6 is the boot keyboard; the second one is written after 6.2.2.
    boot = bytes.fromhex("05 01 09 06 a1 01 05 07 19 e0 29 e7 15 00 25 01 75 01 95 08 81 02 c0")
    assert report_names(boot) == {0: "keyboard"}
    two = bytes.fromhex(
        "05 0c 09 01 a1 01 85 01 15 00 26 ff 03 75 10 95 01 81 00 c0"
        "05 01 09 80 a1 01 85 02 75 08 95 01 81 02 c0"
        "0b 02 00 01 00 a1 01 85 03 a1 00 75 08 95 01 81 02 c0 c0"
    )
    assert report_names(two) == {1: "consumer", 2: "system", 3: "pointer"}
