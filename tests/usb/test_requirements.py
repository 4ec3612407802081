"""What a USB keyboard must do, on the real images in the emulated chip (one of our own, one on the Pico SDK
and TinyUSB) and on the same code over USB/IP.

`REQUIREMENTS.md` names each requirement with its section and its test here; a test holds that table and
these functions together. Sections are of USB 2.0 and of HID 1.11.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Literal

import pytest
from hidtools.hid import ReportDescriptor

from hil.chip.usb_controller import Answer, Packet
from hil.chip.usb_descriptors import descriptors_of
from hil.chip.usb_host import UsbStall
from keyc.image.firmware import Runtime
from keyc.image.identity import Image
from tests.emulator.test_images import FIRST_KEY, board_with, finger, held_in
from tests.pico_sdk import RUNTIMES, image_of
from tests.usb.hosts import ChipDevice, DeviceOverUsbIp, HostedDevice, Refused

TABLE = Path(__file__).with_name("REQUIREMENTS.md")
BOTH_IMAGES: list[tuple[Image, Runtime]] = [
    (image, runtime) for image in ("daily", "trial") for runtime in RUNTIMES
]
CONSOLE_CONTROL, CONSOLE_DATA = 2, 3  # interfaces of the trial image
ROLLOVER = bytes((0x01,)) * 6  # HUT 1.5, keyboard page: ErrorRollOver


@pytest.fixture(scope="module", params=RUNTIMES)
def image(request: pytest.FixtureRequest) -> bytes:
    return image_of("daily", request.param)


@pytest.fixture(scope="module", params=BOTH_IMAGES, ids="-".join)
def any_image(request: pytest.FixtureRequest) -> bytes:
    return image_of(*request.param)


@pytest.fixture(scope="module", params=[*BOTH_IMAGES, ("daily", "usbip"), ("trial", "usbip")], ids="-".join)
def shared(request: pytest.FixtureRequest) -> Iterator[HostedDevice]:
    image, where = request.param
    yield from _hosted(image, where)


@pytest.fixture(scope="module", params=[*RUNTIMES, "usbip"])
def shared_trial(request: pytest.FixtureRequest) -> Iterator[HostedDevice]:
    yield from _hosted("trial", request.param)


def _hosted(image: Image, where: Runtime | Literal["usbip"]) -> Iterator[HostedDevice]:
    has_console = image == "trial"
    made: HostedDevice
    if where == "usbip":
        made = DeviceOverUsbIp(has_console=has_console)
    else:
        made = ChipDevice(image_of(image, where), has_console=has_console)
    yield made
    made.close()


@pytest.fixture
def device(shared: HostedDevice) -> HostedDevice:
    return _fresh(shared)


@pytest.fixture
def trial(shared_trial: HostedDevice) -> HostedDevice:
    return _fresh(shared_trial)


def _fresh(device: HostedDevice) -> HostedDevice:
    device.hold()
    device.begin_again()
    device.reports()
    return device


def test_the_table_names_every_test_and_every_test_is_in_it() -> None:
    rows = re.findall(r"\| `(test_\w+)` \|$", TABLE.read_text(encoding="utf-8"), re.MULTILINE)
    here = {name for name in globals() if name.startswith("test_")} - {
        "test_the_table_names_every_test_and_every_test_is_in_it"
    }
    assert set(rows) == here
    for line in TABLE.read_text(encoding="utf-8").splitlines():
        if line.startswith("| ") and "`test_" in line:
            assert re.match(r"\| (USB|HID|CDC|PSTN|IAD) [\w., -]+ \| .+ \| `test_\w+` \|$", line), line


# --- descriptors


def test_the_device_descriptor(device: HostedDevice) -> None:
    found = device.descriptor(1)
    assert (len(found), found[0], found[1]) == (18, 18, 1)
    assert found[2:4] == b"\x00\x02"
    if device.has_console:
        assert found[4:7] == b"\xef\x02\x01", "interfaces that belong together say so themselves"
    else:
        assert found[4:7] == b"\0\0\0", "HID 5.1: the class stands at the interface"
    assert found[7] == 64
    assert found[8:12] == bytes.fromhex("0912 0100")
    assert found[14:18] == bytes((1, 2, 3 if device.has_serial_number else 0, 1))


def test_descriptors_of_every_length(device: HostedDevice) -> None:
    for kind in (1, 2, 3):
        whole = device.descriptor(kind)
        for length in (0, 1, 7, 8, 9, len(whole) - 1, len(whole), len(whole) + 1, 64, 65, 0xFFFF):
            assert device.descriptor(kind, length=length) == whole[:length]


def test_descriptors_in_every_order(device: HostedDevice) -> None:
    wanted = {kind: device.descriptor(kind) for kind in (1, 2, 3)}
    for order in ((3, 2, 1), (2, 1, 3), (1, 1, 3, 3, 2, 2), (3, 1, 2)):
        assert [device.descriptor(kind) for kind in order] == [wanted[kind] for kind in order]


def test_the_configuration_descriptor(device: HostedDevice) -> None:
    found = device.descriptor(2)
    assert int.from_bytes(found[2:4], "little") == len(found)
    parts = list(descriptors_of(found))
    console = [0x0B, 4, *[0x24] * 4, 5, 4, 5, 5] if device.has_console else []
    assert [part[1] for part in parts] == [2, 4, 0x21, 5, 4, 0x21, 5, *console]
    assert parts[0][4] == len(device.interfaces)
    assert parts[0][7] == 0xA0, "from the bus, with remote wake-up"
    assert parts[0][8] * 2 <= 500
    for endpoint in (parts[3], parts[6]):
        assert endpoint[2] & 0x80
        assert endpoint[3] == 3
        assert 1 <= endpoint[6] <= 255


def test_a_boot_keyboard_interface(device: HostedDevice) -> None:
    found = device.descriptor(2)
    assert found[9 + 5 : 9 + 8] == b"\x03\x01\x01"
    assert found[9 + 25 + 5 : 9 + 25 + 7] == b"\x03\x00", "the second is no boot interface: it has report ids"


def test_hid_and_report_descriptors(device: HostedDevice) -> None:
    configuration = device.descriptor(2)
    for interface in (0, 1):
        hid = device.control(0x81, 6, 0x2100, interface, 9)
        assert hid in configuration
        assert int.from_bytes(hid[7:9], "little") == len(device.report_descriptor(interface))
    for refused in (0x2101, 0x2201, 0x2300):
        with pytest.raises(Refused):
            device.control(0x81, 6, refused, 0, 9)
    with pytest.raises(Refused):
        device.control(0x81, 6, 0x2200, 2, 9)


def test_strings(device: HostedDevice) -> None:
    assert device.descriptor(3) == b"\x04\x03\x09\x04"
    assert device.descriptor(3, 2, index=0x0409)[2:].decode("utf-16-le") == device.title
    if device.has_serial_number:
        assert device.descriptor(3, 3, index=0x0409)[2:].decode("utf-16-le").isalnum()
    for missing in (*(() if device.has_serial_number else (3,)), 4, 5, 0x7F, 0xEE, 0xFF):
        with pytest.raises(Refused):
            device.descriptor(3, missing, index=0x0409)


# --- standard requests


def test_unknown_requests_stall(device: HostedDevice) -> None:
    known = {0x80: {0, 6, 8}, 0x81: {0, 6, 10}, 0x82: {0}, 0xA1: {1, 2, 3}}
    for kind in (0x80, 0x81, 0x82, 0x83, 0xA0, 0xA1, 0xA2, 0xC0, 0xC1, 0xC2, 0xDF, 0xE0):
        for request in (*range(16), 0x20, 0x21, 0x51, 0x80, 0xFE, 0xFF):
            if request in known.get(kind, ()):
                continue
            with pytest.raises(Refused):
                device.control(kind, request, 0, 0, 8)
    for kind in (0x00, 0x01, 0x02, 0x03, 0x20, 0x22, 0x40, 0x41, 0x42, 0x60):
        for request in (0, 2, 4, 6, 7, 8, 10, 12, 0x51, 0xFF):
            with pytest.raises(Refused):
                device.control(kind, request, 0, 0)
    assert device.control(0x80, 8, data=1) == b"\x01", "and the next request is answered"


def test_requests_of_the_wrong_length_or_direction(device: HostedDevice) -> None:
    for wrong in (
        (0x00, 5, 128, 0, 0),  # SET_ADDRESS above 127
        (0x00, 9, 2, 0, 0),
        (0x01, 11, 1, 0, 0),
        (0x80, 9, 1, 0, 1),  # SET_CONFIGURATION the wrong way round
        (0x00, 6, 0x0100, 0, 0),
        (0x80, 6, 0x0101, 0, 18),  # a second device descriptor
        (0x80, 6, 0x0600, 0, 10),  # 9.6.2: a full-speed device has no device qualifier
        (0x80, 6, 0x0700, 0, 10),
        (0x21, 11, 2, 0, 0),
        (0xA1, 11, 0, 0, 1),
    ):
        with pytest.raises(Refused):
            device.control(*wrong)
    with pytest.raises(Refused):
        device.control(0x00, 7, 0x0100, 0, bytes(18))  # SET_DESCRIPTOR
    assert device.control(0x80, 8, data=1) == b"\x01"


def test_status_of_device_interface_and_endpoint(device: HostedDevice) -> None:
    assert device.control(0x80, 0, data=2) == b"\0\0"
    for interface in device.interfaces:
        assert device.control(0x81, 0, index=interface, data=2) == b"\0\0"
    console = (0x83, 0x84, 0x04)
    for endpoint in (0, 0x80, 0x81, 0x82, *(console if device.has_console else ())):
        assert device.control(0x82, 0, index=endpoint, data=2) == b"\0\0"
    for endpoint in (1, 2, 3, 0x8F, 0x181, *(() if device.has_console else console)):
        with pytest.raises(Refused):
            device.control(0x82, 0, index=endpoint, data=2)


def test_halt_and_clear_halt(device: HostedDevice) -> None:
    for endpoint in (1, 2):
        device.control(0x02, 3, 0, 0x80 | endpoint)
        assert device.control(0x82, 0, index=0x80 | endpoint, data=2) == b"\x01\x00"
        with pytest.raises(Refused):
            device.poll(endpoint)
        device.control(0x02, 1, 0, 0x80 | endpoint)
        if isinstance(device, ChipDevice):
            device.host._toggles[0x80 | endpoint] = False
        assert device.control(0x82, 0, index=0x80 | endpoint, data=2) == b"\0\0"
        assert device.poll(endpoint) is None
    device.hold(1)
    assert held_in(device.reports()[-1]) == {FIRST_KEY + 1}


def test_set_and_clear_configuration(device: HostedDevice) -> None:
    device.hold(2)
    device.reports()
    device.control(0x00, 9, 0)
    assert device.control(0x80, 8, data=1) == b"\0"
    with pytest.raises(Refused):
        device.control(0xA1, 3, data=1)
    with pytest.raises(Refused):
        device.control(0x82, 0, index=0x81, data=2)
    assert device.poll() is None
    device.control(0x00, 9, 1)
    if isinstance(device, ChipDevice):
        device.host._toggles = {}
    assert held_in(device.reports()[-1]) == {FIRST_KEY + 2}, "what is held is told to the new configuration"


def test_interfaces_have_one_setting(device: HostedDevice) -> None:
    assert device.control(0x81, 10, index=1, data=1) == b"\0"
    device.control(0x01, 11, 0, 1)
    with pytest.raises(Refused):
        device.control(0x81, 10, index=len(device.interfaces), data=1)


def test_remote_wake_up_is_the_hosts_to_allow(device: HostedDevice) -> None:
    device.control(0x00, 3, 1)
    assert device.control(0x80, 0, data=2) == b"\x02\0"
    device.control(0x00, 1, 1)
    assert device.control(0x80, 0, data=2) == b"\0\0"
    device.control(0x00, 3, 1)
    device.begin_again()
    assert device.control(0x80, 0, data=2) == b"\0\0", "a reset takes the leave away (9.1.1.6)"


# --- HID requests


def test_begins_in_the_report_protocol(device: HostedDevice) -> None:
    assert device.control(0xA1, 3, data=1) == b"\x01"
    device.control(0x21, 11, 0)
    assert device.control(0xA1, 3, data=1) == b"\0"
    device.begin_again()
    assert device.control(0xA1, 3, data=1) == b"\x01"
    with pytest.raises(Refused):
        device.control(0xA1, 3, 0, 1, 1)  # the second interface is no boot interface


def test_idle_times(device: HostedDevice) -> None:
    assert device.control(0xA1, 2, data=1) == b"\x7d"
    assert device.control(0xA1, 2, index=1, data=1) == b"\0"
    for time in (0, 1, 255):
        device.control(0x21, 10, time << 8)
        assert device.control(0xA1, 2, data=1) == bytes((time,))
    device.control(0x21, 10, 7 << 8, 1)
    device.control(0x21, 10, 9 << 8 | 2, 1)
    assert [device.control(0xA1, 2, report, 1, 1) for report in (0, 1, 2)] == [b"\x07", b"\x07", b"\x09"]
    for wrong in ((1, 0), (3, 1), (0, 2)):
        with pytest.raises(Refused):
            device.control(0x21, 10, 5 << 8 | wrong[0], wrong[1])


def test_get_report(device: HostedDevice) -> None:
    device.hold(0, 3)
    device.reports()
    for length in (1, 8, 36, 64):
        report = device.control(0xA1, 1, 0x0100, 0, length)
        assert report == device.control(0xA1, 1, 0x0100, 0, 64)[:length]
    assert held_in(report) == {FIRST_KEY, FIRST_KEY + 3}
    assert device.control(0xA1, 1, 0x0101, 1, 64) == b"\x01\0\0\0\0"
    assert device.control(0xA1, 1, 0x0102, 1, 64) == b"\x02\0"
    for wrong in ((0x0101, 0), (0x0300, 0), (0x0100, 1), (0x0103, 1), (0x0201, 1)):
        with pytest.raises(Refused):
            device.control(0xA1, 1, wrong[0], wrong[1], 8)


def test_lights(device: HostedDevice) -> None:
    for lights in (0b1, 0b11111, 0xFF, 0):
        device.control(0x21, 9, 0x0200, 0, bytes((lights,)))
        assert device.control(0xA1, 1, 0x0200, 0, 1) == bytes((lights & 0x1F,)), "three bits are padding"
    for value, index, data in (
        (0x0100, 0, b"\0"),
        (0x0300, 0, b"\0"),
        (0x0200, 1, b"\0"),
        (0x0201, 0, b"\0"),
    ):
        with pytest.raises(Refused):
            device.control(0x21, 9, value, index, data)
    with pytest.raises(Refused):
        device.control(0x21, 9, 0x0200, 0, bytes(64))
    device.control(0x21, 9, 0x0200, 0, b"\x02")
    device.begin_again()
    assert device.control(0xA1, 1, 0x0200, 0, 1) == b"\0", "a new host sets them itself"


# --- reports


def test_reports_as_their_descriptor_says(device: HostedDevice) -> None:
    descriptor = ReportDescriptor.from_bytes(device.report_descriptor())
    (report,) = descriptor.input_reports.values()
    device.hold(0, 1, 2)
    last = device.reports()[-1]
    assert len(last) == report.size
    down = {field.usage for field in report if not field.is_const and any(field.get_values(list(last)))}
    assert down == {0x070000 | FIRST_KEY + n for n in (0, 1, 2)}
    device.hold()
    assert device.reports()[-1] == bytes(36)


def test_modifier_bits(device: HostedDevice) -> None:
    descriptor = ReportDescriptor.from_bytes(device.report_descriptor())
    (report,) = descriptor.input_reports.values()
    for bit in range(8):
        payload = [1 << bit, *[0] * 35]
        (down,) = (field for field in report if not field.is_const and any(field.get_values(payload)))
        assert down.usage == 0x0700E0 + bit


def test_a_boot_report_is_eight_bytes(device: HostedDevice) -> None:
    device.control(0x21, 11, 0)
    device.reports()
    device.hold(1, 0)
    last = device.reports()[-1]
    assert len(last) == 8
    assert last[:2] == b"\0\0"
    assert set(last[2:]) == {FIRST_KEY, FIRST_KEY + 1, 0}, "the order in the array means nothing"


# --- the trial image: a console behind the keyboard


def test_the_console_is_associated_behind_the_keys(trial: HostedDevice) -> None:
    parts = list(descriptors_of(trial.descriptor(2)))
    interfaces = [part for part in parts if part[1] == 4]
    assert [part[2] for part in interfaces] == list(trial.interfaces)
    assert [part[5] for part in interfaces] == [3, 3, 2, 10], "the keyboard's two, communications, data"
    at = next(n for n, part in enumerate(parts) if part[1] == 0x0B)
    assert parts[at] == bytes((8, 0x0B, CONSOLE_CONTROL, 2, 2, 2, 0, 0))
    assert parts[at + 1] is interfaces[CONSOLE_CONTROL], "right before the first that it names"
    assert bytes((5, 0x24, 6, CONSOLE_CONTROL, CONSOLE_DATA)) in parts, "CDC 1.2, 5.2.3.2: the union"
    endpoints = [part[2] for part in parts if part[1] == 5]
    assert len(set(endpoints)) == len(endpoints) == 5


def test_console_requests_reach_the_console_alone(trial: HostedDevice) -> None:
    coding = bytes.fromhex("80 25 00 00 00 00 08")  # PSTN 1.2, table 17: 9,600 bits a second, 8 bits
    trial.control(0x21, 0x20, 0, CONSOLE_CONTROL, coding)
    assert trial.control(0xA1, 0x21, 0, CONSOLE_CONTROL, 7) == coding
    trial.control(0x21, 0x22, 3, CONSOLE_CONTROL)
    for interface in set(trial.interfaces) - {CONSOLE_CONTROL}:
        with pytest.raises(Refused):
            trial.control(0x21, 0x20, 0, interface, coding)
        with pytest.raises(Refused):
            trial.control(0xA1, 0x21, 0, interface, 7)
    for interface in (CONSOLE_CONTROL, CONSOLE_DATA):
        for request, value, length in ((1, 0x0100, 8), (2, 0, 1), (3, 0, 1)):
            with pytest.raises(Refused):
                trial.control(0xA1, request, value, interface, length)
        with pytest.raises(Refused):
            trial.control(0x21, 9, 0x0200, interface, b"\x02")
    assert trial.control(0xA1, 1, 0x0200, 0, 1) == b"\0", "no light of the keyboard's was set"
    assert trial.control(0xA1, 3, data=1) == b"\x01"


def test_the_keys_go_on_beside_a_halted_console(trial: HostedDevice) -> None:
    trial.control(0x02, 3, 0, 0x84)
    with pytest.raises(Refused):
        trial.poll(4)
    trial.hold(3)
    assert held_in(trial.reports()[-1]) == {FIRST_KEY + 3}
    trial.control(0x02, 1, 0, 0x84)
    assert trial.control(0x82, 0, index=0x84, data=2) == b"\0\0"
    trial.control(0x02, 3, 0, 0x81)
    with pytest.raises(Refused):
        trial.poll(1)
    assert trial.control(0x82, 0, index=0x84, data=2) == b"\0\0", "nor is the console by the keys"
    trial.control(0x02, 1, 0, 0x81)


# --- what only the whole image can show: time, the bus, a host that misbehaves


def test_rollover_in_every_field(image: bytes) -> None:
    board = board_with(image)
    board.host.control(0x21, 11, 0, 0)
    seven = [f"SW{n}" for n in (1, 2, 3, 4, 5, 9, 10)]
    last = finger(board, *seven, "SW11", for_us=40_000)[-1]
    assert last[2:] == ROLLOVER
    assert last[0] == 0x02, "modifiers stay true"


def test_idle_repeats_at_their_rate(image: bytes) -> None:
    board = board_with(image)
    for time in (2, 5, 25):
        board.host.control(0x21, 10, time << 8, 0)
        finger(board, "SW1")
        board.advance(400_000)
        times = [t_us for t_us, _, payload in board.reports() if FIRST_KEY in payload[2:8]]
        assert len(times) > 2
        for earlier, later in pairwise(times):
            assert abs(later - earlier - 4000 * time) <= 0.1 * 4000 * time + 2000
        finger(board)
    board.host.control(0x21, 10, 0, 0)
    finger(board, "SW1")
    board.advance(1_200_000)
    assert board.reports() == [], "0: only changes"


def test_the_address_changes_after_the_status_stage(image: bytes) -> None:
    device = ChipDevice(image)
    host, usb = device.host, device.board.chip.usb
    for address in (127, 1, 55):
        usb.setup(host._address, bytes((0, 5, address, 0, 0, 0, 0, 0)))
        device.board.chip.run_us(200)
        assert usb.device_address == host._address, "still the old one"
        while not isinstance(usb.data_in(host._address, 0), Packet):
            device.board.chip.run_us(10)
        device.board.chip.run_us(1500)
        assert usb.device_address == address, "within 2 ms"
        host._address = address
        assert len(device.descriptor(1)) == 18


def test_a_reset_in_the_middle_of_anything(any_image: bytes) -> None:
    board = board_with(any_image)
    usb = board.chip.usb
    setups = (
        bytes((0x80, 6, 0, 2, 0, 0, 255, 0)),
        bytes((0x21, 9, 0, 2, 0, 0, 1, 0)),
        bytes((0x00, 5, 9, 0, 0, 0, 0, 0)),
        bytes((0x00, 9, 1, 0, 0, 0, 0, 0)),
    )
    for number, setup in enumerate(setups * 4):
        board.set_closed(frozenset({"SW1"} if number % 2 else ()))
        usb.setup(board.host._address, setup)
        board.chip.run_us(7 * number)
        board.host.enumerate()
    board.set_closed(frozenset({"SW2"}))
    board.advance(20_000)
    last = [payload for _, which, payload in board.reports() if which == "keyboard"][-1]
    assert held_in(last) == {FIRST_KEY + 1}, "and no key of before is down"


def test_a_reset_is_a_fresh_beginning(image: bytes) -> None:
    board = board_with(image)
    finger(board, "SW1")
    board.host.control(0x21, 10, 3 << 8, 0)
    board.host.bus_reset()
    assert board.host.control(0x80, 8, 0, 0, 1) == b"\0"
    # 9.1.1.4: without a configuration there are no pipes but the default one.
    assert board.chip.usb.data_in(0, 1) in (Answer.NAK, Answer.SILENCE)
    board.host.enumerate()
    board.advance(10_000)
    assert held_in([payload for _, _, payload in board.reports()][-1]) == {FIRST_KEY}


def test_suspend_and_resume(any_image: bytes) -> None:
    board = board_with(any_image)
    finger(board, "SW1")
    board.host.suspend()
    board.chip.run_us(30_000)
    board.set_closed(frozenset())
    board.chip.run_us(30_000)
    board.host.resume()
    board.advance(20_000)
    assert held_in([payload for _, _, payload in board.reports()][-1]) == set()


def test_wakes_the_host_only_with_leave(image: bytes) -> None:
    for leave in (False, True):
        board = board_with(image)
        if leave:
            board.host.control(0x00, 3, 1, 0)
        board.host.suspend()
        board.chip.run_us(20_000)
        board.set_closed(frozenset({"SW1"}))
        assert board.host.wait_wake_up(timeout_us=60_000) is leave


def test_a_host_that_stops_reading(image: bytes) -> None:
    """The last state is what it gets, however much has happened meanwhile."""
    device = ChipDevice(image)
    for number in (0, 1, 2, 3, 4):
        device.hold(number)
        device.hold()
    device.board.chip.run_us(3_000_000)
    device.hold(5)
    reports = device.reports()
    assert held_in(reports[-1]) == {FIRST_KEY + 5}
    for earlier, later in pairwise(reports):
        assert len(held_in(earlier) ^ held_in(later)) <= 1, "one change a report: nothing was skipped"


def test_a_host_that_polls_slowly(image: bytes) -> None:
    device = ChipDevice(image)
    seen = []
    for number in (0, 1, 2):
        for held in ((number,), ()):
            device.hold(*held)
            for _ in range(2):
                device.board.chip.run_us(250_000)
                seen += [held_in(report)] if (report := device.poll()) else []
    changes = [seen[0], *[later for earlier, later in pairwise(seen) if later != earlier]]
    assert changes == [{FIRST_KEY}, set(), {FIRST_KEY + 1}, set(), {FIRST_KEY + 2}, set()]


def test_random_requests_leave_the_image_alive(any_image: bytes) -> None:
    import random

    device = ChipDevice(any_image)
    chance = random.Random(5)
    restarts = device.board.chip.restarts
    for _ in range(250):
        packet = bytearray(chance.randbytes(8))
        packet[0] = chance.choice((0x80, 0x81, 0x82, 0xA1, 0x00, 0x01, 0x02, 0x21, packet[0]))
        packet[1] %= 16
        packet[7] = 0
        device.board.chip.usb.setup(device.board.chip.usb.device_address, bytes(packet))
        device.board.chip.run_us(60)
        for _ in range(chance.randrange(3)):
            if chance.randrange(2):
                device.board.chip.usb.data_in(device.board.chip.usb.device_address, 0)
            else:
                length = chance.randrange(65)
                device.board.chip.usb.data_out(
                    device.board.chip.usb.device_address, 0, bool(chance.randrange(2)), bytes(length)
                )
            device.board.chip.run_us(60)
    device.host.enumerate()
    device.hold(1)
    device.board.advance(10_000)
    assert held_in(device.board.reports()[-1][2]) == {FIRST_KEY + 1}
    assert device.board.chip.restarts == restarts, "no assert of ours was reached"
    with pytest.raises(UsbStall):
        device.host.control(0xC0, 1, 0, 0, 8)
