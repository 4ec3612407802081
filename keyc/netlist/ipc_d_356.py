"""IPC-D-356 and IPC-D-356A files → pads: the bare-board test netlist that every PCB tool exports.

Reading only: which pads belong together and what they are is `circuit.py`'s.
The columns are those of the public application note on IPC-D-356A; what exporters really write differs, so
fixed columns come first and a pattern where they don't hold. Nothing after column 71 counts.
Lengths in mm, x to the right and y upwards, as in the file.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from keyc.diagnostics import Diagnostic, UserError
from keyc.files import bytes_of
from keyc.source import Source, Span

LARGEST_NETLIST = 32 * 1024 * 1024  # bytes: some 400,000 pads; no keyboard comes near it

_INCH = 0.00254  # mm: 0.0001 inch
_METRIC = 0.001
_LOST_MM = 2**32 / 25_400 * _INCH  # 0.0001 inch are 2,540 nm, ten of which are counted
_UNITS = {"SI": _METRIC, "CUST": _INCH, "CUST 0": _INCH, "CUST 1": _METRIC, "CUST 2": _INCH}

# Test records of pads and holes. Vias (307), conductors, outlines and the like tell nothing that is needed.
_PADS = frozenset({"317", "327", "337", "347", "357", "367", "390"})
_IGNORED = frozenset({"307", "370", "378", "379", "380", "389"})
_UNCONNECTED = frozenset({"N/C", ""})

# A record whose columns have shifted: designator and pin wherever they stand, then the place.
_SHIFTED = re.compile(
    r"\s*(?P<part>[^\s-]\S*?)\s*-(?P<pin>\S*?)\s*M?\s*(?:D(?P<hole>[ \d]{4})(?P<plating>[PU]?))?\s*(?:A\d\d)?"
    r"\s*X(?P<x>[+ -]?-?[ \d]{1,6})Y(?P<y>[+ -]?-?(?:[ \d]{6}|[ \d]{1,5}(?=.)))"
)
# `P  NNAME0001 LONG_NET_NAME`; some exporters write it as a comment.
_ALIAS = re.compile(r"[PC]\s+NNAME(\S+)\s+(\S.*?)\s*$")
_TOLD_MOST = 5  # lines that can't be read; the rest is counted


class Pad(NamedTuple):
    """One pad or hole. `net` is the file's own word, None for `N/C`; `part` and `pin` may be empty.

    `hole_mm` is None for a surface pad. `start` is where its line begins in the file.
    """

    part: str
    pin: str
    net: str | None
    x_mm: float
    y_mm: float
    hole_mm: float | None
    is_plated: bool
    start: int


@dataclass(frozen=True, eq=False, slots=True)
class Netlist:
    """A file's pads in its own order, its long net names by the file's short words, and what is odd in it."""

    source: Source
    pads: tuple[Pad, ...]
    long_names: Mapping[str, str]
    diagnostics: tuple[Diagnostic, ...]
    is_whole: bool = True  # it has the line that ends it

    def net_name(self, net: str) -> str:
        """A net's name for people: the long one where the file has it, without a `{n}` put after it."""
        name = self.long_names.get(net, net)
        return re.sub(r"(?<=.)\{\d+\}$", "", name)

    def span(self, pad: Pad) -> Span:
        """A pad's line in the file, as far as it counts."""
        line, _ = self.source.place(pad.start)
        length = min(len(self.source.line(line).rstrip()), _LAST_COLUMN)
        return Span(self.source, pad.start, pad.start + length)


_LAST_COLUMN = 71


def read_netlist(path: str | os.PathLike[str]) -> Netlist:
    """A netlist file. Raises UserError where there is none, it's too large, or no netlist at all."""
    name = os.fspath(path)
    data = bytes_of(path, LARGEST_NETLIST, "the netlist file")
    return netlist_of(name, data)


def netlist_of(name: str, data: bytes) -> Netlist:
    """The netlist in a file's bytes. Raises UserError where they are none."""
    if len(data) > LARGEST_NETLIST:
        raise UserError(
            f"{name} is larger than {LARGEST_NETLIST >> 20} MB",
            "the netlist of a keyboard is a text of some hundred kilobytes: is this the right file?",
        )
    if b"\0" in data:
        raise UserError(f"{name} is no text file: it has NUL bytes", _WHAT_TO_EXPORT)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # net names in an old code page: any will do, they are only compared
    return _Reader(Source(name, text)).netlist()


_WHAT_TO_EXPORT = (
    "export the board's test netlist from the PCB program: it is called IPC-D-356 or IPC-D-356A there, and "
    "the file often ends in .ipc, .356 or .d356"
)


class _Unreadable(Exception):
    """A record that doesn't give what it must; the message says what."""


class _Reader:
    def __init__(self, source: Source) -> None:
        self._source = source
        self._diagnostics: list[Diagnostic] = []
        self._aliases: dict[str, str] = {}
        self._unreadable = 0
        self._records = 0

    def netlist(self) -> Netlist:
        scales, ended_at = self._parameters()
        pads = tuple(self._pads(scales, ended_at))
        if not pads or self._unreadable > len(pads):
            raise UserError(
                f"{self._source.name} is no IPC-D-356 netlist: {self._no_netlist(len(pads))}", _WHAT_TO_EXPORT
            )
        self._tell_count_of_unreadable()
        self._tell_end(ended_at)
        long_names = self._long_names(pads)
        return Netlist(self._source, pads, long_names, tuple(self._diagnostics), ended_at is not None)

    def _lines(self) -> Iterator[tuple[int, str]]:
        """Each line with where it begins. Not `splitlines`: that splits at form feeds and the like."""
        start = 0
        for line in self._source.text.split("\n"):
            yield start, line
            start += len(line) + 1

    # ---- parameters

    def _parameters(self) -> tuple[list[tuple[int, float]], int | None]:
        """The scales with where each begins, and where `999` ends the file."""
        scales: list[tuple[int, float]] = []
        for start, line in self._lines():
            head = line[:1]
            if head == "P" and line[3:9].strip() == "UNITS":
                scales.append((start, self._scale(line, start)))
            elif head in ("P", "C"):
                if match := _ALIAS.match(line):
                    self._aliases.setdefault(match[1], match[2])
            elif head == "9" and line.strip() == "999":
                return self._scales(scales), start
        return self._scales(scales), None

    def _scale(self, line: str, start: int) -> float:
        """mm per count of this UNITS line."""
        value = " ".join(line[9:_LAST_COLUMN].split())
        scale = _UNITS.get(value)
        if scale is None:
            self._diagnostics.append(
                Diagnostic(
                    "netlist-units",
                    "error",
                    f"the unit `{value}` isn't one of the format's",
                    Span(self._source, start, start + len(line.rstrip())),
                    "they are SI, CUST 0, CUST 1 and CUST 2; here it is taken for CUST 0, 0.0001 inch",
                )
            )
            return _INCH
        return scale

    def _scales(self, scales: list[tuple[int, float]]) -> list[tuple[int, float]]:
        if not scales:
            self._diagnostics.append(
                Diagnostic(
                    "netlist-units",
                    "warning",
                    "the file doesn't say its unit: it is taken for 0.0001 inch",
                    Span(self._source, 0, 0),
                    "if the places below are wrong, add a line before the first record: P  UNITS CUST 1",
                )
            )
            return [(0, _INCH)]
        if len({scale for _, scale in scales}) == 1:
            return [(0, scales[0][1])]  # wherever it stands, it is meant for all
        return [(0, scales[0][1]), *scales[1:]]

    def _long_names(self, pads: tuple[Pad, ...]) -> dict[str, str]:
        """Long names by the words of the records: the alias alone, or with `NNAME` before it."""
        if not self._aliases:
            return {}
        by_number = {alias.lstrip("0"): name for alias, name in self._aliases.items()}
        named = {}
        for net in {pad.net for pad in pads if pad.net is not None}:
            alias = net.removeprefix("NNAME")
            name = self._aliases.get(alias)
            if name is None and alias is not net:
                name = by_number.get(alias.lstrip("0"))
            if name is not None:
                named[net] = name
        return named

    # ---- records

    def _pads(self, scales: list[tuple[int, float]], ended_at: int | None) -> Iterator[Pad]:
        scale = scales[0][1]
        later = scales[1:]
        for start, line in self._lines():
            if start == ended_at:
                return
            while later and start >= later[0][0]:
                scale = later.pop(0)[1]
            kind = line[:3]
            if kind in _PADS:
                try:
                    pad = _fixed(line, start, scale) or _shifted(line, start, scale)
                except _Unreadable as why:
                    self._tell_unreadable(start, line, str(why))
                    continue
                if pad.part != "VIA":
                    yield pad
            elif line and line[0] not in "CP0" and kind not in _IGNORED and line.strip():
                self._tell_unreadable(start, line, "it begins with no record of the format")

    def _tell_unreadable(self, start: int, line: str, why: str) -> None:
        self._unreadable += 1
        if self._unreadable <= _TOLD_MOST:
            self._diagnostics.append(
                Diagnostic(
                    "netlist-line-unreadable",
                    "error",
                    f"this line can't be read: {why}",
                    Span(self._source, start, start + len(line.rstrip())),
                    "its pad is missing from all that follows: export the file again",
                )
            )

    def _tell_count_of_unreadable(self) -> None:
        if self._unreadable > _TOLD_MOST:
            last = self._diagnostics[-1]
            self._diagnostics.append(
                Diagnostic(
                    "netlist-line-unreadable",
                    "error",
                    f"{self._unreadable - _TOLD_MOST} more lines can't be read",
                    Span(self._source, last.span.end, last.span.end),
                    "export the file again",
                )
            )

    def _tell_end(self, ended_at: int | None) -> None:
        text = self._source.text
        if ended_at is None:
            end = len(text.rstrip())
            self._diagnostics.append(
                Diagnostic(
                    "netlist-end",
                    "warning",
                    "the line `999`, which ends a netlist, is missing: the file may have been cut off",
                    Span(self._source, end, end),
                    "compare its length with the original's, or export it again",
                )
            )
        elif rest := text[ended_at + 3 :].strip():
            at = text.index(rest, ended_at + 3)
            self._diagnostics.append(
                Diagnostic(
                    "netlist-end",
                    "warning",
                    "the netlist ends with the line `999`, but more follows: it isn't read",
                    Span(self._source, at, at + len(rest.split("\n", 1)[0].rstrip())),
                    "if two files were put together, give each on its own",
                )
            )

    def _no_netlist(self, pads: int) -> str:
        first = next((line.strip() for _, line in self._lines() if line.strip()), "")
        if not first:
            return "it is empty"
        for begins, what in _OTHER_FILES:
            if first.startswith(begins):
                return f"it looks like {what}"
        if not pads and not self._unreadable:
            return "it has no pads"
        return "most of its lines aren't records of that format"


_OTHER_FILES = (
    ("%FS", "a Gerber file"),
    ("G04", "a Gerber file"),
    ("M48", "a drill file"),
    ("(kicad_", "a design file, not its netlist"),
    ("(export", "a schematic's netlist, which has no places"),
    ("<?xml", "an XML file"),
    ("<", "an XML file"),
    ("{", "a JSON file"),
    ("%PDF", "a PDF"),
    ("keyboard ", "a keymap file"),
)


def _fixed(line: str, start: int, scale: float) -> Pad | None:
    """A record in the format's own columns; None where they don't hold."""
    if line[26:27] not in ("-", " ") or line[41:42] != "X" or line[49:50] != "Y":
        return None
    if len(line.rstrip()) < 57:
        raise _Unreadable("it is cut short")
    hole = line[33:37] if line[32] == "D" else ""
    return _pad(
        line[20:26].strip(),
        line[27:31].strip(),
        line,
        (line[42:49], line[50:57]),
        hole,
        line[37],
        start,
        scale,
    )


def _shifted(line: str, start: int, scale: float) -> Pad:
    """A record whose designator overflows its columns, or pushes the rest of the line to the right."""
    if (tail := line[17:].lstrip()) and (match := _SHIFTED.match(tail)):
        return _pad(
            match["part"],
            match["pin"],
            line,
            (match["x"], match["y"]),
            match["hole"] or "",
            match["plating"] or "",
            start,
            scale,
        )
    raise _Unreadable("it has no place" if len(line.rstrip()) >= 41 else "it is cut short")


def _pad(
    part: str,
    pin: str,
    line: str,
    place: tuple[str, str],
    hole: str,
    plating: str,
    start: int,
    scale: float,
) -> Pad:
    net = line[3:17].strip()
    hole_counts = _count(hole) if hole.strip() else 0
    return Pad(
        part,
        pin,
        None if net in _UNCONNECTED else net,
        _length_mm(place[0], scale),
        _length_mm(place[1], scale),
        hole_counts * scale if hole_counts else None,
        plating != "U",
        start,
    )


def _length_mm(digits: str, scale: float) -> float:
    """One of a pad's two places.

    An exporter that writes in inches counts nanometres in 32 bits, and from 214.7 mm on it writes what is
    left of them behind a plus: `+-81420` is 222.69 mm (pcb-rnd 3.0.6; boards of keyboards are as wide).
    """
    if not digits.startswith("+-"):
        return _count(digits) * scale
    return _count(digits[1:]) * scale + (_LOST_MM if scale == _INCH else 0.0)


def _count(digits: str) -> int:
    """A number whose leading zeroes, and those after its sign, may be blanks: `  14900`, `- 52897`."""
    try:
        return int(digits)
    except ValueError:
        pass
    joined = digits.replace(" ", "")
    # Cut off behind the sign or in the digits, a number would be another number: `X+014` is no place.
    if not re.fullmatch(r"[+-]?\d+", joined) or digits != digits.rstrip():
        raise _Unreadable(f"`{digits.strip()}` is no number") from None
    return int(joined)


def fingerprint(netlist: Netlist) -> str:
    """Twelve hex digits of what is joined to what, and where: which board a netlist or a record is of.

    Net names, comments, the order of records and the origin don't count (SHA-256, first six bytes).
    """
    from hashlib import sha256

    pads = netlist.pads
    left = min(pad.x_mm for pad in pads)
    low = min(pad.y_mm for pad in pads)
    placed = sorted(
        (
            (
                pad.part,
                pad.pin,
                round((pad.x_mm - left) * 100),
                round((pad.y_mm - low) * 100),
                round((pad.hole_mm or 0) * 100),
                pad.is_plated,
            ),
            pad.net or "",
        )
        for pad in pads
    )
    numbers: dict[str, int] = {}
    digest = sha256()
    for index, (what, net) in enumerate(placed):
        joined = numbers.setdefault(net, len(numbers)) if net else -1 - index
        digest.update(repr((what, joined)).encode())
    return digest.hexdigest()[:12]
