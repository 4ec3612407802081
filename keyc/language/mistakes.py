"""What the rooms that resolve statements share: one list of mistakes, and what must not be told twice."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from keyc.diagnostics import Diagnostic, Label, Severity
from keyc.language.measures import Misread
from keyc.language.statements import Action, File, Word
from keyc.language.words import RESERVED
from keyc.source import Span
from keyc.usages import usage_of

_SEARCHES = 100
_LABELS_MOST = 4


class Mistakes:
    """Collects the mistakes of a file's statements.

    What the parser lost is known here, so that nobody complains of its absence.
    """

    def __init__(self, file: File) -> None:
        self.diagnostics: list[Diagnostic] = []
        self.source = file.source
        self._file = file
        self._near: dict[str, str | None] = {}
        self.switches_short = 0  # how many switches `wiring` lacks by what is told there
        self._following: set[str] = set()
        self._unknown: dict[str, int] = {}  # by message: where it stands among the diagnostics

    def is_whole(self, block: str) -> bool:
        """Whether nothing was skipped in a block of this kind (`wiring`, `layer`)."""
        return block not in self._file.damage.blocks

    def nothing_understood(self) -> bool:
        """Whether nothing in the file is a statement, which the parser has told."""
        return bool(self._file.diagnostics) and not self._file.statements

    def is_untouched(self, keyword: Word) -> bool:
        """Whether nothing was skipped in the statement that begins with this word."""
        return keyword.start not in self._file.damage.starts

    def tell(
        self,
        code: str,
        message: str,
        where: Action | Span,
        help: str | None,
        *labels: Label,
        severity: Severity = "error",
    ) -> None:
        span = where if isinstance(where, Span) else self.at(where)
        self.diagnostics.append(Diagnostic(code, severity, message, span, help, labels))

    def misread(self, misread: Misread, where: Word) -> None:
        self.tell(misread.code, misread.message, where, misread.help)

    def refused_name(self, word: Word) -> bool:
        """Whether a word can't name anything, which is told."""
        instead = f"choose another name, such as my-{word.text}"
        if word.text in RESERVED:
            message = f"`{word.text}` is a word of the language and can name nothing"
            self.tell("reserved-name", message, word, instead)
        elif not word.text[:1].isascii():
            message = f"`{cut(word.text)}` can name nothing: a name begins with a letter from A to Z"
            self.tell("name-unfit", message, word, instead)
        else:
            return False
        return True

    def unknown(self, message: str, where: Word, help: str) -> None:
        """Tells of a name that nothing has. Where it is told already, this place is shown there, too."""
        known = self._unknown.setdefault(message, len(self.diagnostics))
        if known == len(self.diagnostics):
            self.tell("unknown-name", message, where, help)
            return
        told = self.diagnostics[known]
        if len(told.labels) < _LABELS_MOST and where.start > told.span.start:
            self.diagnostics[known] = told.replaced(labels=(*told.labels, Label("and here", self.at(where))))

    def taken(self, word: Word, first: Span, what: str) -> None:
        self.tell(
            "name-taken",
            f"`{word.text}` is taken: it is {what}",
            word,
            "choose another name",
            Label("named here", first),
        )

    def once(self, seen: dict[str, Word], keyword: Word, named: str | None = None) -> bool:
        """Whether a setting comes for the first time; tells it if not."""
        key = named or keyword.text
        first = seen.setdefault(key, keyword)
        if first is keyword:
            return True
        self.tell(
            "said-twice",
            f"`{keyword.text}` is said a second time",
            keyword,
            "keep the one that you mean, and take the other out",
            Label("said here first", self.at(first)),
        )
        return False

    def damaged(self, start: int, end: int) -> bool:
        """Whether the parser skipped something in these lines."""
        lines = self._file.damage.lines
        if not lines:
            return False
        first, last = self.source.place(start)[0], self.source.place(end)[0]
        return any(line in lines for line in range(first, last + 1))

    def words(self, words: Sequence[Word]) -> Span:
        return self.span(words[0].start, words[-1].end)

    def span(self, start: int, end: int) -> Span:
        return Span(self.source, start, end)

    def quote(self, part: Action) -> str:
        """A piece of the file as it is written, cut for a message."""
        return cut(self.source.text[part.start : part.end])

    def at(self, part: Action) -> Span:
        return Span(self.source, part.start, part.end)

    def names_switch(self, word: Word, switches: Mapping[str, object]) -> bool:
        """Whether a word names one of the switches; tells it if not."""
        if word.text in switches:
            return True
        if not self.lost(word.text) and self.is_whole("wiring"):
            if usage_of(word.text) is not None:
                help = "name the switches by what they are called in `wiring`, not by what they type"
                self.unknown("a key's name stands where a switch is due", word, help)
                return False
            if word.text in RESERVED:
                message = f"`{word.text}` is a word of the language, and no switch"
                self.tell(
                    "unknown-name", message, word, "name the switches side by side, with blanks between"
                )
                return False
            near = self.nearest(word.text, switches)
            help = f"did you mean {near}?" if near else "switches get their names in `wiring`"
            self.unknown(f"no switch is called `{cut(word.text)}`", word, help)
        return False

    def nearest(self, word: str, known: Iterable[str]) -> str | None:
        """The known word most like this one, or None. Capitals count little.

        Only a file's first hundred unknown words are looked up: the search is slow, and a file with
        more of them has another trouble.
        """
        if word in self._near:
            return self._near[word]
        if len(word) > 40 or len(self._near) >= _SEARCHES:
            return None
        candidates: dict[str, str] = {}
        for name in known:
            candidates.setdefault(name.lower(), name)
        self._near[word] = near = _closest(word.lower(), candidates)
        return near

    def lost(self, name: str) -> bool:
        """Whether a name stood where the parser had to skip, or in what has been told: then nothing is said
        of its absence."""
        return not name or name in self._file.damage.words or name in self._following

    def follows(self, *words: Word) -> None:
        """Notes that whatever else is wrong with these words follows from a mistake that is told."""
        self._following.update(word.text for word in words)


def cut(text: str, most: int = 32) -> str:
    """A piece of a file as a message can hold it."""
    return text if len(text) <= most else text[: most - 1] + "…"


def _closest(word: str, candidates: Mapping[str, str]) -> str | None:
    if word in candidates:
        return candidates[word]
    from difflib import get_close_matches

    found = get_close_matches(word, candidates, n=1, cutoff=0.75)
    # What differs in its number alone isn't near: SW14 is no slip of the finger for SW15.
    if not found or re.sub("[0-9]", "", found[0]) == re.sub("[0-9]", "", word):
        return None
    return candidates[found[0]]
