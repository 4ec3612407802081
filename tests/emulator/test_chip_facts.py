"""The chip's own facts: start-up order, sleep of the bus, errata, watchdog, stack mark.

Registers are named as in the RP2040 datasheet, with its sections; errata by its appendix B. The way round
E5 is the one of Raspberry Pi's SDK (`rp2040_usb_device_enumeration.c`), as an independent description.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

import pytest

from hil.chip.chip import Chip
from hil.chip.chip_board import ChipBoard
from hil.chip.usb_descriptors import UsbError
from hil.chip.usb_host import UsbHost
from keyc.image.firmware import Runtime, build_uf2
from keyc.image.identity import Image
from keyc.keyboard import UsbBoot
from tests.emulator.test_images import COMPILERS, FIRST_KEY, KEYBOARD, WIRING, board_with, finger, held_in
from tests.keyc.hand_made import key, keyboard_of, wiring_of
from tests.pico_sdk import RUNTIMES, image_of

STACK_MARK_AT = 0x20041000
WATCHDOG_CTRL, WATCHDOG_REASON = 0x40058000, 0x40058008
PLL_SYS_PWR, PLL_USB_PWR = 0x40028004, 0x4002C004
PLL_OFF = 0x21  # 2.18.4, PWR: VCOPD and PD
GPIO15_CTRL = 0x4001407C
IMAGES: tuple[Image, ...] = ("daily", "bench")


@pytest.fixture(scope="module", params=RUNTIMES)
def runtime(request: pytest.FixtureRequest) -> Runtime:
    return cast(Runtime, request.param)


@pytest.fixture(scope="module", params=IMAGES)
def image(request: pytest.FixtureRequest, runtime: Runtime) -> bytes:
    return image_of(request.param, runtime)


@pytest.fixture(scope="module", params=RUNTIMES)
def daily(request: pytest.FixtureRequest) -> bytes:
    return image_of("daily", request.param)


# --- a sleeping bus: USB 2.0, 7.2.3 allows 2.5 mA, so the PLLs have to stop. The current wasn't measured.


def plls_stopped(chip: Chip) -> bool:
    return all(chip.read_register(at) & PLL_OFF == PLL_OFF for at in (PLL_SYS_PWR, PLL_USB_PWR))


def test_suspend_stops_both_plls_and_resume_starts_them(image: bytes) -> None:
    board = board_with(image)
    chip, host = board.chip, board.host
    assert not plls_stopped(chip)
    host.suspend()
    chip.run_us(2000)
    assert plls_stopped(chip)
    assert chip.clock_hz("sys") == 12_000_000
    assert chip.clock_hz("usb") == 6_000_000, "erratum E12: clk_sys above clk_usb by a tenth at least"
    host.resume()
    assert not plls_stopped(chip)
    assert (chip.clock_hz("sys"), chip.clock_hz("usb")) == (125_000_000, 48_000_000)
    assert host.control(0x80, 8, 0, 0, 1) == b"\x01", "still configured"
    assert chip.warnings == []


def test_the_lines_alone_tell_that_the_host_is_back(image: bytes) -> None:
    """A controller whose slow clock misses the resume: it is looked at, well within the 20 ms of 7.1.7.7."""
    board = board_with(image)
    board.host.suspend()
    board.chip.run_us(50_000)
    assert plls_stopped(board.chip)
    board.chip.usb.misses_resumes = True
    board.chip.usb.resume()
    board.chip.run_us(10_000)
    assert not plls_stopped(board.chip)


def test_a_reset_out_of_sleep_finds_the_device(image: bytes) -> None:
    board = board_with(image)
    board.host.suspend()
    board.chip.run_us(50_000)
    board.host.enumerate()
    assert board.chip.clock_hz("usb") == 48_000_000


def test_an_idle_bus_that_never_spoke_to_us_leaves_the_clocks_alone(daily: bytes) -> None:
    """A charger: nobody would ever wake the chip, and nothing forbids it the current."""
    board = board_with(daily)
    board.unplug()
    board.chip.power_on()
    board.host.wait_attached()
    board.chip.usb.suspend()
    board.chip.run_us(20_000)
    assert not plls_stopped(board.chip)


def test_waking_the_host_is_done_at_full_speed(daily: bytes) -> None:
    # 7.1.7.7: K for 1 to 15 ms, which the controller counts with its clock.
    board = board_with(daily)
    host = board.host
    host.control(0x00, 3, 1, 0)  # SET_FEATURE(DEVICE_REMOTE_WAKEUP)
    host.suspend()
    board.chip.run_us(10_000)
    board.set_closed(frozenset({"SW1"}))
    assert host.wait_wake_up(timeout_us=100_000)
    assert board.chip.clock_hz("usb") == 48_000_000
    host.resume()
    board.advance(10_000)
    assert held_in([payload for _, _, payload in board.reports()][-1]) == {FIRST_KEY}, "and it is typed"


def test_the_host_is_not_woken_within_5_ms_of_idle_bus(daily: bytes) -> None:
    board = board_with(daily)
    host = board.host
    host.control(0x00, 3, 1, 0)
    board.set_closed(frozenset({"SW1"}))
    board.advance(7000)
    host.suspend()  # 3 ms of silence have passed
    board.set_closed(frozenset())
    board.chip.run_us(1500)
    assert not host._usb().take_wake_up()


# --- erratum E5: behind a busy hub the controller of a B0 or B1 never sees the bus idle for long enough


def host_behind_busy_hub(image: bytes, revision: int) -> UsbHost:
    board = ChipBoard(image, WIRING)
    board.chip.revision = revision
    board.power_on()
    board.chip.busy_hub = True
    board.plug() if board.uf2[15] == 0x10 else None
    return board.host


@pytest.mark.parametrize("compiler", COMPILERS)
def test_a_b1_enumerates_behind_a_busy_hub(compiler: str) -> None:
    host = host_behind_busy_hub(build_uf2(KEYBOARD, "daily", compiler).bytes, revision=1)
    assert host.device is not None
    host.enumerate()
    assert host.chip.drives.violations == [], "GPIO15 isn't driven for it"
    assert host.chip.read_register(GPIO15_CTRL) & 0x1F == 31, "and is what it was before (2.19.6.1: none)"
    assert host.chip.warnings == []


def test_without_the_way_round_it_would_not(daily: bytes) -> None:
    """The adapter's erratum bites: a B1 whose image believes that it runs on a B2 never answers."""
    board = ChipBoard(daily, WIRING)
    board.power_on()
    board.unplug()
    board.chip.busy_hub = True
    board.chip.power_on()
    powered = board.chip._on()
    powered.emulator.peripherals[0x40000].stored[0] = 0x20002927  # type: ignore[attr-defined]
    with pytest.raises(UsbError):
        board.host.enumerate()


def test_a_b2_leaves_gpio15_alone(daily: bytes) -> None:
    board = ChipBoard(daily, WIRING)
    board.chip.revision = 2
    board.power_on()
    seen = set()
    board.chip.usb.bus_reset()
    for _ in range(60):
        board.chip.run_us(200)
        seen.add(board.chip.read_register(GPIO15_CTRL) & 0x1F)
        if len(seen) == 1 and board.chip.now_us % 7 == 0:
            board.chip.usb.bus_idle()
    assert seen == {31}


def test_a_key_on_gpio15_is_only_deaf_for_a_moment() -> None:
    wiring = wiring_of(rows=(2, 15), columns=(6, 7), direct=())
    keyboard = keyboard_of(wiring, [key(FIRST_KEY + n) for n in range(4)])
    board = ChipBoard(build_uf2(keyboard, "daily").bytes, wiring)
    board.power_on()
    board.host.enumerate()
    board.reports()
    assert held_in(finger(board, "SW3")[-1]) == {FIRST_KEY + 2}, "its row works as before"
    assert board.chip.drives.violations == []


# --- watchdog and stack


def test_the_watchdog_runs_and_is_fed(image: bytes) -> None:
    board = board_with(image)
    before = board.chip.restarts  # the ROM's own, after the copy
    assert board.chip.read_register(WATCHDOG_CTRL) >> 30 & 1
    board.advance(9_000_000)
    assert board.chip.restarts == before
    # Erratum E1: two counts a microsecond.
    assert board.chip.read_register(WATCHDOG_CTRL) & 0xFFFFFF > 2 * 2_900_000


def test_an_image_that_hangs_is_restarted_within_5_s_and_lets_go_of_its_lines(daily: bytes) -> None:
    board = board_with(daily)
    before = board.chip.restarts
    board.set_closed(frozenset({"SW1"}))
    board.advance(20_000)
    core = board.chip._on().emulator.core
    hang = 0x20040000  # memory that the image doesn't use: WFE and back again (BF20, E7FD: ARMv6-M)
    board.chip._on().emulator.write_uint32(hang, 0xE7FDBF20)
    core.registers[15] = hang
    core.pm = True  # no interrupt gets it out of there
    board.chip.run_us(5_000_000)
    assert board.chip.restarts == before + 1
    assert board.chip.read_register(WATCHDOG_REASON) == 1, "4.7.6: the timer"
    board.host.enumerate()
    board.advance(20_000)
    assert held_in([payload for _, which, payload in board.reports() if which == "keyboard"][-1]) == {
        FIRST_KEY
    }


def test_a_stack_that_outgrows_its_memory_restarts_the_image(image: bytes) -> None:
    board = board_with(image)
    before = board.chip.restarts
    mark = board.chip.read_register(STACK_MARK_AT)
    board.chip.write_register(STACK_MARK_AT, mark ^ 1)
    board.set_closed(frozenset({"SW1"}))
    board.chip.run_us(2_000_000)
    assert board.chip.restarts > before


def test_usb_boot_leaves_no_watchdog_behind() -> None:
    """The ROM's drive must not be restarted while somebody looks for the file to copy."""
    keyboard = keyboard_of(WIRING, [key(FIRST_KEY), key(FIRST_KEY + 1), UsbBoot()])
    board = board_with(build_uf2(keyboard, "daily").bytes)
    finger(board, "SW3")
    finger(board)
    board.advance(1_000_000)
    assert board.shows_drive
    before = board.chip.restarts
    board.chip.run_us(12_000_000)
    assert board.shows_drive
    assert board.chip.restarts == before


# --- start-up


def test_start_up_order(daily: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """2.14 to 2.18: the crystal before the PLLs, the PLLs before what runs from them, then the pins."""
    board = board_with(daily)
    board.unplug()
    board.chip.power_on()
    writes: list[int] = []
    emulator = board.chip._on().emulator
    names = {0x40024: "XOSC", 0x40028: "PLL_SYS", 0x4002C: "PLL_USB", 0x40014: "IO_BANK0", 0x50110: "USB"}
    names |= {0x4001C: "PADS_BANK0", 0x40054: "TIMER", 0x40058: "WATCHDOG"}
    for base in names:
        block = emulator.peripherals[base]

        def noted(write: Callable[..., None], base: int = base) -> Callable[..., None]:
            def note(*what: int) -> None:
                if emulator.core.pc >= 0x10000100:
                    writes.append(base)
                write(*what)

            return note

        for name in ("write_uint32_atomic", "write_uint32"):
            monkeypatch.setattr(block, name, noted(getattr(block, name)))
    board.host.wait_attached()
    order = list(dict.fromkeys(names[base] for base in writes))
    wanted = ["XOSC", "PLL_SYS", "PLL_USB", "PADS_BANK0", "USB"]
    assert [name for name in order if name in wanted] == wanted
