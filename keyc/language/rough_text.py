"""A text that doesn't parse, read word by word: its lines, braces and comments."""

from __future__ import annotations

import re

from keyc.language.words import FORMS

NAME = re.compile(r"[^\W\d]\w*(?:-\w+)*")
TEXT = re.compile(r'"(?:[^"\\\n]|\\[^\n])*"')
CHUNK = re.compile(r'[^\s{}#"]+|\S|\s')
# What hides a brace or a line end, and those themselves.
_STOP = re.compile(TEXT.pattern + r"|\\[ \t]*(?:#[^\n]*)?\r?\n|#[^\n]*|[{}\n]")
BLANKS = re.compile(r"[ \t]*")
BLANK_LINES = re.compile(r"(?:[ \t]*(?:#[^\n]*)?\r?\n)*[ \t]*")


def past(pattern: re.Pattern[str], text: str, at: int) -> int:
    """The place behind what one of CHUNK, BLANKS and BLANK_LINES finds here. Blanks may be none, and a chunk
    is a single sign at the least, so that all three match anywhere in a text (a chunk not at its end)."""
    match = pattern.match(text, at)
    assert match is not None
    return match.end()


class RoughText:
    """`text` with the end of the file at `end`: what stands behind it the reader has put there."""

    def __init__(self, text: str, end: int) -> None:
        self._text = text
        self._end = end

    def line_start(self, at: int) -> int:
        return self._text.rfind("\n", 0, at) + 1

    def first_word(self, line_start: int) -> str:
        match = NAME.match(self._text, past(BLANKS, self._text, line_start))
        return match.group() if match else ""

    def stop(self, at: int) -> int:
        """Where the next brace or line end is that isn't in a text or a comment."""
        for match in _STOP.finditer(self._text, at):
            if match.group() in "{}\n":
                return match.start()
        return len(self._text)

    def after_block(self, at: int) -> int:
        """Past the `}` that closes the `{` at this place; at the next statement if there is none."""
        depth = 0
        for match in _STOP.finditer(self._text, at):
            found = match.group()
            if found == "{":
                depth += 1
            elif found == "}":
                depth -= 1
                if depth <= 0:
                    return match.end()
            elif found.endswith("\n") and self._begins_statement(match.end()):
                return match.end()
        return len(self._text)

    def _begins_statement(self, line_start: int) -> bool:
        word = self.first_word(line_start)
        if word == "dial":  # in `wiring`, too, where it opens no block
            stop = self.stop(line_start)
            return self._text[stop : stop + 1] == "{"
        return word in FORMS[""]

    def last_end(self, before: int) -> int:
        """The end of the last word before a place: blanks, comments and line ends are passed over."""
        end = before
        while True:
            begin = max(end - 200, 0)  # in pieces: a copy of all that stands before would take its time
            stripped = self._text[begin:end].rstrip()
            if not stripped and begin:
                end = begin
                continue
            end = begin + len(stripped)
            comment = self._comment_start(self.line_start(end), end)
            if comment is None:
                return end
            end = comment

    def _comment_start(self, line_start: int, end: int) -> int | None:
        for match in _STOP.finditer(self._text, line_start, end):
            if match.group().startswith("#"):
                return match.start()
        return None

    def body_follows(self, line_end: int) -> bool:
        """Whether what follows a first line without `{` looks like that block's body."""
        following = past(BLANK_LINES, self._text, line_end)
        return following < self._end and self.first_word(following) not in FORMS[""]
