"""A virtual board made of the real image in an emulated chip, its wiring with faults, and a USB cable.

The image gets in by the only way there is on a board: BOOTSEL held, the ROM's drive seen, the UF2 copied,
the restart awaited. From then on the board is what its console and its key reports say.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from typing import Literal

from hil.board import Board
from hil.chip.chip import Chip
from hil.chip.mass_storage import MassStorage
from hil.chip.usb_descriptors import Device, UsbError
from hil.chip.usb_host import NoDevice, UsbHost
from hil.faults import Fault
from keyc.keyboard import Keyboard, Wiring

_ROM_VENDOR, _ROM_PRODUCT = 0x2E8A, 0x0003
_RAM_BASE = 0x20000000
_CLASS_CDC = 0x02

# Top-level collections (HID Usage Tables: page, usage) and what their reports are called.
_REPORT_NAMES = {
    (0x01, 0x01): "pointer",
    (0x01, 0x02): "pointer",
    (0x01, 0x06): "keyboard",
    (0x01, 0x80): "system",
    (0x0C, 0x01): "consumer",
}


class ChipBoard:
    """One board on the bench: fulfils `hil.virtual.VirtualBoard`.

    `uf2` is the image that its owner copies to it. `seed` decides what RAM holds at power-on, and how
    readings come out that electricity leaves open (0 high, 1 low, else each its own way).
    """

    def __init__(self, uf2: bytes, wiring: Wiring, faults: Iterable[Fault] = (), seed: int = 0) -> None:
        self.wiring = wiring
        self.uf2 = uf2
        self._seed = seed
        self._closed: frozenset[str] = frozenset()
        self._board = Board(wiring, faults)
        kinds = {fault.kind for fault in self._board.faults}
        self.chip = Chip(seed, has_flash="no-flash" not in kinds)
        self.chip.drives.may_be_high = sum(1 << light.pin for light in wiring.lights if not light.lit_low)
        self.host = UsbHost(self.chip, cable="no-usb" not in kinds)
        self._report_names: dict[int, dict[int, str]] = {}
        self._named_for: Device | None = None
        self._received = bytearray()
        self._lay_lines()

    # --- power and image

    def power_on(self) -> None:
        """The whole way: BOOTSEL, the ROM's drive, the copy, the restart, the image on the bus.

        Raises NoDevice when the drive or the image doesn't show itself, UsbError when it won't work.
        """
        self.unplug()
        self.chip.hold_bootsel(True)
        self.chip.power_on()
        self.host.enumerate()
        self.chip.hold_bootsel(False)
        self._copy()

    def plug(self) -> None:
        """As its owner plugs it in: an image in flash is still there, one in RAM is copied again.

        Where no device shows itself, `connected` stays False.
        """
        with suppress(NoDevice):
            if self._lies_in_ram():
                self.power_on()
            else:
                self.plug_alone()

    def plug_alone(self) -> None:
        """Power, and nobody's hand on it; raises NoDevice when nothing shows itself."""
        self.unplug()
        self.chip.power_on()
        self._greet()

    def unplug(self) -> None:
        """Power and data gone at once."""
        self._received += self.host.receive_serial()
        self.chip.power_off()
        self.host.leave()

    def swap_image(self, uf2: bytes) -> None:
        """Copy another image to the board, by the same way."""
        self.uf2 = uf2
        self.power_on()

    def next_image(self, keyboard: Keyboard, image: Literal["bench", "trial"]) -> None:
        """The image that it gets when it is plugged in next."""
        from keyc.image.firmware import build_uf2

        self.uf2 = build_uf2(keyboard, image).bytes

    def copy_image(self) -> None:
        """Copy the image to the drive that the board shows; raises UsbError when it shows none."""
        self._copy()

    def set_faults(self, faults: Iterable[Fault]) -> None:
        """The board as it is after the iron: other faults from now on (not `no-flash` and `no-usb`)."""
        self._board = Board(self.wiring, faults)
        self._lay_lines()

    @property
    def faults(self) -> tuple[Fault, ...]:
        return self._board.faults

    @property
    def connected(self) -> bool:
        """Whether the computer sees the image on the bus."""
        return self.host.device is not None and not self.shows_drive

    @property
    def shows_drive(self) -> bool:
        """The ROM's drive is what the computer sees."""
        device = self.host.device
        return device is not None and (device.vendor, device.product) == (_ROM_VENDOR, _ROM_PRODUCT)

    def _copy(self) -> None:
        MassStorage(self.host).write_uf2(self.uf2)
        self.host.wait_detached()
        self._greet()
        if self.shows_drive:
            raise UsbError("the ROM's drive is back: it didn't start the image")

    def _greet(self) -> None:
        device = self.host.enumerate()
        if device.interface_of_class(_CLASS_CDC):
            self.host.open_port()

    def _lies_in_ram(self) -> bool:
        address = int.from_bytes(self.uf2[12:16], "little")
        return address >= _RAM_BASE

    # --- time and fingers

    @property
    def now_us(self) -> int:
        return self.chip.now_us

    def advance(self, microseconds: int) -> None:
        """Let time pass. A device that restarts is greeted again, as a computer does."""
        known = self.host.device
        self.host.serve(microseconds)
        device = self.host.device
        if device is not known and device is not None and device.interface_of_class(_CLASS_CDC):
            self.host.open_port()

    def set_closed(self, switches: frozenset[str]) -> None:
        """These switches are closed from now on, all others open."""
        if switches != self._closed:
            self._closed = switches
            self._lay_lines()

    def lit_us(self) -> dict[int, int]:
        """How long each light has been lit since it was plugged in, by its pin."""
        return self._board.lit_us(self.chip.drives.low_us, self.chip.drives.high_us)

    def _lay_lines(self) -> None:
        self.chip.set_table(self._board.table(self._closed).resolved(self._seed))

    # --- what the computer sends and gets

    def send(self, data: bytes) -> None:
        """Bytes to the console; they leave in the next frames."""
        self.host.send_serial(data)

    def receive(self) -> bytes:
        """Console bytes since the last call."""
        received = bytes(self._received) + self.host.receive_serial()
        self._received.clear()
        return received

    def reports(self) -> list[tuple[int, str, bytes]]:
        """Key reports since the last call: (time in us, `keyboard|consumer|system|pointer`, bytes)."""
        self._learn_names()
        taken = []
        for report in self.host.take_reports():
            names = self._report_names.get(report.interface, {})
            which = names.get(0) or names.get(report.payload[0] if report.payload else -1, "unknown")
            taken.append((report.t_us, which, report.payload))
        return taken

    def _learn_names(self) -> None:
        """Remembered beyond the device's leaving: its last reports are still to be read."""
        device = self.host.device
        if device is not None and device is not self._named_for:
            self._named_for = device
            self._report_names = {n: report_names(text) for n, text in device.report_descriptors.items()}


def report_names(descriptor: bytes) -> dict[int, str]:
    """Report ids (0: the interface uses none) of a HID report descriptor, by their application collection.

    Items as in HID 1.11, section 6.2.2. Only what is needed to tell reports apart is read.
    """
    names: dict[int, str] = {}
    page = usage = report_id = depth = 0
    name = "unknown"
    at = 0
    while at < len(descriptor):
        prefix = descriptor[at]
        if prefix == 0xFE:  # a long item: its size stands in the next byte
            at += 3 + descriptor[at + 1]
            continue
        size = (0, 1, 2, 4)[prefix & 3]
        value = int.from_bytes(descriptor[at + 1 : at + 1 + size], "little")
        at += 1 + size
        tag = prefix & 0xFC
        if tag == 0x04:  # Usage Page
            page = value
        elif tag == 0x08:  # Usage; four bytes carry the page too
            usage = value & 0xFFFF
            page = value >> 16 if size == 4 else page
        elif tag == 0xA0:  # Collection
            depth += 1
            if depth == 1:
                name = _REPORT_NAMES.get((page, usage), "unknown")
                report_id = 0
        elif tag == 0xC0:  # End Collection
            depth -= 1
        elif tag == 0x84:  # Report ID
            report_id = value
        elif tag in (0x80, 0x90, 0xB0):  # Input, Output, Feature
            names.setdefault(report_id, name)
    return names
