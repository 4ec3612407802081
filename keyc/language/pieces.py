"""Words that were written with blanks in them: `after quiet`, `cathode to row`, `Page Up`, `SW 1`.

Loaded only for a file that doesn't parse.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import NamedTuple

from keyc.language.words import RESERVED
from keyc.usages import indicators, usage_of

_NEAR = 80  # characters: as far as is looked for parts of one word
_PIECE = re.compile(r"(?<![\w-])\w+(?:-\w+)*(?![\w-])")


class Pieces(NamedTuple):
    """Two or three words that are one, and how that is written."""

    words: tuple[str, ...]
    start: int
    end: int
    whole: str


def pieces_at(text: str, at: int, block: str, names: Collection[str], back: int) -> Pieces | None:
    """The pieces of one word, if the word at this place, or one of the `back` words before it in its line, is
    such a piece. `block` is the statement that it stands in, `names` are all names in the text."""
    near = max(text.rfind("\n", 0, at) + 1, at - _NEAR)
    before = list(_PIECE.finditer(text, near, at))[-2:]
    after = list(_PIECE.finditer(text, at, at + _NEAR))[:3]
    if not after or after[0].start() != at:
        return None
    found = [*before, *after]
    here = len(before)
    for first in range(max(here - back, 0), here + 1):
        for last in range(min(first + 2, len(found) - 1), max(first, here - back), -1):
            start, end = found[first].start(), found[last].end()
            words = tuple(match.group() for match in found[first : last + 1])
            whole = _whole(words, block, names) if re.fullmatch(r"[\w \t-]+", text[start:end]) else None
            if whole:
                return Pieces(words, start, end, whole)
    return None


def _whole(words: tuple[str, ...], block: str, names: Collection[str]) -> str | None:
    """What these words are as one: a word of the language, a layout, an indicator, a pin, a key, a switch."""
    hyphened, joined = "-".join(words), "".join(words)
    if hyphened in RESERVED:
        return hyphened
    is_letters_and_number = len(words) == 2 and words[0].isalpha() and words[1].isdigit()
    is_numbered = is_letters_and_number and joined in names
    match block:
        case "keyboard":
            from keyc.layouts import LAYOUT_NAMES

            return hyphened if hyphened in LAYOUT_NAMES else None
        case "wiring" if joined in indicators() or is_numbered:
            return joined
        case "wiring" if is_letters_and_number and words[0].upper() in ("GPIO", "GP"):
            return joined.upper()
        case "shape" | "scenario" if is_numbered:
            return joined
        case "layer" | "let" | "sequence" | "chord" | "dial" if usage_of(joined) is not None or is_numbered:
            return joined
    return None
