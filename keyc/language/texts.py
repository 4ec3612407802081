"""Texts in quotes → the strokes that type them under the host layout."""

from __future__ import annotations

import re
from collections.abc import Sequence as Many

from keyc.keyboard import Press, Sequence, Stroke, Typing
from keyc.language.measures import Misread
from keyc.language.mistakes import Mistakes, cut
from keyc.language.statements import Word
from keyc.layouts import Layout, written_press
from keyc.source import Span


def unescaped(word: Word) -> str:
    """What a quoted text says. Raises Misread for a backslash before anything but `"` and `\\`."""
    inside = word.text[1:-1]
    if "\\" not in inside:
        return inside
    wrong = re.search(r'\\([^"\\])', inside.replace("\\\\", "\0\0"))
    if wrong:
        raise Misread(
            "text-escape",
            f"`\\{wrong[1]}` means nothing in a text",
            'write \\\\ for one backslash, \\" for a quote; Tab and Enter are keys with names',
        )
    return re.sub(r'\\(["\\])', r"\1", inside)


class Texts:
    """What the texts of a file type; nothing, where the host layout's name is a mistake that was told."""

    def __init__(self, host: Layout | None, mistakes: Mistakes) -> None:
        self._host = host
        self._mistakes = mistakes

    def pressed(self, word: Word) -> Press | Typing | None:
        """The press that types one quoted character under the host layout, or a text to be typed."""
        text = self._said(word)
        if text is None:
            return None
        if not text:
            help = 'write the character between the quotes: "!"'
            if self._mistakes.source.text[word.end : word.end + 1] != '"':  # the third quote of `"""` is told
                self._mistakes.tell("text-empty", "this text is empty", word, help)
            return None
        if self._host is None:
            return None
        if len(_characters(word)) > 1:
            strokes = self._strokes(word, self._host)
            return None if strokes is None else Typing(Sequence(None, strokes))
        presses = self._character(text, word, self._host)
        if presses is None or len(presses) == 1:
            return presses[0] if presses else None
        first = written_press(presses[0])
        count = "two" if len(presses) == 2 else len(presses)
        self._mistakes.tell(
            "character-needs-two-strokes",
            f"with {self._host.name}, {_shown(text)} takes {count} strokes: "
            + " then ".join(map(written_press, presses)),
            word,
            f"a key makes one stroke: write the first one, {first}, and type the rest by hand; or make it a "
            f"sequence, which types them all: sequence my-letter = {cut(word.text)}",
        )
        return None

    def typed(self, word: Word) -> tuple[Stroke, ...] | None:
        """The strokes that type a text of a sequence; None, and told, if they can't."""
        text = self._said(word)
        if text is None:
            return None
        if not text:
            help = "write what is to be typed between the quotes, or take them out"
            self._mistakes.tell("text-empty", "this text is empty", word, help)
            return None
        return self._strokes(word, self._host) if self._host else None

    def _said(self, word: Word) -> str | None:
        """What a text says; None, and told, if a backslash in it means nothing."""
        try:
            return unescaped(word)
        except Misread as misread:
            self._mistakes.misread(misread, word)
            return None

    def _strokes(self, word: Word, host: Layout) -> tuple[Stroke, ...] | None:
        """The strokes that type a quoted text; None, and told, if a character can't be typed."""
        strokes: list[Stroke] = []
        sound = True
        for character, start, end in _characters(word):
            presses = self._character(character, self._mistakes.span(start, end), host)
            if presses is None:
                sound = False
            else:
                strokes += [Stroke(press, in_text=True) for press in presses]
        return tuple(strokes) if sound else None

    def _character(self, character: str, where: Word | Span, host: Layout) -> Many[Press] | None:
        """The presses of one character, which may be written in two code points: é."""
        if not character.isascii():
            from unicodedata import normalize

            character = normalize("NFC", character)
        presses: list[Press] = []
        for one in character:
            strokes = host.strokes(one)
            if strokes is None:
                self._mistakes.tell(
                    "character-not-on-layout",
                    f"{host.name} can't type {_shown(one)}",
                    where,
                    "write a character that the computer's layout has, or set `host-layout` to the one "
                    "it uses",
                )
                return None
            presses += strokes
        return presses


def _characters(word: Word) -> list[tuple[str, int, int]]:
    """The characters of a quoted text, each with the offsets of how it is written.

    What comes in two code points, as é may, is one character.
    """
    found: list[tuple[str, int, int]] = []
    for match in re.finditer(r"\\(.)|(.)", word.text[1:-1], re.S):
        character = match[1] or match[2]
        start, end = word.start + 1 + match.start(), word.start + 1 + match.end()
        if found and _joins(character):
            before, first, _ = found[-1]
            found[-1] = (before + character, first, end)
        else:
            found.append((character, start, end))
    return found


def _joins(character: str) -> bool:
    if character.isascii():
        return False
    from unicodedata import combining

    return combining(character) != 0


def _shown(character: str) -> str:
    return f"`{character}`" if character.isprintable() and character != "`" else f"U+{ord(character):04X}"
