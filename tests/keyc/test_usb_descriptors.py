"""The USB device logic run on this computer: descriptors, control requests, reports, the console.

Descriptors are read by hid-tools and by the rules of USB 2.0 chapter 9, HID 1.11 and CDC 1.2; chapters
and sections are named beside each check.
"""

from __future__ import annotations

import ctypes
import random
from collections.abc import Iterator
from typing import Any

import pytest
from hidtools.hid import ReportDescriptor

from keyc.diagnostics import UserError
from keyc.engine.library import load

NOTHING, PACKET, STALL = 0, 1, 2  # enum keyc_usb_next
TO_HOST, FROM_HOST = 0, 1  # pipes of endpoint 0
KEYBOARD, CONSUMER, SYSTEM, POINTER = 0, 1, 2, 3
TRIAL = "keyc_usb_trial"  # put together in memory: a keyboard with a second interface, and a console


class _Identity(ctypes.Structure):
    _fields_ = (("device", ctypes.c_char_p), ("strings", ctypes.c_char_p * 4))


class _Packet(ctypes.Structure):
    _fields_ = (
        ("bytes", ctypes.POINTER(ctypes.c_uint8)),
        ("length", ctypes.c_uint32),
        ("data1", ctypes.c_bool),
    )


class Stalled(Exception):
    pass


def string_descriptor(text: str) -> bytes:
    units = text.encode("utf-16-le")
    return bytes([2 + len(units), 3]) + units


class Device:
    """The C device, with a host that checks toggles and lengths."""

    def __init__(self, kind: str, title: str = "Slipway") -> None:
        self.c: Any = load().functions
        self.state = ctypes.create_string_buffer(1024)
        self.context = ctypes.create_string_buffer(4096)
        self.c.keyc_usb_keys_send.restype = ctypes.c_bool
        self.title = string_descriptor(title)
        device_class = {"keyc_usb_console": b"\x02\0\0", TRIAL: b"\xef\x02\x01"}.get(kind, bytes(3))
        self.descriptor_of_device = (
            bytes((18, 1, 0, 2)) + device_class + b"\x40" + bytes.fromhex("0912 0100 2301 01 02 00 01")
        )
        strings = (b"\x04\x03\x09\x04", string_descriptor("Bench"), self.title, None)
        self.identity = _Identity(self.descriptor_of_device, (ctypes.c_char_p * 4)(*strings))
        begin = "keyc_usb_console_begin" if kind == "keyc_usb_console" else "keyc_usb_keys_begin"
        getattr(self.c, begin)(self.context)
        if kind == TRIAL:
            self.console = ctypes.create_string_buffer(4096)
            self.made = ctypes.create_string_buffer(1024)
            self.c.keyc_usb_console_begin(self.console)
            keys = ctypes.addressof(ctypes.c_uint8.in_dll(self.c, "keyc_usb_keyboard_and_controls"))
            self.c.keyc_usb_trial_begin(self.made, ctypes.c_void_p(keys), self.console)
            device = ctypes.addressof(self.made)
        else:
            device = ctypes.addressof(ctypes.c_uint8.in_dll(self.c, kind))
        self.c.keyc_usb_begin(self.state, ctypes.c_void_p(device), ctypes.byref(self.identity), self.context)
        self.toggles = [0] * 10
        self.taken_back = 0

    def next(self, pipe: int) -> tuple[int, bytes, bool]:
        packet = _Packet()
        what = self.c.keyc_usb_next(self.state, pipe, ctypes.byref(packet))
        data = (
            bytes(packet.bytes[: packet.length])
            if what == PACKET and pipe % 2 == 0 and packet.length
            else b""
        )
        return what, data, packet.data1

    def setup(self, kind: int, request: int, value: int, index: int, length: int) -> None:
        packet = bytes((kind, request)) + b"".join(n.to_bytes(2, "little") for n in (value, index, length))
        self.c.keyc_usb_setup(self.state, packet)
        self.taken_back = self.c.keyc_usb_take_back(self.state)
        assert self.taken_back & 3 == 3, "buffers armed before a SETUP are stale"

    def control(
        self, kind: int, request: int, value: int = 0, index: int = 0, data: bytes | int = 0
    ) -> bytes:
        """USB 2.0, 8.5.3: SETUP, data beginning with DATA1, status with DATA1."""
        length = data if isinstance(data, int) else len(data)
        self.setup(kind, request, value, index, length)
        received = b""
        toggle = True
        if kind & 0x80 and length:
            while True:
                what, chunk, data1 = self.next(TO_HOST)
                if what == STALL:
                    assert self.next(FROM_HOST)[0] == STALL
                    raise Stalled
                assert (what, data1) == (PACKET, toggle)
                assert len(chunk) <= 64
                received += chunk
                toggle = not toggle
                self.c.keyc_usb_done(self.state, TO_HOST, None, 0)
                if len(chunk) < 64 or len(received) >= length:
                    break
            assert len(received) <= length
            what, _, data1 = self.next(FROM_HOST)
            assert (what, data1) == (PACKET, True)
            self.c.keyc_usb_done(self.state, FROM_HOST, b"", 0)
            return received
        if length and not isinstance(data, int):
            what, _, data1 = self.next(FROM_HOST)
            if what == STALL:
                raise Stalled
            assert (what, data1) == (PACKET, True)
            self.c.keyc_usb_done(self.state, FROM_HOST, data, len(data))
        what, chunk, data1 = self.next(TO_HOST)
        if what == STALL:
            raise Stalled
        assert (what, chunk, data1) == (PACKET, b"", True)
        self.c.keyc_usb_done(self.state, TO_HOST, None, 0)
        return b""

    def descriptor(
        self, kind: int, index: int = 0, interface: int = 0, length: int = 0xFFFF, of: int = 0x80
    ) -> bytes:
        return self.control(of, 6, kind << 8 | index, interface, length)

    def configure(self) -> None:
        self.control(0x00, 5, 1)
        self.control(0x00, 9, 1)
        self.c.keyc_usb_take_back(self.state)
        self.toggles = [0] * 10

    def take(self, pipe: int) -> bytes | None:
        """One packet of a pipe to the host; None is a NAK."""
        what, data, data1 = self.next(pipe)
        if what == STALL:
            raise Stalled
        if what == NOTHING:
            return None
        assert data1 == bool(self.toggles[pipe]), "DATA0 and DATA1 in turn (8.6)"
        self.toggles[pipe] ^= 1
        self.c.keyc_usb_done(self.state, pipe, None, 0)
        return data

    def send_report(self, kind: int, report: bytes, now_us: int = 0) -> bool:
        taken: bool = self.c.keyc_usb_keys_send(self.state, kind, report, len(report), now_us)
        return taken


KINDS = [
    "keyc_usb_keyboard",
    "keyc_usb_keyboard_and_controls",
    "keyc_usb_console",
    "keyc_usb_keyboard_and_pointer",
    TRIAL,
]


@pytest.fixture(autouse=True)
def _needs_a_compiler() -> None:
    try:
        load()
    except UserError as error:  # no C compiler here
        pytest.skip(error.message)


def parts(configuration: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(configuration):
        assert configuration[at] >= 2
        yield configuration[at : at + configuration[at]]
        at += configuration[at]
    assert at == len(configuration)


# --- descriptors


@pytest.mark.parametrize("kind", KINDS)
def test_the_configuration_descriptor(kind: str) -> None:
    device = Device(kind)
    configuration = device.descriptor(2)
    assert int.from_bytes(configuration[2:4], "little") == len(configuration)  # table 9-10: wTotalLength
    assert device.descriptor(2, length=9) == configuration[:9], "what is asked for and no more"
    found = list(parts(configuration))
    assert found[0][4] == sum(part[1] == 4 for part in found), "bNumInterfaces"
    assert found[0][7] & 0x9F == 0x80, "table 9-10: D7 set, D4 to D0 clear"
    assert found[0][8] <= 250
    for interface in (part for part in found if part[1] == 4):
        assert len(interface) == 9
    for endpoint in (part for part in found if part[1] == 5):
        assert len(endpoint) == 7  # table 9-13
        assert int.from_bytes(endpoint[4:6], "little") <= 64  # 5.7.3, 5.8.3: full speed
        if endpoint[3] & 3 == 3:
            assert 1 <= endpoint[6] <= 255


def test_a_boot_keyboard_comes_first_and_its_parts_in_order() -> None:
    for kind in KINDS[:2]:
        device = Device(kind)
        found = list(parts(device.descriptor(2)))
        assert [part[1] for part in found[1:4]] == [4, 0x21, 5]  # HID 1.11, 7.1
        assert found[1][5:8] == b"\x03\x01\x01"  # 4.2, 4.3: HID, boot interface, keyboard
        for number, hid in enumerate(part for part in found if part[1] == 0x21):
            assert len(hid) == 9
            assert hid[2:4] == b"\x11\x01"
            report = device.descriptor(0x22, interface=number, of=0x81)
            assert int.from_bytes(hid[7:9], "little") == len(report)
            assert device.descriptor(0x21, interface=number, of=0x81) == hid


def test_strings() -> None:
    device = Device(KINDS[0], title="Läufer 12 ☂")
    assert device.descriptor(3)[2:] == b"\x09\x04"
    assert device.descriptor(3, 2, 0x0409)[2:].decode("utf-16-le") == "Läufer 12 ☂"
    with pytest.raises(Stalled):
        device.descriptor(3, 3, 0x0409)


@pytest.mark.parametrize("characters", [30, 31, 32, 63, 126])
def test_a_descriptor_that_fills_its_last_packet_ends_with_an_empty_one(characters: int) -> None:
    # USB 2.0, 8.5.3.2; 31 characters are exactly one packet of 64 bytes, 63 are two.
    device = Device(KINDS[0], title="x" * characters)
    found = device.descriptor(3, 2, 0x0409)
    assert found == device.title
    if len(found) % 64 == 0:
        device.setup(0x80, 6, 3 << 8 | 2, 0x0409, 255)
        sizes = []
        while (answer := device.next(TO_HOST))[0] == PACKET:
            sizes.append(len(answer[1]))
            device.c.keyc_usb_done(device.state, TO_HOST, None, 0)
        assert sizes == [64] * (len(found) // 64) + [0]
        # Asked for exactly as much, there is nothing to end.
        device.setup(0x80, 6, 3 << 8 | 2, 0x0409, len(found))
        sizes = []
        while (answer := device.next(TO_HOST))[0] == PACKET:
            sizes.append(len(answer[1]))
            device.c.keyc_usb_done(device.state, TO_HOST, None, 0)
        assert sizes == [64] * (len(found) // 64)


# --- report descriptors, read by hid-tools


def test_keyboard_reports_as_hid_tools_reads_them() -> None:
    device = Device(KINDS[0])
    descriptor = ReportDescriptor.from_bytes(device.descriptor(0x22, of=0x81))
    (report,) = descriptor.input_reports.values()
    assert not report.numbered, "the boot interface's report has no id"
    assert report.application_name == "Keyboard"
    assert report.bitsize == 36 * 8
    (lights,) = descriptor.output_reports.values()
    assert lights.bitsize == 8
    # Left shift, A and F24: modifiers, one reserved byte, six keys (HID 1.11, B.1), then the bits.
    bits = bytearray(28)
    for usage in (0x04, 0x73):
        bits[usage // 8] |= 1 << usage % 8
    payload = list(bytes((0x02, 0, 0x04, 0x73, 0, 0, 0, 0)) + bits)
    down = {field.usage for field in report if not field.is_const and any(field.get_values(payload))}
    assert down == {0x0700E1, 0x070004, 0x070073}


def test_second_reports_as_hid_tools_reads_them() -> None:
    device = Device(KINDS[1])
    descriptor = ReportDescriptor.from_bytes(device.descriptor(0x22, interface=1, of=0x81))
    assert set(descriptor.input_reports) == {CONSUMER, SYSTEM}
    consumer, system = descriptor.input_reports[CONSUMER], descriptor.input_reports[SYSTEM]
    assert (consumer.application_name, consumer.size) == ("Consumer Control", 5)
    assert (system.application_name, system.size) == ("System Control", 2)
    volume = [field for field in consumer if not field.is_const]
    assert [field.get_values([1, 0xE9, 0x00, 0xEA, 0x00]) for field in volume] == [[0xE9, 0xEA]]
    (sleep,) = (field for field in system if not field.is_const)
    assert sleep.get_values([2, 0x82]) == [0x82]
    assert (sleep.logical_min, sleep.logical_max) == (0x81, 0xB7)
    assert sleep.usages is not None
    assert sleep.usages[0] == 0x010081, "logical value and usage are the same number"


def test_pointer_reports_as_hid_tools_reads_them() -> None:
    """Five buttons, X, Y and the wheel of the Generic Desktop page, AC Pan (0x0238) of the consumer page."""
    device = Device(KINDS[3])
    descriptor = ReportDescriptor.from_bytes(device.descriptor(0x22, interface=1, of=0x81))
    assert set(descriptor.input_reports) == {CONSUMER, SYSTEM, POINTER}
    pointer = descriptor.input_reports[POINTER]
    assert (pointer.application_name, pointer.size) == ("Mouse", 6)
    payload = [3, 0b10001, 5, 0xFE, 1, 0xFF]
    values = {field.usage: field.get_values(payload)[0] for field in pointer if not field.is_const}
    assert [values[0x090000 | button] for button in range(1, 6)] == [1, 0, 0, 0, 1]
    moves = [field for field in pointer if field.usage in (0x010030, 0x010031, 0x010038, 0x0C0238)]
    assert [values[field.usage] for field in moves] == [5, -2, 1, -1]
    assert all(field.type & 4 for field in moves), "relative (HID 1.11, 6.2.2.5)"


# --- requests


@pytest.mark.parametrize("kind", KINDS)
def test_standard_requests(kind: str) -> None:
    device = Device(kind)
    assert device.control(0x80, 8, data=1) == b"\x00"
    with pytest.raises(Stalled):
        device.control(0x82, 0, index=0x81, data=2)  # 9.4.5: before it is configured only endpoint 0
    device.configure()
    assert device.control(0x80, 8, data=1) == b"\x01"
    assert device.control(0x80, 0, data=2) == b"\x00\x00"
    assert device.control(0x81, 0, data=2) == b"\x00\x00"
    assert device.control(0x81, 10, data=1) == b"\x00"
    device.control(0x01, 11, 0)
    for bad in (
        (0x80, 6, 0x0600, 0, 10),  # device qualifier: 9.6.2, full speed only
        (0x00, 7, 0x0100, 0, 0),
        (0x00, 9, 2, 0, 0),
        (0x01, 11, 1, 0, 0),
        (0x81, 10, 0, 9, 1),
        (0x82, 0, 0, 0x8F, 2),
        (0x00, 3, 2, 0, 0),  # test mode
        (0xC0, 0x51, 0, 0, 8),  # nothing is vendor specific
        (0x40, 0x51, 0, 0, 0),
        (0xC1, 1, 0, 0, 8),
    ):
        with pytest.raises(Stalled):
            device.control(*bad)
        assert device.control(0x80, 8, data=1) == b"\x01", "the next SETUP heals the pipe"


def test_the_address_counts_only_after_the_status_stage() -> None:
    # USB 2.0, 9.4.6. One byte of the state is the address that the port gives to the controller.
    device = Device(KINDS[0])
    device.setup(0x00, 5, 77, 0, 0)
    waiting = bytes(device.state)
    device.next(TO_HOST)
    assert sum(old != 77 and new == 77 for old, new in zip(waiting, bytes(device.state), strict=True)) == 0
    device.c.keyc_usb_done(device.state, TO_HOST, None, 0)
    changed = [old for old, new in zip(waiting, bytes(device.state), strict=True) if old != new == 77]
    assert changed == [0]


def test_remote_wake_up_is_the_hosts_to_allow() -> None:
    device = Device(KINDS[0])
    device.configure()
    device.control(0x00, 3, 1)
    assert device.control(0x80, 0, data=2) == b"\x02\x00"  # figure 9-4
    device.control(0x00, 1, 1)
    assert device.control(0x80, 0, data=2) == b"\x00\x00"
    bench = Device(KINDS[2])
    bench.configure()
    with pytest.raises(Stalled):
        bench.control(0x00, 3, 1)


def test_hid_requests() -> None:
    device = Device(KINDS[1])
    with pytest.raises(Stalled):
        device.control(0xA1, 2, data=1)  # not configured
    device.configure()
    assert device.control(0xA1, 3, data=1) == b"\x01"  # HID 1.11, 7.2.6: begins in the report protocol
    assert device.control(0xA1, 2, data=1) == b"\x7d"  # 7.2.4: 500 ms
    device.control(0x21, 10, 25 << 8)
    assert device.control(0xA1, 2, data=1) == b"\x19"
    assert device.control(0xA1, 2, 2, 1, 1) == b"\x00"
    device.control(0x21, 10, 7 << 8, 1)
    assert [device.control(0xA1, 2, report, 1, 1) for report in (1, 2)] == [b"\x07", b"\x07"]
    device.control(0x21, 10, 9 << 8 | 2, 1)
    assert [device.control(0xA1, 2, report, 1, 1) for report in (1, 2)] == [b"\x07", b"\x09"]
    device.control(0x21, 9, 0x0200, 0, b"\xff")
    assert device.control(0xA1, 1, 0x0200, 0, 1) == b"\x1f", "five indicators (B.1)"
    device.control(0x21, 11, 0)
    assert device.control(0xA1, 3, data=1) == b"\x00"
    assert len(device.control(0xA1, 1, 0x0100, 0, 64)) == 8, "a boot report"
    device.control(0x21, 11, 1)
    assert len(device.control(0xA1, 1, 0x0100, 0, 64)) == 36
    assert device.control(0xA1, 1, 0x0101, 1, 64) == b"\x01\0\0\0\0"
    for bad in (
        (0xA1, 1, 0x0300, 0, 8),  # no feature report
        (0xA1, 1, 0x0105, 1, 8),
        (0x21, 11, 2, 0, 0),
        (0x21, 11, 0, 1, 0),  # only the boot interface has a protocol
        (0xA1, 3, 0, 5, 1),
        (0x21, 9, 0x0100, 0, b"\0"),
        (0x21, 9, 0x0200, 0, bytes(64)),
    ):
        with pytest.raises(Stalled):
            device.control(*bad)


# --- reports


def report_of(*usages: int) -> bytes:
    bits = bytearray(28)
    for usage in usages:
        bits[usage // 8] |= 1 << usage % 8
    return bytes((0, 0, *usages, *[0] * (6 - len(usages)))) + bits


def test_reports_go_out_once_and_are_acknowledged() -> None:
    device = Device(KINDS[1])
    device.configure()
    assert device.take(2) is None
    assert device.send_report(KEYBOARD, report_of(4))
    assert not device.send_report(KEYBOARD, report_of(5)), "the host hasn't taken the one before"
    assert device.send_report(CONSUMER, b"\xe9\0\0\0")
    assert device.c.keyc_usb_keys_take_sent(device.state) == 0
    assert device.take(2) == report_of(4)
    assert device.take(2) is None
    assert device.take(4) == b"\x01\xe9\0\0\0"
    assert device.c.keyc_usb_keys_take_sent(device.state) == 0b011
    assert device.c.keyc_usb_keys_take_sent(device.state) == 0
    assert device.send_report(KEYBOARD, report_of())
    assert device.take(2) == report_of()


def test_what_the_pointer_moved_is_told_once() -> None:
    """No idle repeat and no host that comes late moves it again (HID 1.11, 7.2.4); the buttons stay."""
    device = Device(KINDS[3])
    device.configure()
    moved = bytes((1, 5, 0xFE, 1, 0xFF))
    assert device.send_report(POINTER, moved, 1000)
    assert device.take(4) == b"\x03" + moved
    assert device.c.keyc_usb_keys_take_sent(device.state) == 0b1000
    device.control(0x21, 10, 1 << 8 | POINTER, 1)
    device.c.keyc_usb_keys_repeat_idle(device.state, 6000)
    assert device.take(4) == bytes((3, 1, 0, 0, 0, 0))
    assert device.control(0xA1, 1, 1 << 8 | POINTER, 1, 6) == bytes((3, 1, 0, 0, 0, 0))
    late = Device(KINDS[3])
    late.send_report(POINTER, moved)
    late.configure()
    assert late.take(4) == bytes((3, 1, 0, 0, 0, 0))


def test_in_the_boot_protocol_only_the_first_eight_bytes_go_out() -> None:
    device = Device(KINDS[0])
    device.configure()
    device.control(0x21, 11, 0)
    device.send_report(KEYBOARD, report_of(4)[:8])
    assert device.take(2) == report_of(4)[:8]


def test_a_key_held_while_the_host_comes_is_told_then() -> None:
    device = Device(KINDS[0])
    assert device.send_report(KEYBOARD, report_of(4)), "nobody listens: remembered, and taken as told"
    assert device.c.keyc_usb_keys_take_sent(device.state) == 1
    device.configure()
    assert device.take(2) == report_of(4)
    device.c.keyc_usb_bus_reset(device.state)
    device.configure()
    assert device.take(2) == report_of(4), "and to a host that forgot it"


def test_a_key_released_while_the_host_sleeps_does_not_stick() -> None:
    device = Device(KINDS[0])
    device.configure()
    device.send_report(KEYBOARD, report_of(4))
    device.take(2)
    device.c.keyc_usb_keys_take_sent(device.state)
    device.c.keyc_usb_suspended(device.state, True)
    assert device.send_report(KEYBOARD, report_of())
    assert device.take(2) is None
    device.c.keyc_usb_suspended(device.state, False)
    assert device.take(2) == report_of()


def test_idle_repeats() -> None:
    device = Device(KINDS[0])
    device.configure()
    repeat = device.c.keyc_usb_keys_repeat_idle
    repeat.restype = ctypes.c_uint32
    device.send_report(KEYBOARD, report_of(4), 1000)
    device.take(2)
    assert repeat(device.state, 1000) == 500_000  # HID 1.11, 7.2.4: 500 ms until the host says otherwise
    assert repeat(device.state, 501_000) == 500_000
    assert device.take(2) == report_of(4)
    device.control(0x21, 10, 0)
    assert repeat(device.state, 10_000_000) == 0xFFFFFFFF
    assert device.take(2) is None
    device.control(0x21, 10, 1 << 8)
    repeat(device.state, 0xFFFFFF00)
    device.take(2)
    assert repeat(device.state, 0x00000100) == 4000 - 0x200, "across the clock's wrap"


def test_a_halted_endpoint_stalls_and_begins_again_with_data0() -> None:
    device = Device(KINDS[0])
    device.configure()
    device.send_report(KEYBOARD, report_of(4))
    device.take(2)
    device.send_report(KEYBOARD, report_of(5))
    device.control(0x02, 3, 0, 0x81)  # 9.4.9
    assert device.taken_back & 4
    with pytest.raises(Stalled):
        device.take(2)
    assert device.control(0x82, 0, 0, 0x81, 2) == b"\x01\x00"
    device.control(0x02, 1, 0, 0x81)  # 9.4.5
    device.toggles[2] = 0
    assert device.take(2) == report_of(5), "what was under way isn't lost"


# --- the console


def console_with(text: bytes) -> Device:
    device = Device(KINDS[2])
    device.configure()
    device.c.keyc_usb_console_write(device.context, text, len(text))
    return device


def test_the_console_says_what_it_is() -> None:
    device = Device(KINDS[2])
    found = list(parts(device.descriptor(2)))
    assert [part[1] for part in found] == [2, 4, 0x24, 0x24, 0x24, 0x24, 5, 4, 5, 5]
    assert found[1][5:8] == b"\x02\x02\x00", "PSTN 1.2: abstract control model, no AT commands"
    assert [part[2] for part in found if part[1] == 0x24] == [0, 1, 2, 6]  # CDC 1.2, table 13
    assert found[5][3:] == b"\x00\x01", "union: control, then data"
    assert found[7][5] == 0x0A


def test_console_requests() -> None:
    device = Device(KINDS[2])
    device.configure()
    device.control(0x21, 0x20, 0, 0, bytes.fromhex("80250000000008"))
    assert device.control(0xA1, 0x21, 0, 0, 7) == bytes.fromhex("80250000000008")
    device.control(0x21, 0x22, 3)
    for bad in (
        (0x21, 0x20, 0, 0, b"\0"),
        (0x21, 0x23, 0, 0, 0),
        (0x21, 0x22, 0, 1, 0),
        (0xA1, 0x22, 0, 0, 1),
    ):
        with pytest.raises(Stalled):
            device.control(*bad)


@pytest.mark.parametrize("length", [1, 63, 64, 65, 128, 512])
def test_console_text_arrives_whole(length: int) -> None:
    text = bytes(n % 251 for n in range(length))
    device = console_with(text)
    got = b""
    sizes = []
    while (packet := device.take(8)) is not None:
        sizes.append(len(packet))
        got += packet
    assert got == text
    assert sizes[-1] < 64, "a short packet or an empty one says that this was all (5.8.3)"


def test_a_console_nobody_reads_takes_what_it_can() -> None:
    device = console_with(bytes(300))
    assert device.c.keyc_usb_console_write(device.context, bytes(300), 300) == 212
    got = sum(len(packet) for packet in iter(lambda: device.take(8), None))
    assert got == 512


def test_console_input() -> None:
    device = Device(KINDS[2])
    device.configure()
    buffer = ctypes.create_string_buffer(64)
    got = b""
    for n in range(40):
        assert device.next(9)[0] == PACKET
        device.c.keyc_usb_done(device.state, 9, bytes([n]) * 64, 64)
        count = device.c.keyc_usb_console_read(device.context, buffer, 64)
        got += buffer.raw[:count]
    assert got == b"".join(bytes([n]) * 64 for n in range(40))
    for _ in range(8):
        assert device.next(9)[0] == PACKET
        device.c.keyc_usb_done(device.state, 9, bytes(64), 64)
    assert device.next(9)[0] == NOTHING, "NAK until somebody reads"


# --- a host gone mad


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_a_host_sends_breaks_the_device(kind: str) -> None:
    picks = random.Random(kind)
    device = Device(kind)
    for _ in range(4000):
        match picks.randrange(8):
            case 0 | 1:
                packet = bytes(
                    picks.choice((picks.randrange(256), picks.randrange(4), 0x80, 0x21, 0xA1))
                    for _ in range(8)
                )
                device.c.keyc_usb_setup(device.state, packet)
            case 2 | 3:
                pipe = picks.randrange(10)
                device.c.keyc_usb_done(
                    device.state, pipe, picks.randbytes(64), picks.choice((0, 1, 7, 8, 63, 64))
                )
            case 4:
                device.c.keyc_usb_suspended(device.state, picks.random() < 0.5)
            case 5 if picks.random() < 0.1:
                device.c.keyc_usb_bus_reset(device.state)
            case 6 if kind != "keyc_usb_console":
                device.send_report(picks.randrange(4), picks.randbytes(36), picks.randrange(1 << 32))
            case _:
                device.c.keyc_usb_take_back(device.state)
                for pipe in range(10):
                    what, data, _ = device.next(pipe)
                    assert what in (NOTHING, PACKET, STALL)
                    assert len(data) <= 64
    # Whatever it did, the next host is served.
    device.c.keyc_usb_suspended(device.state, False)
    device.c.keyc_usb_bus_reset(device.state)
    device.configure()
    assert device.control(0x80, 8, data=1) == b"\x01"
