"""The bench on a terminal: plain lines, or a picture of the keyboard that is kept up to date.

Everything here goes to stderr; the result itself goes to stdout. Nothing is coloured: marks and words say
it all, so it reads the same on every terminal.
"""

from __future__ import annotations

import os
from dataclasses import replace
from math import floor
from typing import TYPE_CHECKING, TextIO

from hil.result import PositionVerdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.events import Event
    from keyc.caps import Side
    from keyc.keyboard import Keyboard

_COLUMNS, _LINES = 80, 24
_CLEAR_BELOW = "\x1b[J"  # ECMA-48 ED
_GOOD = frozenset({PositionVerdict.PROVEN.value, PositionVerdict.ANSWERS.value})
_BAD = frozenset(one.value for one in PositionVerdict) - _GOOD - {PositionVerdict.UNTESTED.value}
_MARKS = {"proven": "✓", "answers": "○", "bad": "✗", "untested": "·", "next": "▶"}
_PLAIN_MARKS = {"proven": "+", "answers": "o", "bad": "x", "untested": ".", "next": ">"}


def view_on(stream: TextIO, keyboard: Keyboard, side: Side = "front") -> PlainView | LiveView:
    """The live view on a terminal that can move its cursor, else plain lines."""
    if stream.isatty() and os.environ.get("TERM") not in (None, "dumb"):
        return LiveView(stream, keyboard, side)
    return PlainView(stream)


class PlainView:
    """A line per event."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def show(self, event: Event) -> None:
        for line in _lines_of(event):
            self._stream.write(line + "\n")
        self._stream.flush()

    def close(self) -> None:
        """Nothing is held back."""


class LiveView:
    """What happened, scrolling; below it the keyboard, what is proven, and what is next."""

    def __init__(self, stream: TextIO, keyboard: Keyboard, side: Side = "front") -> None:
        self._stream = stream
        self._keyboard, self._side = keyboard, side
        self._marks = _MARKS if _can_write(stream, "".join(_MARKS.values())) else _PLAIN_MARKS
        self._verdicts: dict[str, str] = {}
        self._prompt: Event | None = None
        self._drawn = 0

    def show(self, event: Event) -> None:
        said: list[str] = []
        bell = ""
        if event.kind == "prompt":
            self._prompt = event
        elif event.kind == "verdict" and event.switch and event.verdict:
            self._verdicts[event.switch] = event.verdict
            if event.verdict in _BAD:
                bell, said = "\a\a", [event.text]
        elif event.kind == "press":
            bell = "\a" if event.meant == "good" else "\a\a"
            if event.meant == "good" and event.switch:
                self._verdicts[event.switch] = "proven"
            said = [] if event.meant == "good" else [event.text]
        elif event.kind == "contact":
            return
        elif event.kind == "ended":
            self.close()
            return
        else:
            said = _lines_of(event)
        self._draw(said, bell)

    def close(self) -> None:
        """Leaves the last picture standing, without the question."""
        if self._drawn:
            self._prompt = None
            self._draw([], "")
            self._drawn = 0

    def _draw(self, said: list[str], bell: str) -> None:
        size = _size_of(self._stream)
        columns = min(_COLUMNS, size.columns)
        block = self._block(columns) if self._prompt is not None or self._verdicts else []
        block = block[-(size.lines - 1) :]  # what has scrolled away can't be drawn over
        back = f"\x1b[{self._drawn}A\r{_CLEAR_BELOW}" if self._drawn else ""
        text = "".join(line[:columns] + "\n" for line in (*said, *block))
        self._stream.write(f"{back}{text}{bell}")
        self._stream.flush()
        self._drawn = len(block)

    def _block(self, columns: int) -> list[str]:
        marks = self._marks
        words = (("proven", "proven"), ("answers", "answers"), ("bad", "fault"), ("untested", "not tested"))
        seen = "   from the solder side" if self._side == "back" else ""
        legend = "  ".join(f"{marks[mark]} {word}" for mark, word in (*words, ("next", "next")))
        drawn = keyboard_lines(self._keyboard, self._verdicts, self._asked, marks, self._side, columns)
        lines = ["", *drawn, "", f" {legend}{seen}", ""]
        total = len(self._keyboard.wiring.switches)
        if self._prompt is None:
            return [*lines, f"{self._proven} of {total} proven."]
        prompt = self._prompt
        if prompt.switch is None:
            return [*lines, prompt.text, "Ctrl-C stops; nothing is lost."]
        again = " once more" if prompt.again else ""
        instead = f"touch {prompt.instead} or press Enter" if prompt.instead else "press Enter"
        return [
            *lines,
            f"Press {prompt.switch}{again}: {prompt.place}",
            f"No answer? Then {instead}.",
            f"{self._proven} of {total} proven.  Ctrl-C stops; nothing is lost.",
        ]

    @property
    def _asked(self) -> str | None:
        return None if self._prompt is None else self._prompt.switch

    @property
    def _proven(self) -> int:
        return sum(verdict == "proven" for verdict in self._verdicts.values())


def keyboard_lines(
    keyboard: Keyboard,
    verdicts: dict[str, str],
    asked: str | None,
    marks: dict[str, str],
    side: Side = "front",
    columns: int = _COLUMNS,
) -> list[str]:
    """The caps as they lie, a line of text per line of caps, no wider than `columns`. From the solder side
    left and right are exchanged."""
    caps = keyboard.caps
    if side == "back":
        caps = tuple(replace(cap, x_u=-cap.x_u) for cap in caps)
    left = min(cap.x_u - cap.width_u / 2 for cap in caps)
    right = max(cap.x_u + cap.width_u / 2 for cap in caps)
    # Whole columns, so that names are cut alike. Where there are few, marks alone keep names apart.
    per_unit = max(2, min(7, int((columns - 2) / max(1.0, right - left))))
    blank = 1 if per_unit > 3 else 0
    lines: dict[int, list[tuple[int, int, str]]] = {}
    for cap in sorted(caps, key=lambda each: each.x_u):
        # Halves go one way, so that caps in a row are alike.
        start = floor((cap.x_u - cap.width_u / 2 - left) * per_unit + 0.5)
        end = floor((cap.x_u + cap.width_u / 2 - left) * per_unit + 0.5)
        lines.setdefault(cap.line, []).append((start, end - start - blank, cap.switch))
    names = [cap.switch for cap in caps]
    # What all names begin with tells none of them apart: it goes where there is no room for it.
    narrow = any(len(name) >= room for line in lines.values() for _, room, name in line)
    cut = _shared(names) if narrow else 0
    drawn = []
    for number in sorted(lines):
        text = ""
        for start, room, name in lines[number]:
            text = text.ljust(start)[: max(start, len(text))]
            text += _cell(name, verdicts.get(name, "untested"), asked, marks, max(2, room), cut) + " " * blank
        drawn.append(f" {text.rstrip()}")
    return drawn


def _shared(names: Sequence[str]) -> int:
    """How many characters all names begin with; digits, and a name's last character, aren't counted."""
    least, most = min(names), max(names)
    same = next((n for n, (a, b) in enumerate(zip(least, most, strict=False)) if a != b), len(least))
    return min(len(least[:same].rstrip("0123456789")), min(map(len, names)) - 1)


def _cell(name: str, verdict: str, asked: str | None, marks: dict[str, str], room: int, cut: int) -> str:
    mark = marks["next"] if name == asked else marks.get(verdict, marks["bad"])
    # The end of a name tells switches apart: SW17 and SW18.
    return (mark + name[cut:][-(room - 1) :]).ljust(room)


def _size_of(stream: TextIO) -> os.terminal_size:
    try:
        size = os.get_terminal_size(stream.fileno())
    except (OSError, ValueError):  # no terminal after all
        size = os.terminal_size((0, 0))
    return os.terminal_size((size.columns or _COLUMNS, size.lines or _LINES))


def _lines_of(event: Event) -> list[str]:
    if event.kind == "stage":
        return [f"{event.stage}: {event.text}"]
    if event.kind == "prompt":
        lines = [f"[{event.proven} of {event.total} proven] {event.text}"]
        if event.again and event.instead:
            lines.append(f"    no answer? then touch {event.instead}")
        return lines
    if event.kind == "verdict":
        return [f"    {event.text}"] if event.verdict in _BAD else []
    if event.kind == "press":
        return [f"    {event.text}"]
    if event.kind in ("ended", "contact"):
        return []
    return [f"  {event.text}"]


def _can_write(stream: TextIO, text: str) -> bool:
    try:
        text.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
