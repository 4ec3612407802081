"""A file's text, and a span in it."""

from __future__ import annotations

from bisect import bisect_right

from keyc.record import Record


class Source:
    """A keymap file's name as the user gave it, and its text (decoded, without a BOM)."""

    def __init__(self, name: str, text: str) -> None:
        self.name = name
        self.text = text
        self._starts = starts = [0]
        find = text.find
        at = find("\n")
        while at != -1:
            starts.append(at + 1)
            at = find("\n", at + 1)

    def place(self, offset: int) -> tuple[int, int]:
        """Line and column of a character offset, both from 1, columns in characters."""
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1

    def line(self, number: int) -> str:
        """The text of a line (numbered from 1) without its end."""
        start = self._starts[number - 1]
        end = self._starts[number] - 1 if number < len(self._starts) else len(self.text)
        return self.text[start:end].rstrip("\r\n")


class Span(Record):
    """Characters `start` to `end` (exclusive) of a source."""

    source: Source
    start: int
    end: int
