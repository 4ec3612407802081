"""Words in cells that name nothing: what was likely meant. Loaded only where a file has one."""

from __future__ import annotations

from keyc.language.calls import HOW_CALLED
from keyc.language.given_names import GivenNames
from keyc.language.mistakes import Mistakes, cut
from keyc.language.statements import Action, Word
from keyc.language.words import LATCH_HELP, RESERVED
from keyc.usages import instead_of, key_names, modifier_of, name_for_spoken, short_names, usage_of


def tell_unknown_key(word: Word, names: GivenNames, mistakes: Mistakes) -> None:
    """Tells of a word that names no key, layer or let, and what was likely meant."""
    text = word.text
    if mistakes.lost(text):
        return
    if text == "latch":
        mistakes.unknown("`latch` is not used here", word, LATCH_HELP)
    elif text in HOW_CALLED:
        mistakes.unknown(
            f"`{text}` wants something in brackets", word, f"write {HOW_CALLED[text]}, in one piece"
        )
    elif text in RESERVED:
        mistakes.unknown(
            f"`{text}` is a word of the language, not an action",
            word,
            "write a key's name, a character in quotes, a layer, `..`, `off` or `usb-boot`",
        )
    else:
        help = _key_meant_by(text, names, mistakes)
        if help is None and "" in names.layers:
            return  # a layer's name is missing, which is told: likely this one
        help = help or "`keyc names` lists every key; layers and lets get their names in this file"
        mistakes.unknown(f"no key, layer or let is called `{cut(text)}`", word, help)


def cells_meant_by(written: Action, names: GivenNames) -> int:
    """How many cells a word without a meaning may have been meant as: `12` and `EscapeQ` are two."""
    text = written.text if isinstance(written, Word) else ""
    if text.isascii() and text.isdigit():
        return len(text)
    return 2 if _two_in_one(text, names) else 1


def _two_in_one(text: str, names: GivenNames) -> tuple[str, str] | None:
    """The two keys' names that were written without a blank between them, if a word is such."""
    if text in names or usage_of(text):
        return None
    halves = ((text[:at], text[at:]) for at in range(2, len(text)))
    known = (two for two in halves if two[1][0].isupper() and all(map(usage_of, two)))
    return next((two for two in known if modifier_of(two[0]) is None), None)


def _key_meant_by(text: str, names: GivenNames, mistakes: Mistakes) -> str | None:
    """Help for a word that names no key, if there is any but where to look."""
    if len(text) == 1:
        return f'for the character write it in quotes: "{text}"'
    if not text.isascii():
        from unicodedata import normalize

        narrow = normalize("NFKC", text)
        if narrow.isascii():
            return f"write {narrow}, with the keyboard set to Latin letters"
    first, _, last = text.rpartition("-")
    if last and usage_of(last) is not None and all(modifier_of(one) for one in first.split("-")):
        return f"did you mean {text.replace('-', '+')}?"
    instead = instead_of(text)
    if instead:
        return instead
    spoken = name_for_spoken(text)
    if spoken:
        return f"write {spoken}"
    two = _two_in_one(text, names)
    if two:
        return f"write {' '.join(two)}, with a blank between"
    near = mistakes.nearest(text, (*names.layers, *names.lets, *key_names(), *short_names()))
    if near:
        return f"did you mean {near}?"
    return None
