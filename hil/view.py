"""The bench on a terminal: plain lines, or a picture of the keyboard that is kept up to date.

Everything here goes to stderr; the result itself goes to stdout. Nothing is coloured: marks and words say
it all, so it reads the same on every terminal.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, TextIO

from hil.result import PositionVerdict

if TYPE_CHECKING:
    from hil.events import Event
    from keyc.keyboard import Cap, Keyboard

_COLUMNS = 80
_CLEAR_BELOW = "\x1b[J"  # ECMA-48 ED
_GOOD = frozenset({PositionVerdict.PROVEN.value, PositionVerdict.ANSWERS.value})
_BAD = frozenset(one.value for one in PositionVerdict) - _GOOD - {PositionVerdict.UNTESTED.value}
_MARKS = {"proven": "✓", "answers": "○", "bad": "✗", "untested": "·", "next": "▶"}
_PLAIN_MARKS = {"proven": "+", "answers": "o", "bad": "x", "untested": ".", "next": ">"}


def view_on(stream: TextIO, keyboard: Keyboard) -> PlainView | LiveView:
    """The live view on a terminal that can move its cursor, else plain lines."""
    if stream.isatty() and os.environ.get("TERM") not in (None, "dumb"):
        return LiveView(stream, keyboard)
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

    def __init__(self, stream: TextIO, keyboard: Keyboard) -> None:
        self._stream = stream
        self._keyboard = keyboard
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
        elif event.kind == "typed":
            if event.switch and self._verdicts.get(event.switch, "untested") == "untested":
                self._verdicts[event.switch] = "answers"
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
        block = self._block() if self._prompt is not None or self._verdicts else []
        back = f"\x1b[{self._drawn}A\r{_CLEAR_BELOW}" if self._drawn else ""
        text = "".join(line[:_COLUMNS] + "\n" for line in (*said, *block))
        self._stream.write(f"{back}{text}{bell}")
        self._stream.flush()
        self._drawn = len(block)

    def _block(self) -> list[str]:
        marks = self._marks
        words = (("proven", "proven"), ("answers", "answers"), ("bad", "fault"), ("untested", "not tested"))
        legend = "  ".join(f"{marks[mark]} {word}" for mark, word in (*words, ("next", "next")))
        drawn = keyboard_lines(self._keyboard, self._verdicts, self._asked, marks)
        lines = ["", *drawn, "", f" {legend}", ""]
        if self._prompt is not None:
            prompt = self._prompt
            again = " once more" if prompt.again else ""
            lines.append(
                f"{self._proven} of {prompt.total} proven.  Press {prompt.switch}{again}: {prompt.place}"
            )
            instead = f"touch {prompt.instead} or press Enter" if prompt.instead else "press Enter"
            lines.append(f"No answer? Then {instead}.  Ctrl-C stops; nothing is lost.")
        else:
            lines.append(f"{self._proven} of {len(self._keyboard.wiring.switches)} proven.")
        return lines

    @property
    def _asked(self) -> str | None:
        return None if self._prompt is None else self._prompt.switch

    @property
    def _proven(self) -> int:
        return sum(verdict == "proven" for verdict in self._verdicts.values())


def keyboard_lines(
    keyboard: Keyboard, verdicts: dict[str, str], asked: str | None, marks: dict[str, str]
) -> list[str]:
    """The caps as they lie, a line of text per line of caps, at most 80 columns wide."""
    caps = keyboard.caps
    left = min(cap.x_u - cap.width_u / 2 for cap in caps)
    right = max(cap.x_u + cap.width_u / 2 for cap in caps)
    # Whole columns, so that names are cut alike.
    per_unit = max(2, min(7, int((_COLUMNS - 2) / max(1.0, right - left))))
    lines: dict[int, list[Cap]] = {}
    for cap in caps:
        lines.setdefault(cap.line, []).append(cap)
    drawn = []
    for number in sorted(lines):
        text = ""
        for cap in sorted(lines[number], key=lambda each: each.x_u):
            start = round((cap.x_u - cap.width_u / 2 - left) * per_unit)
            end = round((cap.x_u + cap.width_u / 2 - left) * per_unit)
            text = text.ljust(start)[: max(start, len(text))]
            room = max(2, end - len(text) - 1)
            text += _cell(cap.switch, verdicts.get(cap.switch, "untested"), asked, marks, room) + " "
        drawn.append(f" {text.rstrip()}")
    return drawn


def _cell(name: str, verdict: str, asked: str | None, marks: dict[str, str], room: int) -> str:
    mark = marks["next"] if name == asked else marks.get(verdict, marks["bad"])
    # The end of a name tells switches apart: SW17 and SW18.
    return (mark + name[-(room - 1) :]).ljust(room)


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
    if event.kind in ("ended", "typed"):
        return []
    return [f"  {event.text}"]


def _can_write(stream: TextIO, text: str) -> bool:
    try:
        text.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
