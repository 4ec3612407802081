"""UF2: the blocks in which an image is copied to the chip's drive, and the check sum that its ROM asks for.

https://github.com/microsoft/uf2, README: block layout; the RP2040's family from its utils/uf2families.json.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from keyc.image.elf import FLASH_ORIGIN, Segment

UF2_BLOCK_BYTES = 512
UF2_PAYLOAD_BYTES = 256
UF2_FAMILY = 0xE48BFF56
UF2_MAGIC, UF2_END = (0x0A324655, 0x9E5D5157), 0x0AB16F30  # a block begins and ends with these
UF2_FAMILY_GIVEN = 0x2000

# RP2040 datasheet 2.8.1.3.1: 252 bytes and their check sum.
BOOT2_BYTES = 252


def crc32_mpeg2(data: bytes) -> int:
    """The check sum that the boot ROM expects behind its second stage (RP2040 datasheet 2.8.1.3.1).

    Polynomial 04C11DB7, initial value FFFFFFFF, nothing reflected, nothing inverted at the end.
    """
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return crc


def uf2_of(segments: Sequence[Segment]) -> bytes:
    """UF2 blocks of 256 bytes each, by rising address; what no segment covers in a block is 0."""
    pages: dict[int, bytearray] = {}
    for segment in segments:
        for offset, byte in enumerate(segment.data):
            page, place = divmod(segment.address + offset, UF2_PAYLOAD_BYTES)
            pages.setdefault(page, bytearray(UF2_PAYLOAD_BYTES))[place] = byte
    blocks = []
    for number, (page, payload) in enumerate(sorted(pages.items())):
        head = struct.pack(
            "<8I",
            *UF2_MAGIC,
            UF2_FAMILY_GIVEN,
            page * UF2_PAYLOAD_BYTES,
            UF2_PAYLOAD_BYTES,
            number,
            len(pages),
            UF2_FAMILY,
        )
        padding = bytes(UF2_BLOCK_BYTES - len(head) - UF2_PAYLOAD_BYTES - 4)
        blocks.append(head + bytes(payload) + padding + struct.pack("<I", UF2_END))
    return b"".join(blocks)


def with_boot2_sum(segments: Sequence[Segment]) -> list[Segment]:
    """The segments of a flash image, the first one filled up to the check sum of the second stage."""
    first, *others = sorted(segments, key=lambda segment: segment.address)
    if first.address != FLASH_ORIGIN:
        raise ValueError("a flash image begins with its second stage")
    boot2 = first.data[:BOOT2_BYTES].ljust(BOOT2_BYTES, b"\0")
    summed = boot2 + struct.pack("<I", crc32_mpeg2(boot2)) + first.data[BOOT2_BYTES + 4 :]
    return [Segment(FLASH_ORIGIN, summed), *others]
