"""What the images do to the chip, and what a host sees of them beyond `test_chip_board.py`.

Registers are compared with the RP2040 datasheet, the host's side with USB 2.0 and HID 1.11; sections are
named beside each check. Emulation proves neither the clocks nor the USB transceiver nor electricity.
"""

from __future__ import annotations

import struct
from importlib.util import find_spec
from itertools import pairwise
from shutil import which

import pytest

from hil.chip.chip_board import ChipBoard
from hil.chip.mass_storage import MassStorage
from hil.chip.usb_controller import Answer
from hil.chip.usb_host import UsbStall
from hil.faults import parse_fault
from keyc.fingerprints import fingerprints
from keyc.image.firmware import build_uf2, stack_bytes
from keyc.image.identity import Image
from keyc.image.uf2 import BOOT2_BYTES, crc32_mpeg2
from keyc.keyboard import LayerHeld
from tests.keyc.hand_made import key, keyboard_of, media, system, wiring_of
from tests.pico_sdk import RUNTIMES, image_of

WIRING = wiring_of(rows=(2, 3, 4), columns=(6, 7, 8, 9), direct=(10,))
ROWS, COLUMNS = 0b111 << 2, 0b1111 << 6
LINES = ROWS | COLUMNS | 1 << 10
FIRST_KEY = 0x04
KEYBOARD = keyboard_of(
    WIRING,
    [*[key(FIRST_KEY + n) for n in range(10)], key(0xE1), key(0x1D, 0xE0), LayerHeld("upper")],
    [media(0xE9), system(0x82)],
)
COMPILERS = [
    name
    for name, there in (("zig", find_spec("ziglang") is not None), ("gcc", bool(which("arm-none-eabi-gcc"))))
    if there
]
EP1_BUFFER_CONTROL, AVAILABLE = 0x88, 1 << 10  # datasheet 4.1.2.5


@pytest.fixture(scope="module", params=RUNTIMES)
def daily(request: pytest.FixtureRequest) -> bytes:
    return image_of("daily", request.param)


@pytest.fixture(scope="module", params=RUNTIMES)
def bench(request: pytest.FixtureRequest) -> bytes:
    return image_of("bench", request.param)


def board_with(uf2: bytes, *faults: str) -> ChipBoard:
    board = ChipBoard(uf2, WIRING, [parse_fault(fault, WIRING) for fault in faults])
    board.power_on()
    board.advance(2000)
    return board


def finger(board: ChipBoard, *switches: str, for_us: int = 12_000) -> list[bytes]:
    """Close these switches, wait, and return the keyboard reports that came."""
    board.set_closed(frozenset(switches))
    board.advance(for_us)
    return [payload for _, which, payload in board.reports() if which == "keyboard"]


def held_in(report: bytes) -> set[int]:
    """Usages of the bit field; the first eight bytes must say the same (HID 1.11, appendix B.1)."""
    bits = {n for n in range(0xE0) if report[8 + n // 8] >> n % 8 & 1}
    keys = report[2:8]
    assert set(keys) - {0} == bits if len(bits) <= 6 else set(keys) == {1}
    return bits


# --- the chip


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("image", ["daily", "bench", "trial"])
def test_clocks_resets_and_pads(image: Image, compiler: str) -> None:
    board = board_with(build_uf2(KEYBOARD, image, compiler).bytes)
    chip = board.chip
    assert chip.clock_hz("ref") == 12_000_000
    assert chip.clock_hz("sys") == 125_000_000
    assert chip.clock_hz("usb") == 48_000_000
    assert chip.clock_hz("peri") == 0, "nothing needs it"
    assert chip.watchdog_tick & 0x3FF == 0x200 | 12  # 4.7.2: one tick a microsecond
    # 2.14.3: the blocks in use are out of reset, all others are held.
    in_use = {"IO_BANK0": 5, "IO_QSPI": 6, "PADS_BANK0": 8, "PADS_QSPI": 9, "PLL_SYS": 12, "PLL_USB": 13}
    in_use |= {"TIMER": 21, "USBCTRL": 24}
    assert chip.blocks_in_reset == 0x01FFFFFF & ~sum(1 << bit for bit in in_use.values())
    for pin in range(30):
        # 2.19.6.3: input on, pull-up, Schmitt trigger, 2 mA, slow slew. Other pins are left alone.
        if image == "bench" or LINES >> pin & 1:
            assert chip.pad(pin) == 0x4A
        else:
            assert not chip.pad(pin) & 0x08, "no pull-up was switched on"
    assert chip.warnings == []
    assert chip.drives.violations == []


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("image", ["daily", "bench", "trial"])
def test_the_stack_is_deep_enough(image: Image, compiler: str) -> None:
    """The stack lies in the 4 KB at 0x20041000: the lowest word that changes is how deep it went."""
    board = ChipBoard(build_uf2(KEYBOARD, image, compiler).bytes, WIRING)
    board.power_on()
    first, top, mark = 0x20041004, 0x20042000, 0xA5A5A5A5  # above the mark that the image leaves there
    emulator = board.chip._on().emulator
    for address in range(first, emulator.core.registers[13], 4):
        emulator.write_uint32(address, mark)
    if image == "trial":
        board.send(b"who\nwatch\n")
    if image != "bench":
        for switches in (("SW1",), ("SW1", "SW13"), ("SW1", "SW2", "SW13"), ("SW11", "SW12"), ()):
            finger(board, *switches)
        board.host.set_lights(1)
    else:
        for command in (b"who\n", b"look\n", b"watch\n"):
            board.send(command)
            board.advance(60_000)
        finger(board, "SW6")
    board.host.bus_reset()
    board.host.enumerate()
    lowest = next(a for a in range(first, top, 4) if board.chip.read_register(a) != mark)
    assert 0 < top - lowest <= stack_bytes(image, KEYBOARD)


def test_a_bad_check_sum_leads_to_the_roms_own_drive(daily: bytes) -> None:
    # Datasheet 2.8.1.3.1: the second stage runs only if its CRC is right.
    board = board_with(daily)
    assert board.connected
    damaged = bytearray(daily)
    damaged[32 + 100] ^= 0x10  # in the first block's payload, which is the second stage
    board.uf2 = bytes(damaged)
    board.unplug()
    board.chip.hold_bootsel(True)
    board.chip.power_on()
    board.host.enumerate()
    board.chip.hold_bootsel(False)
    MassStorage(board.host).write_uf2(bytes(damaged))
    board.host.wait_detached()
    board.host.enumerate()
    assert board.shows_drive
    board.plug_alone()
    assert board.shows_drive, "and again at every power-on"
    board.uf2 = daily
    board.copy_image()
    assert board.connected


def test_a_right_check_sum_over_other_bytes_boots(daily: bytes) -> None:
    """The counterpart: it is the sum that counts, not the bytes. Padding of the second stage is changed."""
    changed = bytearray(daily)
    at = 32 + BOOT2_BYTES - 1
    assert changed[at] == 0, "padding"
    changed[at] = 0x5A
    boot2 = bytes(changed[32 : 32 + BOOT2_BYTES])
    changed[32 + BOOT2_BYTES : 32 + 256] = struct.pack("<I", crc32_mpeg2(boot2))
    assert board_with(bytes(changed)).connected


# --- the daily image's lines


def test_at_rest_the_driven_lines_are_low_and_nothing_runs(daily: bytes) -> None:
    board = board_with(daily)
    board.advance(50_000)
    state = board.chip.gpio_state
    assert state.driven_low == ROWS
    assert state.driven_high == 0
    assert state.levels & (COLUMNS | 1 << 10) == COLUMNS | 1 << 10
    # Armed: a low level on each sensed and direct line (2.19.6.1, PROC0_INTE: four bits a pin).
    armed = 0
    for word in range(4):
        value = board.chip.read_register(0x40014100 + 4 * word)
        armed |= sum(1 << (8 * word + pin) for pin in range(8) if value >> 4 * pin & 0xF == 1)
    assert armed == COLUMNS | 1 << 10


def test_a_stuck_key_does_not_stop_the_others(daily: bytes) -> None:
    board = board_with(daily, "closed SW6")
    finger(board, "SW7", "SW6")
    reports = finger(board, "SW7", "SW6", for_us=50_000) + finger(board, "SW6")
    assert any(FIRST_KEY + 6 not in held_in(report) for report in reports)
    assert FIRST_KEY + 5 in held_in(reports[-1])


def test_a_row_held_high_is_not_driven_and_the_others_work(daily: bytes) -> None:
    board = board_with(daily, "high GPIO3")
    assert FIRST_KEY in held_in(finger(board, "SW1")[-1])
    finger(board)
    assert finger(board, "SW6") == [], "its row can't be driven"
    assert board.chip.drives.longest_us[3] < 20, "one look a second whether it is still held"


def test_a_row_that_something_pulls_high_later_is_let_go(daily: bytes) -> None:
    board = board_with(daily)
    finger(board, "SW6")
    finger(board)
    board.chip.drives.longest_us[3] = 0
    board.set_faults([parse_fault("high GPIO3", WIRING)])
    # At rest the lines are looked at once a second; then it is let go for good.
    board.advance(1_100_000)
    board.chip.drives.longest_us[3] = 0
    finger(board, "SW1")
    board.advance(500_000)
    assert board.chip.drives.longest_us[3] < 20
    board.set_faults([])
    finger(board)
    board.advance(2_100_000)
    assert FIRST_KEY + 5 in held_in(finger(board, "SW6")[-1]), "and works again once the board is mended"


def test_a_tap_of_the_shortest_kind_is_not_lost(daily: bytes) -> None:
    board = board_with(daily)
    for _ in range(5):
        pressed = finger(board, "SW5", for_us=7000)
        released = finger(board, for_us=7000)
        assert [held_in(report) for report in pressed + released] == [{FIRST_KEY + 4}, set()]


@pytest.mark.parametrize("compiler", COMPILERS)
def test_a_closure_is_in_the_usb_buffer_within_a_scan_and_the_debounce_time(compiler: str) -> None:
    board = board_with(build_uf2(KEYBOARD, "daily", compiler).bytes)
    board.advance(1234)
    board.set_closed(frozenset({"SW8"}))
    began_ns = board.chip.now_ns

    def armed() -> bool:
        ram = board.chip.usb.ram
        return bool(int.from_bytes(ram[EP1_BUFFER_CONTROL : EP1_BUFFER_CONTROL + 4], "little") & AVAILABLE)

    assert not armed()
    while not armed():
        assert board.chip.now_ns - began_ns < 6_000_000
        board.chip.run_us(1)
    took_us = (board.chip.now_ns - began_ns) / 1000
    assert 5000 <= took_us < 5000 + 2 * 125, "5 ms after-quiet is the language's default"


# --- the daily image's host


def test_more_than_six_keys(daily: bytes) -> None:
    board = board_with(daily)
    seven = [f"SW{n}" for n in (1, 2, 3, 4, 5, 9, 10)]
    # Without ghosting: one row, and the first and second switch of the others.
    reports = finger(board, *seven, for_us=30_000)
    assert held_in(reports[-1]) == {FIRST_KEY + n for n in (0, 1, 2, 3, 4, 8, 9)}


def test_the_boot_protocol_sends_eight_bytes_and_the_phantom_state(daily: bytes) -> None:
    board = board_with(daily)
    board.host.control(0x21, 0x0B, 0, 0)
    board.advance(5000)
    board.reports()
    assert finger(board, "SW2")[-1] == bytes((0, 0, FIRST_KEY + 1, 0, 0, 0, 0, 0))
    seven = [f"SW{n}" for n in (1, 2, 3, 4, 5, 9, 10)]
    last = finger(board, *seven, "SW11", for_us=40_000)[-1]
    assert last == bytes((0x02, 0, 1, 1, 1, 1, 1, 1)), (
        "appendix C: ErrorRollOver in all fields, modifiers true"
    )
    assert board.host.control(0xA1, 1, 0x0100, 0, 64) == last  # GET_REPORT, 7.2.1


def test_a_new_host_finds_the_report_protocol_and_the_default_idle_time(daily: bytes) -> None:
    board = board_with(daily)
    board.host.control(0x21, 0x0B, 0, 0)
    board.host.control(0x21, 0x0A, 0, 0)
    board.host.bus_reset()
    board.host.control(0x00, 5, 1, 0)
    board.host._address = 1
    board.host.advance(2000)
    board.host.control(0x00, 9, 1, 0)
    assert board.host.control(0xA1, 3, 0, 0, 1) == b"\x01"  # 7.2.6
    assert board.host.control(0xA1, 2, 0, 0, 1) == b"\x7d"  # 7.2.4: 500 ms
    board.host.enumerate()
    assert len(finger(board, "SW1")[-1]) == 36


def test_idle_repeats_come_at_their_rate(daily: bytes) -> None:
    board = board_with(daily)
    board.host.control(0x21, 0x0A, 10 << 8, 0)  # SET_IDLE: 40 ms
    board.set_closed(frozenset({"SW1"}))
    board.advance(500_000)
    times = [t_us for t_us, _, payload in board.reports() if FIRST_KEY in payload[2:8]]
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert len(gaps) >= 10
    assert all(abs(gap - 40_000) <= 0.1 * 40_000 + 2000 for gap in gaps)  # 7.2.4: ± (10 % + 2 ms)
    board.set_closed(frozenset())
    board.advance(20_000)
    board.reports()
    board.advance(500_000)
    assert len(board.reports()) >= 10, "at rest too"


def test_lights_are_the_hosts(daily: bytes) -> None:
    board = board_with(daily)
    for lights in (0b00010, 0b11111, 0):
        board.host.set_lights(lights)
        assert board.host.control(0xA1, 1, 0x0200, 0, 1) == bytes((lights,))


def test_media_and_system_keys_have_their_own_interface(daily: bytes) -> None:
    board = board_with(daily)
    finger(board, "SW13")
    board.set_closed(frozenset({"SW13", "SW1"}))
    board.advance(12_000)
    board.set_closed(frozenset({"SW13", "SW2"}))
    board.advance(12_000)
    board.set_closed(frozenset())
    board.advance(12_000)
    told = [(which, payload) for _, which, payload in board.reports()]
    assert ("consumer", b"\x01\xe9\x00\x00\x00") in told
    assert ("system", b"\x02\x82") in told
    assert told[-1][1].rstrip(b"\0") in (b"\x01", b"\x02"), "and both end"


def test_asleep_without_leave_to_wake_the_host(daily: bytes) -> None:
    board = board_with(daily)
    host = board.host
    assert held_in(finger(board, "SW1")[-1]) == {FIRST_KEY}
    host.suspend()
    board.chip.run_us(5000)
    board.set_closed(frozenset())
    board.chip.run_us(50_000)
    board.set_closed(frozenset({"SW2"}))
    assert not host.wait_wake_up(timeout_us=100_000)
    board.set_closed(frozenset())
    board.chip.run_us(50_000)
    host.resume()
    board.advance(20_000)
    last = [payload for _, which, payload in board.reports() if which == "keyboard"][-1]
    assert held_in(last) == set(), "the key that went up meanwhile doesn't stick, the other isn't typed"


def test_a_halted_endpoint_loses_no_report(daily: bytes) -> None:
    board = board_with(daily)
    host = board.host
    host.control(0x02, 3, 0, 0x81)  # SET_FEATURE(ENDPOINT_HALT), USB 2.0 9.4.9
    assert host.control(0x82, 0, 0, 0x81, 2) == b"\x01\x00"
    board.set_closed(frozenset({"SW1"}))
    board.chip.run_us(8000)
    assert board.chip.usb.data_in(host._address, 1) is Answer.STALL
    assert host.device is not None
    endpoint = host.device.interfaces[0].endpoints[0]
    host.clear_halt(endpoint)
    board.advance(5000)
    assert held_in([payload for _, _, payload in board.reports()][-1]) == {FIRST_KEY}


def test_a_control_transfer_that_the_host_drops_leaves_nothing_behind(daily: bytes) -> None:
    # The chip keeps buffers of endpoint 0 armed across a SETUP (seen in emulation, and in its datasheet
    # 4.1.2.5): stale bytes would answer the next request.
    board = board_with(daily)
    host = board.host
    for dropped in (
        bytes((0x80, 6, 0, 2, 0, 0, 9, 0)),
        bytes((0x21, 9, 0, 2, 0, 0, 1, 0)),
        bytes((0xC0, 1, 0, 0, 0, 0, 1, 0)),
    ):
        board.chip.usb.setup(host._address, dropped)
        board.chip.run_us(100)
        assert host.control(0x80, 8, 0, 0, 1) == b"\x01"
        assert len(host.control(0x80, 6, 0x0100, 0, 18)) == 18
    with pytest.raises(UsbStall):
        host.control(0x80, 6, 0x0600, 0, 10)


# --- the bench image


def test_the_bench_image_says_whose_it_is(bench: bytes) -> None:
    board = board_with(bench)
    device = board.host.device
    assert device is not None
    assert device.strings[:2] == ("Nobody", "Handmade (bench)")
    assert device.strings[2] == board.chip.flash_id.hex().upper(), "the flash chip's id as serial number"
    assert device.version >> 12 == 2
    board.send(b"who\n")
    board.advance(20_000)
    words = [line.split() for line in board.receive().decode("ascii").splitlines()]
    told = {line[1]: line[2].lower() for line in words if line[0] == "fingerprint"}
    prints = fingerprints(KEYBOARD)
    assert told == {"wiring": prints.wiring, "keymap": prints.keymap, "engine": prints.engine}
    watched = next(line[2] for line in words if line[:2] == ["can", "watch"])
    assert int(watched, 16) == LINES


def test_the_universal_bench_image_has_no_serial_number_without_a_flash_id() -> None:
    board = ChipBoard(build_uf2(None, "bench").bytes, WIRING, [parse_fault("no-flash", WIRING)])
    board.power_on()
    device = board.host.device
    assert device is not None
    assert device.strings == ("keyc", "any RP2040 board (bench)", "")


def test_console_packets_keep_clear_of_the_frames_end(bench: bytes) -> None:
    """Erratum E15: none is armed in the last fifth of a frame. Looked at every 5 us."""
    board = board_with(bench)
    control = 0x80 + 8 * 4  # endpoint 4 to the host
    board.send(b"look\n")
    armed_at: list[float] = []
    was = False
    frame_ns = board.host._next_frame_ns
    for _ in range(4000):
        board.host.advance(5)
        if board.host._next_frame_ns != frame_ns:
            frame_ns = board.host._next_frame_ns
        word = int.from_bytes(board.chip.usb.ram[control : control + 4], "little")
        now = bool(word & AVAILABLE)
        if now and not was:
            armed_at.append(1000 - (frame_ns - board.chip.now_ns) / 1000)
        was = now
    assert len(armed_at) > 10
    assert max(armed_at) < 800 + 10
