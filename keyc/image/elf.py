"""What is in a linked image: ELF files (System V ABI, chapters 4 and 5; 32 bits, little-endian)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

FLASH_ORIGIN = 0x10000000
RAM_ORIGIN = 0x20000000
STACKS_ORIGIN = 0x20040000  # the two small banks behind the large ones: nothing but stacks lies there


@dataclass(frozen=True, slots=True)
class Segment:
    """Bytes of the linked image at the address where they are stored."""

    address: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Sizes:
    """Bytes of one image. `flash` is what lies in the flash chip (nothing of a RAM image), `ram` what the
    image occupies in RAM without its stack, for which `stack` are set aside (code that a user adds on the
    Pico SDK puts its own on top)."""

    flash: int
    ram: int
    stack: int


def elf_in(file: str) -> bytes | None:
    """What is in a file that is an ELF file; None for any other, and for what can't be read."""
    try:
        with open(file, "rb") as opened:
            begins = opened.read(4)
            return begins + opened.read() if begins == b"\x7fELF" else None
    except OSError:
        return None


@dataclass(frozen=True, slots=True)
class _Loaded:
    """One PT_LOAD program header."""

    offset: int
    runs_at: int
    stored_at: int
    file_bytes: int
    memory_bytes: int


def _program_headers(elf: bytes) -> Iterator[_Loaded]:
    if elf[:6] != b"\x7fELF\x01\x01":
        raise ValueError("it isn't a 32-bit little-endian ELF file")
    (first,) = struct.unpack_from("<I", elf, 28)
    entry_bytes, count = struct.unpack_from("<2H", elf, 42)
    for index in range(count):
        kind, *numbers = struct.unpack_from("<6I", elf, first + index * entry_bytes)
        if kind == 1 and numbers[4]:
            yield _Loaded(*numbers)


def segments_of(elf: bytes) -> list[Segment]:
    """What is stored. ValueError or struct.error if this isn't such a file."""
    return [
        Segment(part.stored_at, elf[part.offset : part.offset + part.file_bytes])
        for part in _program_headers(elf)
        if part.file_bytes
    ]


def sizes_of(elf: bytes, stack: int) -> Sizes:
    """How much room an image takes. ValueError or struct.error if this isn't such a file."""
    flash = [
        part.stored_at + part.file_bytes - FLASH_ORIGIN
        for part in _program_headers(elf)
        if part.file_bytes and part.stored_at < RAM_ORIGIN
    ]
    ram = [
        part.runs_at + part.memory_bytes - RAM_ORIGIN
        for part in _program_headers(elf)
        if RAM_ORIGIN <= part.runs_at < STACKS_ORIGIN
    ]
    return Sizes(max(flash, default=0), max(ram, default=0), stack)
