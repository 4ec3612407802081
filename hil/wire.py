"""Sentences ↔ bytes: the lines of WIRE.md. CRC, framing and spelling, nothing else."""

from __future__ import annotations

import re
from binascii import crc32
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

PROTOCOL = 1
LINE_BYTES = 48  # longest line, without its end
SEQUENCES = 1 << 16
TIMES_US = 1 << 32  # the board's clock begins again at 0


class Sentence(NamedTuple):
    """One line from the board: its name, its fields as they were written, its sequence number."""

    name: str
    fields: tuple[str, ...]
    sequence: int

    def number(self, index: int) -> int:
        """A decimal field. Raises ValueError where there is none."""
        return _number(self.fields, index, 10, r"[0-9]{1,10}")

    def mask(self, index: int) -> int:
        """A hexadecimal field: bit n is GPIOn. Raises ValueError where there is none."""
        return _number(self.fields, index, 16, r"[0-9A-F]{1,8}")


@dataclass(frozen=True, slots=True)
class Damaged:
    """Bytes that are no line of the board's, and why: they are counted and never used."""

    line: bytes
    why: str


def crc_32(data: bytes) -> int:
    """CRC-32 of IEEE 802.3; of b"123456789" it is CBF43926."""
    return crc32(data)


def line_of(name: str, *fields: object, sequence: int | None = None, checked: bool = True) -> bytes:
    """A line with its end. The board's lines have a sequence number, commands have none.

    Raises ValueError for one that is longer than the wire allows.
    """
    words = (name, *fields) if sequence is None else (name, *fields, sequence % SEQUENCES)
    text = " ".join(map(str, words)).encode("ascii")
    if checked:
        text += b" *%08X" % crc_32(text)
    if len(text) > LINE_BYTES:
        raise ValueError(f"{len(text)} bytes are too long for a line: {text!r}")
    return text + b"\n"


def parse_line(line: bytes) -> Sentence | Damaged:
    """What a line from the board says; with or without its end."""
    found = _LINE(line)
    if found is not None:
        body, name, fields, sequence, check = found.groups()
        if len(body) <= _BODY_BYTES and int(check, 16) == crc32(body) and int(sequence) < SEQUENCES:
            return Sentence(name.decode("ascii"), tuple(fields.decode("ascii").split()), int(sequence))
    return _damage(line)


def _damage(line: bytes) -> Damaged:
    text = line.removesuffix(b"\n").removesuffix(b"\r")
    if len(text) > LINE_BYTES:
        return Damaged(line, "too long")
    body, mark, check = text.rpartition(b" *")
    if not mark or not _CHECK(check):
        return Damaged(line, "no CRC")
    if int(check, 16) != crc_32(body):
        return Damaged(line, "wrong CRC")
    # Damage that a right CRC doesn't show: a board that speaks another language.
    return Damaged(line, "no sequence number" if _BODY(body) else "not words with single blanks")


class Lines:
    """Cuts a stream of bytes into lines. Half a line is kept until its end comes.

    A run of bytes without an end is cut off at the longest possible line and told as damaged.
    """

    def __init__(self) -> None:
        self._begun = b""

    def of(self, data: bytes) -> Iterator[Sentence | Damaged]:
        """The lines that these bytes complete. Empty lines say nothing."""
        *whole, self._begun = (self._begun + data).split(b"\n")
        for line in whole:
            if line not in (b"", b"\r"):
                yield parse_line(line)
        if len(self._begun) > LINE_BYTES + 1:
            cut, self._begun = self._begun, b""
            yield Damaged(cut, "too long")

    def rest(self) -> Damaged | None:
        """What was begun and never ended; for the end of a file or a port that is gone."""
        begun, self._begun = self._begun, b""
        return Damaged(begun, "cut off") if begun.strip() else None


_BODY_BYTES = LINE_BYTES - len(" *CBF43926")
_CHECK = re.compile(rb"[0-9A-F]{8}").fullmatch
_LINE = re.compile(rb"(([a-z][a-z-]*)((?: [0-9A-Za-z.-]+)*) ([0-9]+)) \*([0-9A-F]{8})\r?\n?").fullmatch
_BODY = re.compile(rb"[a-z][a-z-]*(?: [0-9A-Za-z.-]+)+").fullmatch


def _number(fields: tuple[str, ...], index: int, base: int, form: str) -> int:
    if index >= len(fields) or re.fullmatch(form, fields[index]) is None:
        raise ValueError(f"field {index + 1} of {fields} is no number")
    return int(fields[index], base)
