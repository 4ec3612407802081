"""The flash drive that the chip's ROM shows, seen through the emulated host."""

from __future__ import annotations

from hil.chip.usb_descriptors import Transfer, UsbError
from hil.chip.usb_host import UsbHost, UsbStall

_CLASS_STORAGE = 0x08


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
        root, data, blocks_per_cluster = self._layout()
        stem, _, suffix = name.partition(".")
        wanted = f"{stem:8}{suffix:3}".encode("ascii")
        directory = self.read(root)
        for at in range(0, len(directory), 32):
            entry = directory[at : at + 32]
            if entry[:11] == wanted:
                cluster = int.from_bytes(entry[26:28], "little")
                size = int.from_bytes(entry[28:32], "little")
                start = data + (cluster - 2) * blocks_per_cluster
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
        _, data, _ = self._layout()
        start = data + 64
        for number in order:
            for _ in range(0 if number in drop else 2 if number in twice else 1):
                block = image[number * self.BLOCK : (number + 1) * self.BLOCK]
                self.write(start + number, block)

    def _layout(self) -> tuple[int, int, int]:
        """The first block of the root directory, the first of the files, and how many make a cluster."""
        boot, first = self._boot_sector()
        reserved, copies = int.from_bytes(boot[14:16], "little"), boot[16]
        entries, fat_blocks = int.from_bytes(boot[17:19], "little"), int.from_bytes(boot[22:24], "little")
        root = first + reserved + copies * fat_blocks
        return root, root + entries * 32 // self.BLOCK, boot[13]

    def _boot_sector(self) -> tuple[bytes, int]:
        """The file system's first block and its number; the drive may carry a partition table."""
        block = self.read(0)
        if block[11:13] == b"\x00\x02" and block[0] in (0xEB, 0xE9):
            return block, 0
        first = int.from_bytes(block[0x1BE + 8 : 0x1BE + 12], "little")
        return self.read(first), first

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
