"""One host's view of two devices: the real image in the emulated chip, and its USB code on this computer,
which is reached over USB/IP on loopback."""

from __future__ import annotations

import socket
from abc import ABC, abstractmethod

from usbip.core import Stall
from usbip.host import Connection

from hil.chip.chip_board import ChipBoard
from hil.chip.usb_controller import Packet
from hil.chip.usb_host import UsbStall
from tests.emulator.test_images import FIRST_KEY, WIRING
from tests.keyc.test_usb_descriptors import KEYBOARD as KEYBOARD_REPORT
from tests.keyc.test_usb_descriptors import TRIAL, Device, Stalled, report_of
from tests.usb.usbip_server import UsbIpServer


class Refused(Exception):
    """The device answered STALL."""


class HostedDevice(ABC):
    """A configured boot keyboard with a second interface, as its host meets it; in the trial image there is
    a console behind them."""

    title: str
    has_console = False
    has_serial_number = False

    @property
    def interfaces(self) -> range:
        return range(4 if self.has_console else 2)

    @abstractmethod
    def control(
        self, kind: int, request: int, value: int = 0, index: int = 0, data: bytes | int = 0
    ) -> bytes:
        """One control transfer (USB 2.0, 8.5.3); `data` goes out, or is how many bytes are asked for."""

    @abstractmethod
    def poll(self, endpoint: int = 1) -> bytes | None:
        """One poll of an interrupt endpoint: its packet, or None for NAK."""

    @abstractmethod
    def hold(self, *numbers: int) -> None:
        """The keys whose usages are FIRST_KEY + `numbers` are down from now on, and settled."""

    @abstractmethod
    def begin_again(self) -> None:
        """A bus reset and a new configuration."""

    def descriptor(self, kind: int, number: int = 0, length: int = 255, index: int = 0) -> bytes:
        return self.control(0x80, 6, kind << 8 | number, index, length)

    def report_descriptor(self, interface: int = 0) -> bytes:
        return self.control(0x81, 6, 0x2200, interface, 255)

    def reports(self, endpoint: int = 1) -> list[bytes]:
        """What is there to fetch now. An image may need a scan, a millisecond as a poll is, between two."""
        found = []
        empty = 0
        while empty < 2:
            report = self.poll(endpoint)
            empty = empty + 1 if report is None else 0
            found += [] if report is None else [report]
        return found

    @abstractmethod
    def close(self) -> None:
        """The test is over."""


class ChipDevice(HostedDevice):
    """The image; the host's own frames stand still but where time is let pass."""

    title = "Handmade"

    def __init__(self, image: bytes, *, has_console: bool = False) -> None:
        self.has_console = self.has_serial_number = has_console
        if has_console:
            self.title = "Handmade (trial, with a console)"
        self.board = ChipBoard(image, WIRING)
        self.board.power_on()
        self.begin_again()

    @property
    def host(self):  # type: ignore[no-untyped-def]
        return self.board.host

    def begin_again(self) -> None:
        self.host.enumerate()
        self.control(0x21, 0x0A, 125 << 8, 0)  # the enumeration asked for changes only: back to 500 ms
        self.host.take_reports()
        self.host._frames_run = False  # polled by hand from here on

    def control(
        self, kind: int, request: int, value: int = 0, index: int = 0, data: bytes | int = 0
    ) -> bytes:
        try:
            answer: bytes = self.host.control(kind, request, value, index, data)
        except UsbStall as stall:
            raise Refused from stall
        return answer

    def poll(self, endpoint: int = 1) -> bytes | None:
        self.board.chip.run_us(1000)
        answer = self.board.chip.usb.data_in(self.host._address, endpoint)
        if not isinstance(answer, Packet):
            if answer.name == "STALL":
                raise Refused
            return None
        due = self.host._toggles.get(0x80 | endpoint, False)
        assert answer.data1 is due, "DATA0 and DATA1 in turn (USB 2.0, 8.6)"
        self.host._toggles[0x80 | endpoint] = not due
        return answer.payload

    def close(self) -> None:
        self.board.unplug()

    def hold(self, *numbers: int) -> None:
        self.board.set_closed(frozenset(f"SW{number + 1}" for number in numbers))
        self.board.chip.run_us(7000)


class DeviceOverUsbIp(HostedDevice):
    """The USB code on this computer."""

    title = "Handmade"

    def __init__(self, *, has_console: bool = False) -> None:
        self.has_console = has_console
        kind = TRIAL if has_console else "keyc_usb_keyboard_and_controls"
        self._device = Device(kind, title=self.title)
        self._server = UsbIpServer(self._device.descriptor_of_device, self._transfer)
        self._connection = Connection(socket.create_connection(("127.0.0.1", self._server.port)))
        self._connection.import_device()
        self._device.configure()

    def _transfer(self, endpoint: int, to_host: bool, setup: bytes, data: bytes, length: int) -> bytes | None:
        kind, request = setup[0], setup[1]
        value, index, asked = (int.from_bytes(setup[at : at + 2], "little") for at in (2, 4, 6))
        try:
            if endpoint == 0:
                return self._device.control(kind, request, value, index, asked if to_host else data)
            return self._device.take(2 * endpoint) or b""
        except Stalled:
            return None

    def control(
        self, kind: int, request: int, value: int = 0, index: int = 0, data: bytes | int = 0
    ) -> bytes:
        try:
            if kind & 0x80:
                answer: bytes = self._connection.control(kind, request, value, index, data)
                return answer
            # A length without data is a request that tells something by its length alone.
            assert not isinstance(data, int) or data == 0
            self._connection.control(kind, request, value, index, data or b"")
        except Stall as stall:
            raise Refused from stall
        taken = self._device.taken_back | self._device.c.keyc_usb_take_back(self._device.state)
        for pipe in range(2, 10):
            if taken >> pipe & 1:
                self._device.toggles[pipe] = 0
        return b""

    def poll(self, endpoint: int = 1) -> bytes | None:
        try:
            report: bytes = self._connection.transfer_in(endpoint, 64, interval=1)
        except Stall as stall:
            raise Refused from stall
        return report or None

    def hold(self, *numbers: int) -> None:
        usages = [FIRST_KEY + number for number in numbers]
        if not self._device.send_report(KEYBOARD_REPORT, report_of(*usages)):
            self.reports()
            assert self._device.send_report(KEYBOARD_REPORT, report_of(*usages))

    def begin_again(self) -> None:
        self._device.c.keyc_usb_bus_reset(self._device.state)
        self._device.configure()

    def close(self) -> None:
        self._connection.close()
        self._server.close()
