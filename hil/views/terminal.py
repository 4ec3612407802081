"""The bench on a terminal: plain lines, or a picture of the keyboard that is kept up to date.

Everything here goes to stderr; the result itself goes to stdout. Nothing is coloured: marks and words say
it all, so it reads the same on every terminal.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from math import floor
from typing import TYPE_CHECKING, TextIO

from hil.result import PositionVerdict

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from hil.events import Event
    from keyc.keyboard import Cap, Keyboard
    from keyc.sheet.caps import Side

_COLUMNS, _LINES = 80, 24
_FEWEST = 5  # keys that have had the fewest presses
_CLEAR_BELOW = "\x1b[J"  # ECMA-48 ED
_GOOD = frozenset({PositionVerdict.PROVEN.value, PositionVerdict.ANSWERS.value})
_BAD = frozenset(one.value for one in PositionVerdict) - _GOOD - {PositionVerdict.UNTESTED.value}
_NOBODY: frozenset[str] = frozenset()
_UNSEEN = frozenset({"contact", "sent"})  # for a page alone
_MARKS = {"proven": "✓", "answers": "○", "bad": "✗", "untested": "·", "next": "▶"}
_PLAIN_MARKS = {"proven": "+", "answers": "o", "bad": "x", "untested": ".", "next": ">"}


def view_on(stream: TextIO, keyboard: Keyboard, side: Side = "front") -> PlainView | LiveView:
    """The live view on a terminal that can move its cursor, else plain lines."""
    if _is_live(stream):
        return LiveView(stream, keyboard.caps, side)
    return PlainView(stream)


def learning_view_on(stream: TextIO, caps: Sequence[Cap]) -> PlainView | LearningView:
    """The same for `hil learn`. Without caps there is nothing to draw."""
    if caps and _is_live(stream):
        return LearningView(stream, caps)
    return PlainView(stream, rings=stream.isatty())


def _is_live(stream: TextIO) -> bool:
    return stream.isatty() and os.environ.get("TERM") not in (None, "dumb")


class PlainView:
    """A line per event; where it `rings`, presses are to be heard as well."""

    def __init__(self, stream: TextIO, *, rings: bool = False) -> None:
        self._stream, self._rings = stream, rings
        self._is_read = stream.isatty()  # by a person, rather than by a program line by line

    def show(self, event: Event) -> None:
        lines = _lines_of(event)
        if self._is_read:
            columns = min(_COLUMNS, _size_of(self._stream).columns)
            lines = [part for line in lines for part in _wrapped(line, columns)]
        for line in lines:
            self._stream.write(line + "\n")
        if self._rings and event.kind == "press":
            self._stream.write(_bell_of(event))
        self._stream.flush()

    def close(self) -> None:
        """Nothing is held back."""


class LiveView:
    """What happened, scrolling; below it the keyboard, what is proven, and what is next."""

    legend: tuple[tuple[str, str], ...] = (
        ("proven", "proven"),
        ("answers", "answers"),
        ("bad", "fault"),
        ("untested", "not tested"),
        ("next", "next"),
    )

    def __init__(self, stream: TextIO, caps: Sequence[Cap], side: Side = "front") -> None:
        self._stream = stream
        self._caps, self._side = caps, side
        self._restore_echo = _without_echo()  # an echoed Enter would move the picture
        self._marks = _MARKS if _can_write(stream, "".join(_MARKS.values())) else _PLAIN_MARKS
        self._verdicts: dict[str, str] = {}
        self._prompt: Event | None = None
        self._trouble: str | None = None  # what has to be done before that
        self._far: str | None = None  # how much of what it asks for is done
        self._drawn = 0

    def show(self, event: Event) -> None:
        said: list[str] = []
        bell = ""
        if event.kind == "prompt":
            self._prompt, self._far, self._trouble = event, None, None
        elif event.kind == "counted":
            if event.stage == "flex" and event.proven == event.total:
                bell = "\a"  # eyes and hands are at the case
            if self._prompt is not None:
                self._far = event.text
                self._prompt = replace(
                    self._prompt, together=event.together, proven=event.proven, total=event.total
                )
        elif event.kind == "verdict" and event.switch and event.verdict:
            self._verdicts[event.switch] = event.verdict
            if event.verdict in _BAD:
                bell, said = "\a\a", [event.text]
        elif event.kind == "press":
            bell = _bell_of(event)
            if event.meant == "good" and event.switch:
                self._verdicts[event.switch] = "proven"
            said = [] if event.meant == "good" else [event.text]
        elif event.kind == "blip":
            bell, said = "\a", _lines_of(event)
        elif event.kind == "stage":
            self._prompt = None
            said = _lines_of(event)
        elif event.kind == "typed":
            if event.switch and self._verdicts.get(event.switch, "untested") == "untested":
                self._verdicts[event.switch] = "answers"
            self._far = event.text
        elif event.kind in _UNSEEN:
            return
        elif event.kind in ("trouble", "back"):
            self._trouble = event.text if event.kind == "trouble" else None
            said = _lines_of(event)
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
        self._restore_echo()

    def _draw(self, said: list[str], bell: str) -> None:
        size = _size_of(self._stream)
        columns = min(_COLUMNS, size.columns)
        block = self._block(columns) if self._prompt is not None or self._verdicts else []
        block = block[-(size.lines - 1) :]  # what has scrolled away can't be drawn over
        back = f"\x1b[{self._drawn}A\r{_CLEAR_BELOW}" if self._drawn else ""
        said = [part for line in said for part in _wrapped(line, columns)]
        text = "".join(line[:columns] + "\n" for line in (*said, *block))
        self._stream.write(f"{back}{text}{bell}")
        self._stream.flush()
        self._drawn = len(block)

    def _block(self, columns: int) -> list[str]:
        marks = self._marks
        seen = "   from the solder side" if self._side == "back" else ""
        legend = "  ".join(f"{marks[mark]} {word}" for mark, word in self.legend)
        drawn = keyboard_lines(self._caps, self._verdicts, self._asked, marks, self._side, columns)
        lines = ["", *drawn, "", f" {legend}{seen}", ""]
        below = [part for line in self._below() for part in _wrapped(line, columns)]
        return [*lines, *below]

    def _below(self) -> list[str]:
        """What stands below the picture: what to do now."""
        count = f"{self._proven} of {len(self._caps)} proven."
        prompt = self._prompt
        if prompt is None:
            return [count]
        if self._trouble is not None:
            text = f"{self._trouble[:1].upper()}{self._trouble[1:]}"
            return [text, f"{count}  Ctrl-C stops; nothing is lost."]
        if prompt.times is not None or prompt.together is not None:
            unit = "presses" if prompt.times else "done"
            far = self._far or ("" if prompt.total is None else f"{prompt.proven} of {prompt.total} {unit}")
            done = f"{far}.  " if far else ""
            silent = ["Enter leaves it out."]
            if prompt.times and prompt.together:
                fewest = ", ".join(prompt.together[:_FEWEST])
                silent = [
                    f"Fewest so far: {fewest}",
                    f"{prompt.together[0]} is silent? A finished key pressed twice, or Enter, leaves it out.",
                    "Enter twice in a blink ends it with what it has.",
                ]
            text = f"{prompt.text[:1].upper()}{prompt.text[1:]}"
            return [text, *silent, f"{done}Ctrl-C stops; nothing is lost."]
        if prompt.switch is None:
            text = f"{prompt.text[:1].upper()}{prompt.text[1:]}"
            done = f"{self._far}.  " if self._far else ""
            return [text, f"{done}Ctrl-C stops; nothing is lost."]
        again = " once more" if prompt.again else ""
        instead = f"touch {prompt.instead} or press Enter" if prompt.instead else "press Enter"
        return [
            f"Press {prompt.switch}{again}: {prompt.place}",
            f"No answer? Then {instead}.",
            f"{count}  Ctrl-C stops; nothing is lost.",
        ]

    @property
    def _asked(self) -> frozenset[str]:
        return _NOBODY if self._prompt is None else self._prompt.switches

    @property
    def _proven(self) -> int:
        return sum(verdict == "proven" for verdict in self._verdicts.values())


class LearningView(LiveView):
    """The same for `hil learn`: which keys are known by now, and which is next."""

    legend = (
        ("proven", "learnt"),
        ("bad", "doesn't answer"),
        ("untested", "not pressed yet"),
        ("next", "next"),
    )

    def _below(self) -> list[str]:
        count = f"{self._proven} of {len(self._caps)} learnt."
        if self._prompt is None:
            return [count]
        return [
            f"Press {self._prompt.switch}: {self._prompt.place}",
            "No answer? Then press Enter: that name is left out.",
            f"{count}  Ctrl-C ends it, and so do two quick touches on a known key.",
        ]


def _bell_of(event: Event) -> str:
    return "\a" if event.meant == "good" else "\a\a"


def keyboard_lines(
    caps: Sequence[Cap],
    verdicts: dict[str, str],
    asked: frozenset[str],
    marks: dict[str, str],
    side: Side = "front",
    columns: int = _COLUMNS,
) -> list[str]:
    """The caps as they lie, a line of text per line of caps, no wider than `columns`. From the solder side
    left and right are exchanged."""
    if side == "back":
        caps = tuple(cap.replaced(x_u=-cap.x_u) for cap in caps)
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


def _cell(name: str, verdict: str, asked: frozenset[str], marks: dict[str, str], room: int, cut: int) -> str:
    mark = marks["next"] if name in asked else marks.get(verdict, marks["bad"])
    # The end of a name tells switches apart: SW17 and SW18.
    return (mark + name[cut:][-(room - 1) :]).ljust(room)


def _wrapped(text: str, columns: int) -> list[str]:
    from textwrap import wrap

    indent = " " * (len(text) - len(text.lstrip()))
    return wrap(text, columns, subsequent_indent=f"{indent}  ", break_on_hyphens=False) or [""]


def _without_echo() -> Callable[[], None]:
    """Switches the echo of what is typed off, where that can be done; what switches it on again."""
    try:
        import termios
    except ImportError:  # no such thing on this system
        return lambda: None
    try:
        terminal = sys.stdin.fileno()
        before = termios.tcgetattr(terminal)
        now = [*before]
        now[3] &= ~termios.ECHO
        termios.tcsetattr(terminal, termios.TCSADRAIN, now)
    except (OSError, ValueError, AttributeError, termios.error):  # no terminal
        return lambda: None
    return lambda: termios.tcsetattr(terminal, termios.TCSADRAIN, before)


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
        word = "learnt" if event.stage == "learn" else "proven"
        word = "done" if event.times or event.together else word
        count = "" if event.total is None else f"[{event.proven} of {event.total} {word}] "
        lines = [f"{count}{event.text}"]
        if event.again and event.instead:
            lines.append(f"    no answer? then touch {event.instead}")
        return lines
    if event.kind == "verdict":
        return [f"    {event.text}"] if event.verdict in _BAD else []
    if event.kind == "press":
        return [f"    {event.text}"]
    if event.kind in ("ended", "typed", "counted") or event.kind in _UNSEEN:
        return []
    return [f"  {event.text}"]


def _can_write(stream: TextIO, text: str) -> bool:
    try:
        text.encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
