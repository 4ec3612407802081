"""An image onto a board, through the drive that the chip's ROM shows while BOOTSEL is held.

The drive is told by its INFO_UF2.TXT, never by its name. The ROM restarts into the image once it has
every block, so the drive's leaving says that all of it arrived; what comes back on USB says what runs. Of a
keyboard without a console that is its device version, three digits of which are made of the fingerprints.
"""

from __future__ import annotations

import errno
import os
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from keyc.diagnostics import UserError
from keyc.image.elf import FLASH_ORIGIN, RAM_ORIGIN
from keyc.image.identity import tells_keymap
from keyc.image.uf2 import (
    UF2_BLOCK_BYTES,
    UF2_END,
    UF2_FAMILY,
    UF2_FAMILY_GIVEN,
    UF2_MAGIC,
    UF2_PAYLOAD_BYTES,
)
from keyc.image.usb_seen import UsbDevice, UsbIdentity, devices_here, version_text

if TYPE_CHECKING:
    from hil.ports import Drive

ROM_BOARD_ID = "RPI-RP2"  # what the RP2040's ROM writes into INFO_UF2.TXT
NAME_ON_DRIVE = "keyc.uf2"
_FLASH_BYTES, _RAM_BYTES = 16 * 1024 * 1024, 264 * 1024
_UF2_HEAD = struct.Struct("<8I")
_UF2_TAIL = struct.Struct("<I")
_UF2_NOT_MAIN_FLASH = 0x1
_GONE_WITHIN_S = 10.0  # the ROM restarts half a second after the last block
_BACK_WITHIN_S = 15.0  # a computer may take its time to look at a new device
_LOOK_EVERY_S = 0.2
_BOOTSEL = "hold BOOTSEL (or short its pads) while you plug the board in, or press the key with `usb-boot`"


@dataclass(frozen=True, slots=True)
class ImageFile:
    """A UF2 file that was looked through. `identity` is None where it isn't one of ours; `memory` is what
    comes to lie in the chip, by rising address."""

    data: bytes
    blocks: int
    in_flash: bool
    identity: UsbIdentity | None
    memory: bytes = b""

    def has_title(self, title: str) -> bool:
        """Whether it holds this string descriptor (USB 2.0, 9.6.7)."""
        text = title.encode("utf-16-le")
        return bytes([(2 + len(text)) & 0xFF, 3]) + text in self.memory


@dataclass(frozen=True, slots=True)
class BoardSeen:
    """A device on USB. `port` is its serial port, if it has one."""

    identity: UsbIdentity
    title: str
    port: str | None = None


@dataclass(frozen=True, slots=True)
class Flashed:
    """What came of it. `board` is None where this system doesn't show what is plugged in; `fingerprints`
    are what its console said, or None for an image that has none."""

    drive: str
    board: BoardSeen | None
    fingerprints: str | None

    @property
    def summary(self) -> str:
        """A line or two for people."""
        if self.board is None:
            return (
                f"copied to {self.drive}, and the chip took it\n"
                "what runs now can't be seen from here: press a key, or ask with `hil ports`"
            )
        text = f"{self.board.title} is back ({self.board.identity})"
        if self.fingerprints:
            return f"{text}\nits console says: {self.fingerprints}, as the file has them"
        if not tells_keymap(self.board.identity.version):
            return f"{text}, as this image calls itself"
        return (
            f"{text} and carries this keymap\n"
            "its version says so: three of its digits are made of the keymap's fingerprint,\n"
            "and another keymap has the same ones once in 1000"
        )


class Rig(Protocol):
    """What flashing needs of the computer; tests bring their own."""

    def drives(self) -> Sequence[Drive]:
        """Mounted drives that take UF2 files."""
        ...

    def unmounted(self) -> Sequence[str]:
        """Drives of the ROM that are plugged in and not mounted."""
        ...

    def write(self, drive: Drive, name: str, data: bytes) -> None:
        """The whole file onto the drive and out of every buffer. Raises OSError."""
        ...

    def boards(self) -> Sequence[BoardSeen] | None:
        """Devices on USB; None: this system doesn't tell."""
        ...

    def fingerprints(self, port: str) -> tuple[str, str] | None:
        """Wiring and keymap as the board on a serial port says them; None: nothing answers."""
        ...

    def now_s(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...


def read_image(path: str) -> ImageFile:
    """A UF2 file. UserError if it can't be read or isn't one for this chip."""
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise UserError(
            f"{path} can't be read: {error.strerror or error}", "check its name", exit_status=2
        ) from error
    return image_of(data, path)


def image_of(data: bytes, name: str) -> ImageFile:
    """Looks a UF2 file through (https://github.com/microsoft/uf2): whole, for this chip, in one memory.

    UserError if it is anything else: the ROM would wait for the missing blocks for ever.
    """

    def refuse(what: str) -> UserError:
        return UserError(f"{name}: {what}", "build it again: keyc firmware FILE -o X.uf2", exit_status=1)

    count = len(data) // UF2_BLOCK_BYTES
    if not count or len(data) % UF2_BLOCK_BYTES:
        raise refuse(
            f"this is no whole UF2 file: {len(data):,} bytes aren't full blocks of {UF2_BLOCK_BYTES}"
        )
    payloads: dict[int, bytes] = {}
    numbers = set()
    for at in range(0, len(data), UF2_BLOCK_BYTES):
        block = data[at : at + UF2_BLOCK_BYTES]
        first, second, flags, address, length, number, total, family = _UF2_HEAD.unpack_from(block)
        (last,) = _UF2_TAIL.unpack_from(block, UF2_BLOCK_BYTES - _UF2_TAIL.size)
        if (first, second) != UF2_MAGIC or last != UF2_END:
            raise refuse(f"block {at // UF2_BLOCK_BYTES} isn't a UF2 block")
        if not flags & UF2_FAMILY_GIVEN or family != UF2_FAMILY or flags & _UF2_NOT_MAIN_FLASH:
            raise refuse("this image is for another chip, not for an RP2040")
        if length != UF2_PAYLOAD_BYTES or address % UF2_PAYLOAD_BYTES:
            raise refuse(f"block {number} has {length} bytes for {address:#010x}: the ROM wants 256, aligned")
        if total != count:
            raise refuse(f"this is a part of an image: {count} blocks of {total}")
        numbers.add(number)
        payloads[address] = block[_UF2_HEAD.size : _UF2_HEAD.size + length]
    if numbers != set(range(count)) or len(payloads) != count:
        raise refuse("blocks are missing or come twice")
    places = {_memory_of(address) for address in payloads}
    if len(places) != 1 or None in places:
        raise refuse("it isn't for the flash alone, nor for RAM alone: the ROM takes neither both nor others")
    memory = b"".join(payloads[address] for address in sorted(payloads))
    return ImageFile(data, count, places == {"flash"}, _identity_in(memory), memory)


def _memory_of(address: int) -> str | None:
    if FLASH_ORIGIN <= address < FLASH_ORIGIN + _FLASH_BYTES:
        return "flash"
    return "ram" if RAM_ORIGIN <= address < RAM_ORIGIN + _RAM_BYTES else None


def _identity_in(memory: bytes) -> UsbIdentity | None:
    """The identity of the only device descriptor in an image, as `KEYC_USB_DEVICE_DESCRIPTOR` lays it out."""
    found = []
    at = memory.find(b"\x12\x01\x00\x02")
    while at >= 0:
        descriptor = memory[at : at + 18]
        if len(descriptor) == 18 and descriptor[7] == 64 and descriptor[14:] == b"\x01\x02\x00\x01":
            found.append(UsbIdentity(*struct.unpack_from("<3H", descriptor, 8)))
        at = memory.find(b"\x12\x01\x00\x02", at + 1)
    return found[0] if len(found) == 1 else None


def flashed(
    image: ImageFile,
    rig: Rig,
    *,
    drive: str | None = None,
    wait_s: float = 60.0,
    wanted: tuple[str, str] | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Flashed:
    """Copies the image to the ROM's drive and waits for the board to come back.

    `drive` chooses one of several; `wait_s` is how long to wait for one; `wanted` are the fingerprints of
    wiring and keymap that a board with a console has to say. UserError where anything isn't as it should.
    """
    target = _drive_awaited(rig, drive, wait_s, progress)
    others = [each for each in rig.drives() if each != target]
    before = rig.boards() or ()
    progress(f"copying {image.blocks} blocks to {target.path}")
    _write(image, rig, target)
    progress("waiting for the board to restart")
    if not _awaited(rig, _GONE_WITHIN_S, lambda: target not in rig.drives()):
        raise UserError(
            f"the drive {target.path} is still there: the chip hasn't got the whole image",
            "unplug the board, plug it in with BOOTSEL held, and run this again",
            exit_status=3,
        )
    board = _board_awaited(image, rig, others, before)
    if board is None or board.port is None:
        return Flashed(target.path, board, None)
    return Flashed(target.path, board, _compared(rig, board.port, wanted))


def _drive_awaited(rig: Rig, wanted: str | None, wait_s: float, progress: Callable[[str], None]) -> Drive:
    until_s = rig.now_s() + wait_s
    told = False
    while True:
        drives = [each for each in rig.drives() if wanted is None or Path(each.path) == Path(wanted)]
        fitting = [each for each in drives if each.board == ROM_BOARD_ID]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            names = ", ".join(each.path for each in fitting)
            raise UserError(f"more than one chip waits for an image: {names}", "choose one with --drive", 2)
        if drives:
            said = drives[0].board or "nothing"
            raise UserError(
                f"{drives[0].path} belongs to another chip: its INFO_UF2.TXT says {said}, not {ROM_BOARD_ID}",
                "plug in a board with an RP2040",
                exit_status=3,
            )
        if rig.now_s() >= until_s:
            raise _no_drive(rig, wanted)
        if not told:
            told = True
            progress(f"waiting for the chip's drive: {_BOOTSEL}")
        rig.sleep(_LOOK_EVERY_S)


def _no_drive(rig: Rig, wanted: str | None) -> UserError:
    unmounted = rig.unmounted()
    if unmounted:
        return UserError(
            f"the chip's drive is plugged in as {unmounted[0]}, but not mounted",
            f"mount it (udisksctl mount -b {unmounted[0]}), then run this again",
            exit_status=3,
        )
    where = f" at {wanted}" if wanted else ""
    return UserError(
        f"no drive of a chip that waits for an image is there{where}",
        f"{_BOOTSEL}; a cable without data lines shows nothing either",
        exit_status=3,
    )


def _write(image: ImageFile, rig: Rig, target: Drive) -> None:
    try:
        rig.write(target, NAME_ON_DRIVE, image.data)
    except OSError as error:
        if target not in rig.drives():
            raise UserError(
                "the drive went away before the whole image was copied",
                "nothing is broken: plug the board in with BOOTSEL held, and run this again",
                exit_status=3,
            ) from error
        hints = {
            errno.EACCES: "you may not write there: mount it as yourself, not as root",
            errno.EPERM: "you may not write there: mount it as yourself, not as root",
            errno.EROFS: "it is mounted read-only: unplug the board, plug it in with BOOTSEL held",
            errno.ENOSPC: "the chip's drive is always big enough for one image: unplug it and try again",
        }
        raise UserError(
            f"{target.path} can't be written: {error.strerror or error}",
            hints.get(error.errno or 0, "unplug the board, plug it in with BOOTSEL held, and run this again"),
            exit_status=3,
        ) from error


def _board_awaited(
    image: ImageFile, rig: Rig, others: Sequence[Drive], before: Sequence[BoardSeen]
) -> BoardSeen | None:
    """`others` and `before`: drives and devices that have been there all the time."""
    if rig.boards() is None or image.identity is None:
        return None
    came: list[BoardSeen] = []

    def drive_is_back() -> bool:
        return any(each.board == ROM_BOARD_ID and each not in others for each in rig.drives())

    def is_this(board: BoardSeen) -> bool:
        return board.identity == image.identity and image.has_title(board.title)

    def is_back() -> bool:
        came[:] = rig.boards() or ()
        for board in before:
            if board in came:
                came.remove(board)
        return any(map(is_this, came)) or drive_is_back()

    if _awaited(rig, _BACK_WITHIN_S, is_back) and (found := [one for one in came if is_this(one)]):
        return found[-1]
    if drive_is_back():
        raise UserError(
            "the chip shows its drive again: it has the image and didn't start it",
            "a flash image needs a flash chip that answers: look at its six lines (pins 51 to 56) and its "
            "supply; the bench image works without one",
            exit_status=1,
        )
    raise _another(image.identity, came)


def _another(wanted: UsbIdentity, came: Sequence[BoardSeen]) -> UserError:
    """Why no board is the one that was waited for."""
    for board in came:
        if (board.identity.vendor, board.identity.product) == (wanted.vendor, wanted.product):
            return UserError(
                f"{board.title} came back with another image or keymap: its version is "
                f"{version_text(board.identity.version)}, and {version_text(wanted.version)} was copied",
                "the flash chip kept what it had: unplug the board, plug it in with BOOTSEL held, and run "
                "this again; if it stays so, look at the flash chip's six lines (pins 51 to 56)",
                exit_status=1,
            )
    return UserError(
        f"the board should come back as {wanted}, and doesn't",
        "unplug and plug it in; if it stays away, run this again with the bench image",
        exit_status=1,
    )


def _compared(rig: Rig, port: str, wanted: tuple[str, str] | None) -> str:
    said = rig.fingerprints(port)
    if said is None:
        raise UserError(
            f"the board is back, but nothing answers on {port}",
            "is another program holding the port? Then: hil ports",
            exit_status=3,
        )
    text = f"wiring {said[0]}, keymap {said[1]}"
    if wanted is not None and said != wanted:
        raise UserError(
            f"the board says {text}; the file has wiring {wanted[0]}, keymap {wanted[1]}",
            "another image is running: unplug the board and run this again",
            exit_status=1,
        )
    return text


def _awaited(rig: Rig, within_s: float, holds: Callable[[], bool]) -> bool:
    until_s = rig.now_s() + within_s
    while not holds():
        if rig.now_s() >= until_s:
            return False
        rig.sleep(_LOOK_EVERY_S)
    return True


def _key_of(device: UsbDevice) -> tuple[int, int, str]:
    return device.identity.vendor, device.identity.product, device.title


class ThisComputer:
    """The rig that there is: mounted drives, what the system shows of USB, serial ports."""

    def drives(self) -> Sequence[Drive]:
        from hil.ports import drives_found

        return drives_found()

    def unmounted(self) -> Sequence[str]:
        device = Path("/dev/disk/by-label") / ROM_BOARD_ID  # common practice of udev
        return [str(device.resolve())] if device.exists() else []

    def write(self, drive: Drive, name: str, data: bytes) -> None:
        with open(Path(drive.path) / name, "wb", buffering=0) as file:
            left = memoryview(data)
            while left:
                left = left[file.write(left) :]
            try:
                os.fsync(file.fileno())
            except OSError:
                # The chip restarts as soon as it has the last block, which may be in the middle of this.
                return

    def boards(self) -> Sequence[BoardSeen] | None:
        devices = devices_here()
        if devices is None:
            return None
        ports = self._ports()
        return [BoardSeen(one.identity, one.title, ports.get(_key_of(one))) for one in devices]

    def _ports(self) -> dict[tuple[int, int, str], str]:
        from serial.tools.list_ports import comports

        return {(each.vid, each.pid, each.product or ""): each.device for each in comports() if each.vid}

    def fingerprints(self, port: str) -> tuple[str, str] | None:
        from hil.ports import identity_on
        from hil.transport import SerialTransport

        transport = SerialTransport(port)
        try:
            identity = identity_on(transport)
        finally:
            transport.close()
        return None if identity is None else (identity.wiring or "", identity.keymap or "")

    def now_s(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)
