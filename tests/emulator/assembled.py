"""Images of a few instructions, assembled by hand, so that the chip's tests need no compiler.

Encodings: ARMv6-M Architecture Reference Manual, A6.7. UF2: its published specification
(magic numbers, 512-byte blocks, family 0xE48BFF56 for the RP2040).
"""

from __future__ import annotations

import struct

MARKER_ADDRESS, MARKER = 0x20001000, 0xCAFE1234

# ldr r0, =MARKER_ADDRESS; ldr r1, =MARKER; str r1, [r0]; sleep: wfe; b sleep; nop (alignment); literals
MARK_AND_SLEEP = struct.pack("<6H2I", 0x4802, 0x4903, 0x6001, 0xBF20, 0xE7FD, 0x46C0, MARKER_ADDRESS, MARKER)

# ldr r0, =0x00000000; str r0, [r0]; sleep: wfe; b sleep; literal. A write to the boot ROM.
WRITE_TO_NULL = struct.pack("<4HI", 0x4801, 0x6000, 0xBF20, 0xE7FD, 0)

# ldr r0, =0x40010000 + 0x800 (nothing there in PSM); str r0, [r0]; sleep: wfe; b sleep; literal
WRITE_TO_NOTHING = struct.pack("<4HI", 0x4801, 0x6000, 0xBF20, 0xE7FD, 0x40010800)


def uf2(base: int, payload: bytes) -> bytes:
    """The payload as UF2 blocks of 256 bytes from `base` on."""
    pages = [payload[at : at + 256].ljust(256, b"\0") for at in range(0, len(payload), 256)]
    head = (0x0A324655, 0x9E5D5157, 0x2000)
    return b"".join(
        struct.pack("<8I", *head, base + 256 * number, 256, number, len(pages), 0xE48BFF56)
        + page.ljust(476, b"\0")
        + struct.pack("<I", 0x0AB16F30)
        for number, page in enumerate(pages)
    )


def second_stage(code: bytes, crc_mask: int = 0) -> bytes:
    """A flash image's first 256 bytes: code and its CRC-32 (RP2040 datasheet 2.8.1.3.1), or a wrong one."""
    code = code.ljust(252, b"\0")
    crc = 0xFFFFFFFF
    for byte in code:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return code + struct.pack("<I", crc ^ crc_mask)
