"""Signs that other programs and habits put for the language's own: told once a kind, read as what is meant.

Loaded only for a file that doesn't parse. A word processor bends quotes and draws dashes, a web page brings
blanks along that are none, other languages have other comments. Left to the parser, each of them would be a
mistake of its own, and the ones after it would hide what the file says.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from keyc.diagnostics import Diagnostic, Label
from keyc.source import Source, Span

_DOUBLE = "“”„‟«»＂"
_SINGLE = "‘’‚‛‹›"
_DASHES = "\u2010-\u2015\u2212"
_BLANKS = "\u00a0\u1680\u2000-\u200a\u202f\u205f\u3000\v\f"
_UNSEEN = "\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufeff"
_AFTER_BLANK, _BEFORE_BLANK = r"(?<![^\s{}])", r"(?![^\s{}#])"
_BLOCK = r"(?:keyboard|wiring|shape|timing|layer|dial|scenario)\b"
# The first words of lines in which a name is followed by blanks alone, where others put a colon; and lines
# that give names what they do, each with such a colon or an equals sign.
_WORD_OF_A_LINE = (
    r"(?:keyboard|usb|maker|host-layout|diodes|columns|row|direct|diode|light|wiring|shape|timing|debounce|layer|"
    r"hold-after|chord-within|taps-within|hold-if|tap-if|repeat-if|tap|down|up|wait|expect|scenario)(?![\w-])"
)
_NAMED_BY_COLONS = (
    r"[ \t]*(?:(?:let|sequence)[ \t]+[\w-]+:|(?:(?:layer|dial)[ \t][^\n{]*{[ \t]*)?"
    r"(?:[\w-]+[ \t]*[:=][ \t]*[^\s:={}#]++[ \t]*+)+(?:}[ \t]*)?(?:#[^\n]*)?\r?$)"
)


class _Kind(NamedTuple):
    """One kind of sign: how it's found, what of the same length stands for it, and what is said of it.

    `line`: what its line must look like, too; where it doesn't, the sign `may_be_another` kind's. `shown`:
    how many further places are shown.
    """

    pattern: str
    meant: Callable[[str], str]
    message: Callable[[str], str]
    help: Callable[[str], str]
    line: str = ""
    shown: int = 3
    may_be_another: bool = False


def _straight(found: str) -> str:
    """A text between straight quotes; the blanks that French sets within go out of it."""
    inside = found[1:-1]
    text = inside.strip("\u00a0\u202f")
    before = len(inside) - len(inside.lstrip("\u00a0\u202f"))
    return " " * before + f'"{text}"' + " " * (len(inside) - before - len(text))


def _narrow(found: str) -> str:
    return "".join(chr(ord(c) - 0xFEE0) for c in found)  # Unicode, Halfwidth and Fullwidth Forms


def _dashed(found: str) -> str:
    return found[:-2] + "--"


def _line_end_words(found: str) -> str:
    if found == "\r":
        return "this line ends in CR alone (U+000D)"
    if found[0] == "\r":
        return "this line ends in CR more than once (U+000D), as if it had been converted twice"
    return f"this line ends in U+{ord(found[0]):04X}"


# Where a pattern looks ahead it looks a bounded way, so that the work stays in proportion to the text.
_KINDS = (
    _Kind(
        rf"[{_DOUBLE}][^\"\n{_DOUBLE}]*(?<!\\)[{_DOUBLE}]|[{_SINGLE}][^\"\n{_SINGLE}]*(?<!\\)[{_SINGLE}]"
        r"|(?<![^\s=(,/+{])(?:'(?=\S)[^\"\n'`]*(?<=[^\s\\])'|`(?=\S)[^\"\n'`]*(?<=[^\s\\])`)(?![^\s}),/])",
        _straight,
        lambda found: f"a text stands between straight double quotes, not between {found[0]} and {found[-1]}",
        lambda found: (
            f"write {_straight(found).strip()}; a text editor writes such quotes, a word processor bends them"
        ),
    ),
    _Kind(
        rf"[{_BLANKS}]+|{_AFTER_BLANK}[{_UNSEEN}]+|[{_UNSEEN}]+{_BEFORE_BLANK}",
        lambda found: " " * len(found),
        lambda found: (
            f"the character U+{ord(found[0]):04X} stands here: it only looks like a blank, or like nothing"
        ),
        lambda found: "put a plain blank there; text copied from web pages brings such ones along",
    ),
    _Kind(
        "[！-～]+",
        _narrow,
        lambda found: f"`{found}` is written in full-width characters",
        lambda found: f"write {_narrow(found)}, with the keyboard set to Latin letters",
    ),
    _Kind(
        rf"(?<=\w)[{_DASHES}](?=\w)",
        lambda found: "-",
        lambda found: f"`{found}` is a dash: within a name stands a hyphen",
        lambda found: "write it with the minus key: -",
    ),
    _Kind(
        rf"(?<=[ \t])[ \t](?:[{_DASHES}]|-(?!-)){_BEFORE_BLANK}",
        _dashed,
        lambda found: f"`{found.strip()}` stands alone: where there is no switch stand two hyphens",
        lambda found: "write --",
        line=r"[ \t]*row\b",
    ),
    _Kind(
        rf"(?<=\s)[ \t](?:…|\.\.\.){_BEFORE_BLANK}",
        lambda found: ".." if len(found) == 2 else "  ..",
        lambda found: f"`{found.strip()}` is no action: what lies beneath is let through by two dots",
        lambda found: "write ..",
    ),
    _Kind(
        r"(?<=[0-9u])×(?=[0-9.])",
        lambda found: "x",
        lambda found: "`×` is a sign of its own: between width and height stands the letter x",
        lambda found: "write 1x2u",
    ),
    _Kind(
        rf"{_AFTER_BLANK}//[^\n]*|(?<![^\n]);[^\n]*|{_AFTER_BLANK}/\*(?:[^*]|\*(?!/)){{0,400}}\*/",
        lambda found: re.sub(r"[^\r\n]", " ", found),
        lambda found: f"`{found.strip()[: 1 if found.strip()[0] == ';' else 2]}` begins no comment",
        lambda found: "a comment begins with # and runs to the end of its line",
    ),
    _Kind(
        r"(?<=[\w)\".-])(?:,(?=[ \t\r\n])(?![^(\n]{0,80}\))|;(?=[ \t\r]*\n))",
        lambda found: " ",
        lambda found: f"`{found}` joins and ends nothing: between words stand blanks alone",
        lambda found: "take it out; a statement ends with its line",
    ),
    _Kind(
        r"(?<=[\w)\"]):(?=[ \t\r\n])",
        lambda found: " ",
        lambda found: "`:` joins and ends nothing: between words stand blanks alone",
        lambda found: "take it out",
        line=rf"[ \t]*(?:[^\n{{]*{{[ \t]*)?{_WORD_OF_A_LINE}",
        may_be_another=True,
    ),
    _Kind(
        r"(?<=\w):(?=[ \t]+\S)",
        lambda found: "=",
        lambda found: "`:` joins nothing: between a name and what it does stands an equals sign",
        lambda found: "write =",
        line=_NAMED_BY_COLONS,
    ),
    _Kind(
        rf"{_AFTER_BLANK}\|(?!\S)",
        lambda found: " ",
        lambda found: "`|` draws no table here: between words stand blanks alone",
        lambda found: 'take it out; the character is written "|"',
        line=r"[ \t]*\|.*?\|",
    ),
    _Kind(
        r"\r\r+\n|\r(?!\n)|[\x85\u2028\u2029]",
        lambda found: " " * (len(found) - 1) + "\n",
        _line_end_words,
        lambda found: (
            "save the file again with LF or CRLF line ends: many editors show which at the bottom of "
            "their window"
        ),
        shown=0,
    ),
)
_KNOWN = r'#[^\n]*|"(?:[^"\\\n]|\\[^\n])*"|"[^\n]*'  # nothing within a comment or a text is touched
_SIGNS = re.compile("|".join([f"(?:{_KNOWN})", *(f"({kind.pattern})" for kind in _KINDS)]))

_OTHER_BLOCK = re.compile(rf"(?m)^[ \t]*{_BLOCK}[^\n{{}}#]*?([(\[])[ \t]*(?:#[^\n]*)?\r?$")
_OTHER_END = re.compile(r"(?m)^[ \t]*([)\]])[ \t]*(?:#[^\n]*)?\r?$")


def respelt(source: Source) -> tuple[str, list[Diagnostic]]:
    """The text as it is meant, each character in its place, and one mistake for each kind of foreign sign."""
    text = source.text + "\n"
    pieces: list[str] = []
    places: list[list[tuple[int, int]]] = [[] for _ in _KINDS]
    end = 0
    fits: dict[tuple[int, int], bool] = {}
    for match in _SIGNS.finditer(text):
        if match.lastindex is None:
            continue
        number = _kind_in_line(match.lastindex - 1, match, text, fits)
        if number is None:
            continue
        kind = _KINDS[number]
        pieces += (text[end : match.start()], kind.meant(match.group()))
        blanks = len(match.group()) - len(match.group().lstrip(" \t"))
        places[number].append((match.start() + blanks, match.end()))
        end = match.end()
    mended = "".join([*pieces, text[end:]])
    found = [
        _told(source, kind.message(first), kind.help(first), spans, kind.shown)
        for kind, spans in zip(_KINDS, places, strict=True)
        if spans and (first := text[slice(*spans[0])])
    ]
    braced, brackets = _braced(mended)
    if brackets:
        first = mended[brackets[0][0]]
        message = f"`{first}` opens no block: what belongs together stands between braces"
        found.append(_told(source, message, "write { here, and } at its end", brackets, 3))
    return braced, found


def _kind_in_line(
    first: int, match: re.Match[str], text: str, fits: dict[tuple[int, int], bool]
) -> int | None:
    """The number of the first kind that a sign may be in its line, from the one on that it looks like.

    `fits`: whether a line looks as a kind wants it, by where it begins and the kind's number, once known.
    """
    line_start = text.rfind("\n", 0, match.start()) + 1
    for number in range(first, len(_KINDS)):
        kind = _KINDS[number]
        if number > first and not re.compile(kind.pattern).match(text, match.start()):
            continue
        if not kind.line:
            return number
        place = (line_start, number)
        if place not in fits:
            fits[place] = re.compile(kind.line, re.M).match(text, line_start) is not None
        if fits[place]:
            return number
        if not kind.may_be_another:
            return None
    return None


def _braced(text: str) -> tuple[str, list[tuple[int, int]]]:
    """The text with `{ }` for brackets that enclose a block, and where those are."""
    opened = [match.start(1) for match in _OTHER_BLOCK.finditer(text)]
    if not opened:
        return text, []
    closed = [match.start(1) for match in _OTHER_END.finditer(text) if match.start(1) > opened[0]]
    signs = list(text)
    for at in opened:
        signs[at] = "{"
    for at in closed:
        signs[at] = "}"
    return "".join(signs), [(at, at + 1) for at in sorted((*opened, *closed))]


def _told(source: Source, message: str, help: str, places: list[tuple[int, int]], shown: int) -> Diagnostic:
    """One mistake for all places of a kind; the first few are shown."""
    most = len(source.text)
    first, *others = (Span(source, min(start, most), min(end, most)) for start, end in places)
    if len(places) > 1:
        message += f" ({len(places)} places)"
    labels = tuple(Label("and here", span) for span in others[:shown])
    return Diagnostic("foreign-sign", "error", message, first, help, labels)
