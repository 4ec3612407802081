"""A full-speed USB host for the emulated chip, and the flash drive that the chip's ROM shows.

It polls as a host does (USB 2.0, chapters 5, 8 and 9): 1 ms frames, NAK and STALL, DATA0 and DATA1 checked
on every packet, interrupt endpoints asked every bInterval frames, control transfers with a data stage
either way. Time is the chip's: every transaction takes as long as its bits take at 12 Mbit/s, and the
image runs meanwhile. A device that breaks a rule raises `UsbError` with the rule.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum

from hil.chip import Chip
from hil.usb_controller import Answer, Packet, UsbController

FRAME_US = 1000
_DEBOUNCE_US = 20_000  # 100 ms at least for a real host (7.1.7.3); nothing bounces here
_RESET_US = 10_000  # 7.1.7.5: TDRST
_RECOVERY_US = 10_000  # 7.1.7.5: TRSTRCY
_RETRY_US = 50.0  # a NAK is asked again this soon within a frame
_CONTROL_TIMEOUT_US = 5_000_000  # 9.2.6.1
_BULK_PER_FRAME = 19  # 5.8.4: 64-byte packets that fit into a frame

_DEVICE, _CONFIGURATION, _STRING, _INTERFACE, _ENDPOINT = 1, 2, 3, 4, 5
_HID, _HID_REPORT = 0x21, 0x22

_CLASS_HID, _CLASS_STORAGE, _CLASS_CDC, _CLASS_CDC_DATA = 0x03, 0x08, 0x02, 0x0A


class UsbError(RuntimeError):
    """The device didn't do what USB asks of it."""


class NoDevice(UsbError):
    """Nothing pulled its line up in time."""


class UsbStall(UsbError):
    """The device answered STALL: it doesn't know the request, or the endpoint is halted."""


class Transfer(Enum):
    """Transfer types as bmAttributes numbers them (9.6.6)."""

    CONTROL = 0
    ISOCHRONOUS = 1
    BULK = 2
    INTERRUPT = 3


@dataclass(frozen=True, slots=True)
class Endpoint:
    address: int  # bit 7: towards the host
    transfer: Transfer
    max_packet: int
    interval_ms: int

    @property
    def number(self) -> int:
        return self.address & 0x0F

    @property
    def is_in(self) -> bool:
        return bool(self.address & 0x80)


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface descriptor with what follows it."""

    number: int
    alternate: int
    class_code: int
    subclass: int
    protocol: int
    name: int
    endpoints: tuple[Endpoint, ...]
    extra: tuple[bytes, ...]  # class-specific descriptors, in order

    def endpoint(self, transfer: Transfer, is_in: bool) -> Endpoint | None:
        found = (e for e in self.endpoints if e.transfer is transfer and e.is_in is is_in)
        return next(found, None)


@dataclass(frozen=True, slots=True)
class Device:
    """What a device said about itself during enumeration."""

    device_descriptor: bytes
    configuration_descriptor: bytes
    interfaces: tuple[Interface, ...]
    strings: tuple[str, str, str]  # maker, product, serial number; "" where there is none
    report_descriptors: dict[int, bytes] = field(default_factory=dict)  # by interface number

    @property
    def vendor(self) -> int:
        return int.from_bytes(self.device_descriptor[8:10], "little")

    @property
    def product(self) -> int:
        return int.from_bytes(self.device_descriptor[10:12], "little")

    @property
    def version(self) -> int:
        """bcdDevice."""
        return int.from_bytes(self.device_descriptor[12:14], "little")

    def interface_of_class(self, class_code: int) -> Interface | None:
        return next((i for i in self.interfaces if i.class_code == class_code), None)


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

    @property
    def unsent(self) -> int:
        return len(self._to_send)

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


def descriptors_of(configuration: bytes) -> Iterator[bytes]:
    """The descriptors of a configuration, one by one; raises UsbError where the lengths don't fit."""
    at = 0
    while at < len(configuration):
        length = configuration[at]
        if length < 2 or at + length > len(configuration):
            raise UsbError(f"the descriptor at byte {at} of the configuration is {length} bytes long")
        yield configuration[at : at + length]
        at += length


def interfaces_of(configuration: bytes) -> tuple[Interface, ...]:
    """The interfaces of a configuration descriptor, with their endpoints and class descriptors (9.6.5)."""
    found: list[tuple[bytes, list[Endpoint], list[bytes]]] = []
    for each in descriptors_of(configuration):
        if each[1] == _INTERFACE:
            found.append((each, [], []))
        elif each[1] == _ENDPOINT:
            if not found:
                raise UsbError("an endpoint descriptor stands before any interface")
            found[-1][1].append(
                Endpoint(each[2], Transfer(each[3] & 3), int.from_bytes(each[4:6], "little") & 0x7FF, each[6])
            )
        elif found:
            found[-1][2].append(each)
    return tuple(
        Interface(head[2], head[3], head[5], head[6], head[7], head[8], tuple(endpoints), tuple(extra))
        for head, endpoints, extra in found
    )


class ScsiError(UsbError):
    """A command that the drive refused, or answered wrongly."""


class MassStorage:
    """The bulk-only drive that the ROM shows (USB Mass Storage Bulk-Only 1.0, SCSI block commands)."""

    BLOCK = 512

    def __init__(self, host: UsbHost) -> None:
        device = host.device
        interface = device.interface_of_class(_CLASS_STORAGE) if device else None
        if interface is None or (interface.subclass, interface.protocol) != (0x06, 0x50):
            raise UsbError("the device is no bulk-only drive")
        source = interface.endpoint(Transfer.BULK, True)
        sink = interface.endpoint(Transfer.BULK, False)
        if source is None or sink is None:
            raise UsbError("the drive lacks a bulk endpoint")
        self._host, self._source, self._sink = host, source, sink
        self._tag = 0

    def inquiry(self) -> bytes:
        """Standard INQUIRY data: byte 1 bit 7 removable, 8-15 vendor, 16-31 product."""
        return self._command(bytes((0x12, 0, 0, 0, 36, 0)), length_in=36)

    def is_ready(self) -> bool:
        """TEST UNIT READY."""
        try:
            self._command(bytes(6))
        except ScsiError:
            return False
        return True

    def capacity(self) -> tuple[int, int]:
        """READ CAPACITY(10): (number of blocks, bytes in one)."""
        answer = self._command(bytes((0x25, *bytes(9))), length_in=8)
        return int.from_bytes(answer[:4], "big") + 1, int.from_bytes(answer[4:], "big")

    def read(self, block: int, count: int = 1) -> bytes:
        """READ(10)."""
        command = bytes((0x28, 0)) + block.to_bytes(4, "big") + b"\0" + count.to_bytes(2, "big") + b"\0"
        return self._command(command, length_in=count * self.BLOCK)

    def write(self, block: int, data: bytes) -> None:
        """WRITE(10); `data` is whole blocks."""
        count = len(data) // self.BLOCK
        command = bytes((0x2A, 0)) + block.to_bytes(4, "big") + b"\0" + count.to_bytes(2, "big") + b"\0"
        self._command(command, data_out=data)

    def file(self, name: str) -> bytes:
        """A file of the root directory of the drive's FAT16 file system, by its 8.3 name."""
        boot, first = self._boot_sector()
        reserved, copies = int.from_bytes(boot[14:16], "little"), boot[16]
        entries, fat_blocks = int.from_bytes(boot[17:19], "little"), int.from_bytes(boot[22:24], "little")
        root = first + reserved + copies * fat_blocks
        data = root + entries * 32 // self.BLOCK
        stem, _, suffix = name.partition(".")
        wanted = f"{stem:8}{suffix:3}".encode("ascii")
        directory = self.read(root)
        for at in range(0, len(directory), 32):
            entry = directory[at : at + 32]
            if entry[:11] == wanted:
                cluster = int.from_bytes(entry[26:28], "little")
                size = int.from_bytes(entry[28:32], "little")
                start = data + (cluster - 2) * boot[13]
                return self.read(start, -(-size // self.BLOCK))[:size]
        raise FileNotFoundError(name)

    def write_uf2(
        self,
        image: bytes,
        *,
        drop: frozenset[int] = frozenset(),
        twice: frozenset[int] = frozenset(),
        backwards: bool = False,
    ) -> None:
        """Copy a UF2 as a file manager does: one block of 512 bytes after the other, past the FAT.

        `drop` and `twice` are numbers of UF2 blocks that get lost or come again; `backwards` sends the
        last one first, as some systems do. The drive takes UF2 blocks wherever they are written, so the
        directory is left alone. Returns once the last block has been taken.
        """
        order = list(range(len(image) // self.BLOCK))
        if backwards:
            order.reverse()
        start = self._first_data_block() + 64
        for number in order:
            for _ in range(0 if number in drop else 2 if number in twice else 1):
                block = image[number * self.BLOCK : (number + 1) * self.BLOCK]
                self.write(start + number, block)

    def _boot_sector(self) -> tuple[bytes, int]:
        """The file system's first block and its number; the drive may carry a partition table."""
        block = self.read(0)
        if block[11:13] == b"\x00\x02" and block[0] in (0xEB, 0xE9):
            return block, 0
        first = int.from_bytes(block[0x1BE + 8 : 0x1BE + 12], "little")
        return self.read(first), first

    def _first_data_block(self) -> int:
        boot, first = self._boot_sector()
        reserved, copies = int.from_bytes(boot[14:16], "little"), boot[16]
        entries, fat_blocks = int.from_bytes(boot[17:19], "little"), int.from_bytes(boot[22:24], "little")
        return first + reserved + copies * fat_blocks + entries * 32 // self.BLOCK

    def _command(self, command: bytes, length_in: int = 0, data_out: bytes = b"") -> bytes:
        """Command, data and status as in Bulk-Only 1.0, sections 5.1 and 5.2."""
        self._tag += 1
        tag = self._tag.to_bytes(4, "little")
        length = (length_in or len(data_out)).to_bytes(4, "little")
        direction = 0x80 if length_in else 0
        wrapper = b"USBC" + tag + length + bytes((direction, 0, len(command))) + command.ljust(16, b"\0")
        self._host.bulk_out(self._sink, wrapper)
        received = b""
        try:
            if length_in:
                received = self._host.bulk_in(self._source, length_in)
            elif data_out:
                self._host.bulk_out(self._sink, data_out)
        except UsbStall:
            self._host.clear_halt(self._source if length_in else self._sink)
        try:
            status = self._host.bulk_in(self._source, 13)
        except UsbStall:
            self._host.clear_halt(self._source)
            status = self._host.bulk_in(self._source, 13)
        if status[:8] != b"USBS" + tag:
            raise ScsiError(f"command {command[0]:#04x}: no status, but {status.hex(' ')}")
        if status[12]:
            raise ScsiError(f"command {command[0]:#04x} failed (status {status[12]})")
        return received
