"""Nobody gets in: what a host may try on the daily image, and what it gets. These tests look for a way.

The requests tried are all there are (USB 2.0, table 9-2: eight bits of type, eight of request), each with
values that mean something to somebody.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from hil.chip.chip_board import ChipBoard
from hil.chip.usb_host import UsbStall
from keyc.emit import files_of
from keyc.files import shipped
from keyc.fingerprints import fingerprints
from keyc.image.firmware import build_uf2
from keyc.image.identity import Image
from keyc.tables import tables_of
from tests.emulator.test_images import FIRST_KEY, KEYBOARD, WIRING, board_with, finger, held_in
from tests.pico_sdk import RUNTIMES, image_of
from tests.usb.hosts import ChipDevice, DeviceOverUsbIp, Refused

KNOWN = {  # (type, request): all that a boot keyboard with a second interface answers
    *((kind, request) for kind in (0x80, 0x81, 0x82) for request in (0,)),
    *((0x80, request) for request in (6, 8)),
    *((0x81, request) for request in (6, 10)),
    *((0x00, request) for request in (1, 3, 5, 9)),
    (0x01, 11),
    *((0x02, request) for request in (1, 3)),
    *((0xA1, request) for request in (1, 2, 3)),
    *((0x21, request) for request in (9, 10, 11)),
}


@pytest.fixture(scope="module", params=RUNTIMES)
def daily(request: pytest.FixtureRequest) -> bytes:
    return image_of("daily", request.param)


def test_no_request_but_a_keyboards_is_answered() -> None:
    """Every type and request, on the same USB code over USB/IP."""
    device = DeviceOverUsbIp()
    answered = set()
    try:
        for kind, request in itertools.product(range(256), range(256)):
            if (kind, request) in KNOWN:
                continue
            data: bytes | int = 4 if kind & 0x80 else b""
            for value, index in ((0, 0), (0x0100, 1)):
                try:
                    device.control(kind, request, value, index, data)
                except Refused:
                    continue
                answered.add((kind, request))
    finally:
        device.close()
    # Bits that mean nothing in a request's type (reserved recipients) aren't answered either.
    assert answered == set()


def test_a_sweep_of_requests_changes_nothing_in_the_image(daily: bytes) -> None:
    board = board_with(daily)
    host = board.host
    restarts, flash = board.chip.restarts, board.chip.flash
    kinds = (0x40, 0xC0, 0x41, 0xC1, 0x42, 0xC2, 0x43, 0x20, 0xA0, 0x22, 0xA2, 0x60, 0x61, 0xE1)
    for kind, request in itertools.product(kinds, range(0, 256, 5)):
        with pytest.raises(UsbStall):
            host.control(kind, request, 0x0300 | request, 0, 8 if kind & 0x80 else b"")
    for report_kind, number in itertools.product((1, 3), (0, 1, 2, 0xFF)):  # SET_REPORT input and feature
        with pytest.raises(UsbStall):
            host.control(0x21, 9, report_kind << 8 | number, 0, bytes(8))
    assert board.chip.restarts == restarts, "nothing led to the ROM: usb-boot needs its key"
    assert board.chip.flash == flash
    assert held_in(finger(board, "SW1")[-1]) == {FIRST_KEY}, "and the keymap is what it was"


def test_a_daily_image_is_a_keyboard_and_nothing_else(daily: bytes) -> None:
    device = board_with(daily).host.device
    assert device is not None
    assert {interface.class_code for interface in device.interfaces} == {3}
    endpoints = [endpoint for interface in device.interfaces for endpoint in interface.endpoints]
    assert all(endpoint.is_in for endpoint in endpoints), "the host has no way to send anything"
    assert device.device_descriptor[16] == 0, "no serial number"
    assert device.strings[2] == ""


def test_what_the_host_reads_is_what_it_was_told(daily: bytes) -> None:
    """GET_REPORT shows no key that is over: there is nothing to read back."""
    device = ChipDevice(daily)
    device.hold(0)
    device.reports()
    device.hold()
    device.reports()
    assert device.control(0xA1, 1, 0x0100, 0, 64) == bytes(36)


def test_images_tell_themselves_apart() -> None:
    """By product string, device version and, where the maker has several, product id."""
    images: tuple[Image, ...] = ("daily", "bench", "trial")
    keyboard = KEYBOARD.replaced(bench_usb=(0x1209, 0x5A18), trial_usb=(0x1209, 0x5A19))
    titles, versions, products = [], set(), set()
    for image in images:
        board = ChipBoard(build_uf2(keyboard, image).bytes, WIRING)
        board.power_on()
        assert board.host.device is not None
        titles.append(board.host.device.strings[1])
        versions.add(board.host.device.version >> 12)
        products.add(board.host.device.product)
    daily_title, bench_title, trial_title = titles
    assert "bench" in bench_title
    assert "trial" in trial_title
    assert "console" in trial_title
    assert not {"bench", "trial", "console"} & set(daily_title.lower().split())
    assert len(versions) == len(products) == 3


def test_the_trial_image_leaves_nothing_behind() -> None:
    """Unplugging erases it: what comes back is what the flash holds, which here is nothing."""
    board = ChipBoard(build_uf2(KEYBOARD, "trial").bytes, WIRING)
    board.power_on()
    assert board.connected
    board.plug_alone()
    assert board.shows_drive


@pytest.mark.parametrize("title", ["../../etc/x", "/etc/x", "..", "a\\..\\b", "C:\\x", "x\0y", "con", "ü/ö"])
def test_no_file_leaves_the_chosen_folder(title: str, tmp_path: Path) -> None:
    from keyc.compile import check_text
    from keyc.source import Source

    text = f'keyboard "{title}" {{ }}\n'
    keyboard, _ = check_text(Source("x.keys", text))  # refused or taken: either way nothing gets out
    keyboard = keyboard or KEYBOARD.replaced(title=title)
    (demo,) = shipped("data", "demo").glob("*.keys")
    named, _ = check_text(Source(f"{title}.keys", demo.read_text(encoding="utf-8")))
    assert named is not None
    for name in itertools.chain(*(files_of(one, tables_of(one)) for one in (keyboard, named))):
        assert (tmp_path / name).resolve().is_relative_to(tmp_path.resolve())
        assert not Path(name).is_absolute()


def test_quoted_text_is_not_in_the_fingerprints() -> None:
    """Nor in the device version, which is made of them alone."""
    other = KEYBOARD.replaced(title="Another", maker="Somebody")
    assert fingerprints(other).keymap == fingerprints(KEYBOARD).keymap
    assert fingerprints(other).wiring == fingerprints(KEYBOARD).wiring
