"""A full-speed USB host for the emulated chip, as far as a keyboard and its console need one.

It polls as a host does (USB 2.0, chapters 5, 8 and 9): 1 ms frames, NAK and STALL, DATA0 and DATA1 checked
on every packet, interrupt endpoints asked every bInterval frames, control transfers with a data stage
either way. Time is the chip's: every transaction takes as long as its bits take at 12 Mbit/s, and the
image runs meanwhile. A device that breaks a rule raises `UsbError` with the rule.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from hil.chip.chip import Chip
from hil.chip.usb_controller import Answer, Packet, UsbController
from hil.chip.usb_descriptors import Device, Endpoint, Interface, Transfer, UsbError, interfaces_of

FRAME_US = 1000
_DEBOUNCE_US = 20_000  # 100 ms at least for a real host (7.1.7.3); nothing bounces here
_RESET_US = 10_000  # 7.1.7.5: TDRST
_RECOVERY_US = 10_000  # 7.1.7.5: TRSTRCY
_RETRY_US = 50.0  # a NAK is asked again this soon within a frame
_CONTROL_TIMEOUT_US = 5_000_000  # 9.2.6.1
_BULK_PER_FRAME = 19  # 5.8.4: 64-byte packets that fit into a frame

_DEVICE, _CONFIGURATION, _STRING = 1, 2, 3
_HID, _HID_REPORT = 0x21, 0x22

_CLASS_HID, _CLASS_CDC, _CLASS_CDC_DATA = 0x03, 0x02, 0x0A


class NoDevice(UsbError):
    """Nothing pulled its line up in time."""


class UsbStall(UsbError):
    """The device answered STALL: it doesn't know the request, or the endpoint is halted."""


@dataclass(frozen=True, slots=True)
class InputReport:
    """One packet of an interrupt IN endpoint of a HID interface."""

    t_us: int
    interface: int
    payload: bytes


class UsbHost:
    """The computer at the other end of the cable.

    `cable` False is a board whose data lines lead nowhere: power, and no device ever.
    `terminal_reads` is whether somebody reads the serial port; a host asks a CDC device for bytes only
    while a program has the port open and takes them.
    """

    def __init__(self, chip: Chip, *, cable: bool = True) -> None:
        self.chip = chip
        self._cable = cable
        self.terminal_reads = True
        # What came before the device left stays readable.
        self.reports: list[InputReport] = []
        self._received = bytearray()
        self.leave()

    def leave(self) -> None:
        """Forget the device: it was unplugged, or is about to be."""
        self.device: Device | None = None
        self.naks = 0
        self._address = 0
        self._toggles: dict[int, bool] = {}
        self._frame = 0
        self._frames_run = False
        self._next_frame_ns = 0.0
        self._due: dict[int, int] = {}
        self._to_send = bytearray()
        self._port_open = False
        self._busy = False

    # --- time

    def advance(self, microseconds: float) -> None:
        """Let time pass, with a frame every millisecond while the bus is awake."""
        self._run_to(self.chip.now_ns + microseconds * 1000)

    def serve(self, microseconds: float) -> None:
        """As `advance`, but do what an operating system does: enumerate what comes, forget what goes."""
        end_ns = self.chip.now_ns + microseconds * 1000
        while self.chip.now_ns < end_ns:
            if self.device is None and self.attached:
                try:
                    self.enumerate()
                except UsbError:
                    if self.attached:
                        raise
            else:
                step_ns = FRAME_US * 1000
                self._run_to(min(end_ns, self._next_frame_ns if self.device else self.chip.now_ns + step_ns))

    def _run_to(self, moment_ns: float) -> None:
        while self._frames_run and self._next_frame_ns <= moment_ns:
            self.chip.run_until_ns(self._next_frame_ns)
            self._next_frame_ns += FRAME_US * 1000
            self._start_frame()
        self.chip.run_until_ns(moment_ns)

    def _start_frame(self) -> None:
        if not self.attached or self.chip.usb.take_let_go():
            # Not inside a transfer, which has something to say about that itself.
            if not self._busy:
                self.leave()
            return
        self._frame += 1
        self.chip.usb.start_of_frame(self._frame)
        # Not inside another transfer: a frame's polls have their turn once it is over.
        if self.device and not self._busy:
            self._busy = True
            try:
                self._poll(self.device)
            finally:
                self._busy = False

    # --- coming and going

    @property
    def attached(self) -> bool:
        """A device shows its pull-up."""
        return self._cable and self.chip.running and self.chip.usb.pulled_up

    def wait_attached(self, timeout_us: int = 2_000_000) -> None:
        """Run until a device shows itself; raises NoDevice when none does."""
        end_ns = self.chip.now_ns + timeout_us * 1000
        while not self.attached:
            if self.chip.now_ns >= end_ns:
                raise NoDevice(f"no device showed itself within {timeout_us // 1000} ms")
            self.chip.run_us(FRAME_US)

    def wait_detached(self, timeout_us: int = 2_000_000) -> None:
        """Run until the device lets go of the bus; raises UsbError when it stays."""
        end_ns = self.chip.now_ns + timeout_us * 1000
        while self.attached and self.device is not None:
            if self.chip.now_ns >= end_ns:
                raise UsbError(f"the device was still there after {timeout_us // 1000} ms")
            self.advance(FRAME_US)
        self.leave()

    def bus_reset(self) -> None:
        """Both lines low for 10 ms, then the time a device has to recover."""
        self.device = None
        self._frames_run = False
        self._address = 0
        self._toggles = {}
        self._due = {}
        self._usb().take_let_go()
        self._usb().bus_reset()
        self.chip.run_us(_RESET_US)
        self._usb().bus_idle()
        self._frames_run = True
        self._next_frame_ns = self.chip.now_ns
        self.advance(_RECOVERY_US)

    def enumerate(self, timeout_us: int = 2_000_000) -> Device:
        """Wait for a device, reset it, give it an address, read its descriptors, configure it."""
        self.leave()
        self.wait_attached(timeout_us)
        self.chip.run_us(_DEBOUNCE_US)
        if not self.attached:
            raise UsbError("the device was gone again before it was reset")
        self.bus_reset()
        first = self._descriptor(_DEVICE, 0, 0, 8)
        if len(first) < 8 or first[7] != 64:
            # 5.5.3 allows 8, 16, 32 or 64; the chip's buffers are laid out for 64.
            raise UsbError(f"the device descriptor begins {first.hex(' ')}: bMaxPacketSize0 isn't 64")
        self.control(0x00, 5, 1, 0)
        self._address = 1
        self.advance(2000)  # 9.2.6.3
        device = self._descriptor(_DEVICE, 0, 0, 18)
        configuration = self._descriptor(_CONFIGURATION, 0, 0, 9)
        total = int.from_bytes(configuration[2:4], "little")
        configuration = self._descriptor(_CONFIGURATION, 0, 0, total)
        interfaces = interfaces_of(configuration)
        names = [self._string(index) for index in device[14:17]]
        self.control(0x00, 9, configuration[5], 0)
        reports: dict[int, bytes] = {}
        for interface in interfaces:
            for extra in interface.extra:
                if interface.class_code == _CLASS_HID and extra[1] == _HID:
                    length = int.from_bytes(extra[7:9], "little")
                    self._set_idle(interface.number)
                    reports[interface.number] = self._descriptor(
                        _HID_REPORT, 0, interface.number, length, 0x81
                    )
        self.device = Device(device, configuration, interfaces, (names[0], names[1], names[2]), reports)
        return self.device

    def suspend(self) -> None:
        """Stop the frames; after 3 ms of silence the device sees that it is suspended."""
        self._frames_run = False
        self.chip.run_us(3000)
        self._usb().suspend()

    def resume(self) -> None:
        """Drive K for 20 ms (7.1.7.7), then frames again."""
        self._usb().resume()
        self.chip.run_us(20_000)
        self._frames_run = True
        self._next_frame_ns = self.chip.now_ns
        self.advance(_RECOVERY_US)

    def wait_wake_up(self, timeout_us: int = 1_000_000) -> bool:
        """While suspended: run until the device asks to be woken up; False when it doesn't."""
        end_ns = self.chip.now_ns + timeout_us * 1000
        while self.chip.now_ns < end_ns:
            if self._usb().take_wake_up():
                return True
            self.chip.run_us(FRAME_US)
        return False

    # --- transfers

    def control(
        self, request_type: int, request: int, value: int, index: int, data: bytes | int = b""
    ) -> bytes:
        """A control transfer. `data` is what goes out, or how many bytes are asked for.

        Raises UsbStall when the device refuses, UsbError when it breaks the protocol.
        """
        length = data if isinstance(data, int) else len(data)
        packet = bytes((request_type, request)) + b"".join(
            number.to_bytes(2, "little") for number in (value, index, length)
        )
        self._wait_idle()
        self._busy = True
        try:
            return self._control(packet, data)
        finally:
            self._busy = False

    def _control(self, packet: bytes, data: bytes | int) -> bytes:
        if self._usb().setup(self._address, packet) is Answer.SILENCE:
            raise UsbError(f"nothing answers at address {self._address}")
        self._spend(8 + 8)
        received = bytearray()
        toggle = True  # 8.5.3: the data stage begins with DATA1, the status stage is DATA1
        if isinstance(data, int):
            while len(received) < data:
                chunk = self._in(0, toggle)
                toggle = not toggle
                received += chunk
                if len(received) > data:
                    raise UsbError(f"{len(received)} bytes came where {data} were asked for")
                if len(chunk) < 64:
                    break
        else:
            for start in range(0, len(data), 64):
                self._out(0, toggle, data[start : start + 64])
                toggle = not toggle
        if isinstance(data, int) and data:
            self._out(0, True, b"")
        elif self._in(0, True):
            raise UsbError("the status stage carried data")
        return bytes(received)

    def bulk_out(self, endpoint: Endpoint, data: bytes) -> None:
        """Send bytes; a length that fills its last packet is not followed by an empty one."""
        self._wait_idle()
        for start in range(0, len(data), endpoint.max_packet):
            key = endpoint.address
            self._out(
                endpoint.number, self._toggles.get(key, False), data[start : start + endpoint.max_packet]
            )
            self._toggles[key] = not self._toggles.get(key, False)

    def bulk_in(self, endpoint: Endpoint, length: int) -> bytes:
        """Take up to `length` bytes; ends with a short packet."""
        self._wait_idle()
        received = bytearray()
        while len(received) < length:
            key = endpoint.address
            chunk = self._in(endpoint.number, self._toggles.get(key, False))
            self._toggles[key] = not self._toggles.get(key, False)
            received += chunk
            if len(chunk) < endpoint.max_packet:
                break
        return bytes(received)

    def clear_halt(self, endpoint: Endpoint) -> None:
        """CLEAR_FEATURE(ENDPOINT_HALT): the toggle starts again with DATA0 (9.4.5)."""
        self.control(0x02, 1, 0, endpoint.address)
        self._toggles[endpoint.address] = False

    def _in(self, number: int, data1: bool) -> bytes:
        end_ns = self.chip.now_ns + _CONTROL_TIMEOUT_US * 1000
        while True:
            answer = self._usb().data_in(self._address, number)
            if isinstance(answer, Packet):
                self._check_toggle(number, answer, data1)
                self._spend(len(answer.payload))
                return answer.payload
            self._refused(answer, number | 0x80, end_ns)

    def _out(self, number: int, data1: bool, payload: bytes) -> None:
        end_ns = self.chip.now_ns + _CONTROL_TIMEOUT_US * 1000
        while True:
            answer = self._usb().data_out(self._address, number, data1, payload)
            if answer is Answer.ACK:
                self._spend(len(payload))
                return
            self._refused(answer, number, end_ns)

    def _refused(self, answer: Answer, address: int, end_ns: float) -> None:
        """Wait after a NAK; anything else ends the transfer."""
        if answer is Answer.STALL:
            self._spend(0)
            raise UsbStall(f"endpoint {address:#04x} answered STALL")
        if answer is Answer.SILENCE or not self.attached:
            raise UsbError(f"endpoint {address:#04x} doesn't answer")
        if self.chip.now_ns > end_ns:
            raise UsbError(f"endpoint {address:#04x} answered NAK for 5 s")
        self.naks += 1
        self.advance(_RETRY_US)

    def _check_toggle(self, number: int, packet: Packet, data1: bool) -> None:
        if packet.data1 is not data1:
            raise UsbError(
                f"endpoint {number | 0x80:#04x} sent DATA{packet.data1:d} where DATA{data1:d} was due"
            )

    def _spend(self, payload: int) -> None:
        """The time of a transaction: token, data, handshake and gaps, about 13 bytes (5.8.4)."""
        self.advance((13 + payload) * 8 / 12)

    def _wait_idle(self) -> None:
        if self._busy:
            raise UsbError("a transfer was begun inside another one")

    def _usb(self) -> UsbController:
        if not self.chip.running:
            raise UsbError("the device has gone")
        return self.chip.usb

    def _descriptor(self, kind: int, index: int, of: int, length: int, request_type: int = 0x80) -> bytes:
        return self.control(request_type, 6, kind << 8 | index, of, length)

    def _string(self, index: int) -> str:
        """A string descriptor in the first language that the device offers."""
        if not index:
            return ""
        languages = self._descriptor(_STRING, 0, 0, 255)
        language = int.from_bytes(languages[2:4], "little")
        text = self._descriptor(_STRING, index, language, 255)
        return text[2 : text[0]].decode("utf-16-le")

    # --- what a host does in every frame

    def _poll(self, device: Device) -> None:
        for interface in device.interfaces:
            if interface.class_code == _CLASS_HID:
                self._poll_reports(interface)
            elif interface.class_code == _CLASS_CDC_DATA and self._port_open:
                self._poll_serial(interface)

    def _poll_reports(self, interface: Interface) -> None:
        endpoint = interface.endpoint(Transfer.INTERRUPT, True)
        if endpoint is None or self._frame < self._due.get(endpoint.address, 0):
            return
        self._due[endpoint.address] = self._frame + endpoint.interval_ms
        payload = self._take(endpoint)
        if payload is not None:
            self.reports.append(InputReport(self.chip.now_us, interface.number, payload))

    def _poll_serial(self, interface: Interface) -> None:
        source = interface.endpoint(Transfer.BULK, True)
        sink = interface.endpoint(Transfer.BULK, False)
        if self.terminal_reads and source:
            for _ in range(_BULK_PER_FRAME):
                payload = self._take(source)
                if payload is None:
                    break
                self._received += payload
                self._spend(len(payload))
        while self._to_send and sink:
            payload = bytes(self._to_send[: sink.max_packet])
            data1 = self._toggles.get(sink.address, False)
            answer = self._usb().data_out(self._address, sink.number, data1, payload)
            if answer is not Answer.ACK:
                self._poll_refused(answer, sink)
                break
            self._toggles[sink.address] = not data1
            del self._to_send[: len(payload)]
            self._spend(len(payload))

    def _take(self, endpoint: Endpoint) -> bytes | None:
        """One IN transaction of a frame; None when the device has nothing to say."""
        answer = self._usb().data_in(self._address, endpoint.number)
        if isinstance(answer, Packet):
            data1 = self._toggles.get(endpoint.address, False)
            self._check_toggle(endpoint.number, answer, data1)
            self._toggles[endpoint.address] = not data1
            return answer.payload
        self._poll_refused(answer, endpoint)
        return None

    def _poll_refused(self, answer: Answer, endpoint: Endpoint) -> None:
        if answer is Answer.STALL:
            raise UsbStall(f"endpoint {endpoint.address:#04x} answered STALL to a poll")
        # A device that has just restarted is silent until somebody looks at the port again.

    # --- what a keyboard's driver does

    def _set_idle(self, interface: int) -> None:
        """As a host's keyboard driver asks: report changes only (HID 1.11 section 7.2.4)."""
        with suppress(UsbStall):  # required of boot keyboards only
            self.control(0x21, 0x0A, 0, interface)

    def set_lights(self, lights: int, interface: int = 0) -> None:
        """SET_REPORT(Output) with one byte: bit 0 Num Lock, 1 Caps Lock, 2 Scroll Lock (HID 1.11, B.1)."""
        self.control(0x21, 0x09, 0x0200, interface, bytes((lights,)))

    def take_reports(self) -> list[InputReport]:
        """Input reports since the last call."""
        taken, self.reports = self.reports, []
        return taken

    # --- what a serial port's driver does

    def open_port(self, baud: int = 115_200) -> None:
        """Open the CDC port: line coding and DTR, to the communications interface (PSTN 1.2, 6.3)."""
        interface = self._serial_interface()
        self.control(0x21, 0x20, 0, interface, baud.to_bytes(4, "little") + bytes((0, 0, 8)))
        self.control(0x21, 0x22, 3, interface)
        self._port_open = True

    def send_serial(self, data: bytes) -> None:
        """Queue bytes for the device; they go out in the next frames."""
        self._to_send += data

    def receive_serial(self) -> bytes:
        """What has come since the last call."""
        received = bytes(self._received)
        self._received.clear()
        return received

    def _serial_interface(self) -> int:
        interface = self.device.interface_of_class(_CLASS_CDC) if self.device else None
        if interface is None:
            raise UsbError("the device has no serial port")
        return interface.number
