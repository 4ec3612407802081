"""Words in cells that name nothing: what was likely meant. Loaded only where a file has one."""

from __future__ import annotations

import re
from collections.abc import Container, Mapping, Sequence
from itertools import pairwise

from keyc.language.calls import HOW_CALLED
from keyc.language.given_names import GivenNames
from keyc.language.mistakes import Mistakes, cut
from keyc.language.statements import Action, Word
from keyc.language.unread import likely_meant
from keyc.language.words import FORMS, LATCH_HELP, RESERVED
from keyc.usages import instead_of, key_names, modifier_of, name_for_spoken, short_names, usage_of

_STEPS = ", ".join(FORMS["scenario"])


def tell_unknown_key(word: Word, names: GivenNames, mistakes: Mistakes) -> None:
    """Tells of a word that names no key, layer or let, and what was likely meant."""
    text = word.text
    if mistakes.lost(text):
        return
    if text == "latch":
        mistakes.unknown("`latch` is not used here", word, LATCH_HELP)
    elif text in HOW_CALLED:
        mistakes.unknown(
            f"`{text}` wants something in brackets",
            word,
            f"write {_called(word, names, mistakes)}, in one piece",
        )
    elif text in RESERVED:
        mistakes.unknown(
            f"`{text}` is a word of the language, not an action",
            word,
            "for a key that does nothing write `off`"
            if text in ("none", "nothing")
            else "write a key's name, a character in quotes, a layer, `..`, `off` or `usb-boot`",
        )
    else:
        help = _key_meant_by(text, names, mistakes)
        if help is None and "" in names.layers:
            return  # a layer's name is missing, which is told: likely this one
        line = mistakes.source.line(mistakes.source.place(word.start)[0])
        if re.match(r"[ \t]*sequence\b", line):
            help = _meant_in_sequence(word, help, names, mistakes)
        help = help or "`keyc names` lists every key; layers and lets get their names in this file"
        mistakes.unknown(f"no key, layer or let is called `{cut(text)}`", word, help)


def _meant_in_sequence(word: Word, help: str | None, names: GivenNames, mistakes: Mistakes) -> str | None:
    """Help for words of a sequence: a pause by another name, a text without its quotes."""
    text = mistakes.source.text
    time = re.compile(r"[ \t]+([0-9][0-9.]*(?:us|ms|s))(?![\w-])").match(text, word.end)
    if time and word.text.lower() in ("pause", "delay", "sleep"):
        mistakes.follows(Word(time[1], time.start(1), time.end(1)))
        return f"write wait {time[1]}"
    words = [word]
    for match in re.compile(r"[ \t]*([\w-]+)").finditer(text, word.end):
        one = match[1]
        is_next = not text[words[-1].end : match.start(1)].strip(" \t")
        if not is_next or usage_of(one) is not None or one in names or one in RESERVED:
            break
        words.append(Word(one, match.start(1), match.end(1)))
    if help is not None and len(words) == 1:
        return help
    mistakes.follows(*words[1:])
    return f'for a text write it in quotes: "{cut(text[word.start : words[-1].end])}"'


def _called(word: Word, names: GivenNames, mistakes: Mistakes) -> str:
    """How an action with brackets is written, with the layer or modifier that follows the word in them."""
    following = re.match(r"[ \t]+([\w-]+)", mistakes.source.text[word.end : word.end + 80])
    if word.text in ("next", "lock", "bottom") and following:
        target = following[1]
        if target in names.layers or (word.text != "bottom" and modifier_of(target) is not None):
            return f"{word.text}({cut(target)})"
    return HOW_CALLED[word.text]


def names_in_pieces(written: Sequence[Action], names: GivenNames) -> dict[int, str]:
    """Where two words that follow one another are one name with a blank in it (`Page Up`), by the first one's
    number: that name."""
    found: dict[int, str] = {}
    for number, (first, second) in enumerate(pairwise(written)):
        if isinstance(first, Word) and isinstance(second, Word) and number - 1 not in found:
            whole = _whole_name(first.text, second.text, names)
            if whole:
                found[number] = whole
    return found


def keys_expected(
    written: Sequence[Action], switches: Container[str], names: GivenNames, mistakes: Mistakes
) -> tuple[Action, ...]:
    """What stands behind `expect`, names in one piece and without words that stand there for themselves."""
    kept: list[Action] = []
    joined = in_one_piece(written, _unknown_in_pieces(written, names), mistakes)
    for number, one in enumerate(joined):
        if not isinstance(one, Word):
            kept.append(one)
            continue
        text = one.text
        following = joined[number + 1] if number + 1 < len(joined) else None
        if isinstance(following, Word) and _begins_step(one, following, switches, names):
            near = likely_meant(text, FORMS["scenario"])
            help = f"write: {FORMS['scenario'][near]}" if near else f"a step begins with one of: {_STEPS}"
            mistakes.tell("unknown-statement", f"`{cut(text)}` begins no statement in `scenario`", one, help)
            break
        if text in ("nothing", "nothing-held"):
            help = f"write it as a statement of its own: expect {text}"
            mistakes.tell("misplaced", f"`{text}` stands alone behind `expect`", one, help)
        elif text.lower() in ("nothing", "nothing-held"):
            mistakes.unknown(f"no key, layer or let is called `{text}`", one, f"write {text.lower()}")
        elif text in RESERVED and text not in ("off", "usb-boot") and text not in HOW_CALLED:
            help = "keys that are expected stand side by side, in the order they come in: expect A B"
            mistakes.tell("unknown-name", f"`{text}` is a word of the language, not a key", one, help)
        else:
            kept.append(one)
    return tuple(kept)


def _begins_step(word: Word, following: Word, switches: Container[str], names: GivenNames) -> bool:
    """Whether a word behind `expect` was meant to begin the next step: `release SW5`, `expects nothing`."""
    if word.text in names or usage_of(word.text) is not None or word.text in RESERVED:
        return False
    return following.text in switches or following.text in ("nothing", "nothing-held")


def _unknown_in_pieces(written: Sequence[Action], names: GivenNames) -> dict[int, str]:
    """As `names_in_pieces`, where one of the two words names nothing by itself."""
    return {
        number: whole
        for number, whole in names_in_pieces(written, names).items()
        if any(
            isinstance(one, Word) and usage_of(one.text) is None and one.text not in names
            for one in written[number : number + 2]
        )
    }


def _whole_name(first: str, second: str, names: GivenNames) -> str | None:
    if first[0] == '"' or second[0] == '"':
        return None
    hyphened = f"{first}-{second}"
    if hyphened in names or hyphened == "usb-boot":
        return hyphened
    joined = first + second
    return joined if usage_of(joined) is not None else name_for_spoken(joined)


def in_one_piece(
    written: Sequence[Action], pieces: Mapping[int, str], mistakes: Mistakes
) -> tuple[Action, ...]:
    """The actions with those names in one piece, each of which is told."""
    made: list[Action] = []
    for number, one in enumerate(written):
        if number in pieces:
            second, whole = written[number + 1], pieces[number]
            where = mistakes.span(one.start, second.end)
            message = f"`{cut(mistakes.source.text[one.start : second.end])}` is two words, and a name is one"
            mistakes.tell("unknown-name", message, where, f"write {whole}")
            made.append(Word(whole, one.start, second.end))
        elif number - 1 not in pieces:
            made.append(one)
    return tuple(made)


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
    if (last in names.layers or modifier_of(last) is not None) and usage_of(first) is not None:
        return f"did you mean {first}/{last}?"
    if re.sub("[-_]", "", text.lower()) in ("usbboot", "boot"):
        return "write usb-boot"
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
