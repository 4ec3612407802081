"""What has been told of a text that doesn't parse, and what of it was skipped."""

from __future__ import annotations

from functools import cached_property

from keyc.diagnostics import Diagnostic, Label
from keyc.language.rough_text import NAME
from keyc.language.statements import Damage
from keyc.language.words import FORMS
from keyc.source import Source, Span


class Told:
    """One file's mistakes and losses. `words`, `blocks` and `starts` are as in `Damage`."""

    def __init__(self, source: Source, text: str) -> None:
        self.diagnostics: list[Diagnostic] = []
        self.lines: set[int] = set()
        self.words: set[str] = set()
        self.blocks: set[str] = set()
        self.starts: set[int] = set()
        self._source = source
        self._text = text
        self._end = len(source.text)
        self._told_line = 0  # one mistake a line, but for signs without quotes
        self._told: set[tuple[str, int]] = set()

    def damage(self) -> Damage:
        return Damage(
            frozenset(self.lines), frozenset(self.words), frozenset(self.blocks), frozenset(self.starts)
        )

    @cached_property
    def names(self) -> frozenset[str]:
        """All names in the text."""
        return frozenset(NAME.findall(self._text))

    def no_keymap(self) -> Diagnostic:
        """What is said instead of all mistakes where nothing in the file is a statement."""
        first = self.diagnostics[0]
        return first.replaced(
            message=f"{first.message}, and nothing in this file is one",
            help=f"is this the right file? A keymap's statements begin with {', '.join(FORMS[''])}",
            labels=(),
        )

    def tell(
        self,
        code: str,
        message: str,
        start: int,
        end: int,
        help: str,
        labels: tuple[Label, ...] = (),
    ) -> None:
        """Adds a mistake, unless its line has one already."""
        line = self._source.place(min(start, self._end))[0]
        self.lines.add(line)
        if self._is_told_of(start):
            return
        if line == self._told_line or (code, start) in self._told:
            return
        self._told_line = line
        self._told.add((code, start))  # a line may be read again, once its block has been closed
        span = self.span(start, end)
        self.diagnostics.append(Diagnostic(code, "error", message, span, help, labels))

    def _is_told_of(self, start: int) -> bool:
        """Whether what stands right before a place is a sign that was told of and taken out of the text."""
        before = self._source.text[max(start - 80, 0) : start].rstrip()
        return before[-1:] in (",", ";", ":") and self._text[max(start - 80, 0) + len(before) - 1] == " "

    def span(self, start: int, end: int) -> Span:
        return Span(self._source, min(start, self._end), min(end, self._end))

    def skipped(self, start: int, end: int) -> None:
        """Notes what is lost, so that nobody complains of its absence."""
        text = self._text[start:end]
        self.words.update(NAME.findall(text))
        first = self._source.place(min(start, self._end))[0]
        self.lines.update(range(first, first + text.count("\n") + 1))

    def even_in_told_line(self) -> None:
        """Lets the next mistake, or another one after the last, be told although its line has one."""
        self._told_line = 0
