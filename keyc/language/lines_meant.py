"""Lines of `wiring` that parse and can't be meant as they stand: two on one line, a pin and a name the wrong
way round, a row without its pin. Loaded only where a file has one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

from keyc.language.mistakes import Mistakes, cut
from keyc.language.statements import (
    Columns,
    DialLine,
    DiodeName,
    Direct,
    LightLine,
    MatrixRow,
    Setting,
    WiringLine,
    Word,
)
from keyc.language.wires import is_like_a_pin, reads_well
from keyc.language.words import FORMS


def lines_meant(lines: Iterable[WiringLine], mistakes: Mistakes) -> list[WiringLine]:
    """The lines as they are likely meant; each that had to be changed is told."""
    apart = [one for line in lines for one in _apart(line, mistakes)]
    columns = next((len(one.pins) for one in apart if isinstance(one, Columns)), 0)
    return [one if reads_well(one) else _in_order(one, columns, mistakes) for one in apart]


def _apart(line: WiringLine, mistakes: Mistakes) -> Iterator[WiringLine]:
    """The lines that share this one: names and pins alone are read until the line's end, other lines'
    first words among them."""
    words: tuple[Word, ...] = ()
    if isinstance(line, Columns | MatrixRow):
        words = line.pins if isinstance(line, Columns) else (line.pin, *line.switches)
    begins = [number for number, word in enumerate(words) if word.text in FORMS["wiring"]]
    if not begins:
        yield line
        return
    first = words[begins[0]]
    mistakes.tell(
        "misplaced",
        f"`{first.text}` stands behind `{line.keyword.text}`, and begins a statement of its own",
        first,
        f"begin a new line with it: {FORMS['wiring'][first.text]}",
    )
    whole = (line.keyword, *words)
    for begin, end in pairwise([0, *(number + 1 for number in begins), len(whole)]):
        made = _made(whole[begin], whole[begin + 1 : end])
        if made is not None:
            yield made


def _made(keyword: Word, words: tuple[Word, ...]) -> WiringLine | None:
    """The line that begins with a word, if it has what it needs."""
    match keyword.text, words:
        case "columns", (_, *_):
            return Columns(keyword, words)
        case "row", (pin, *switches):
            return MatrixRow(keyword, pin, tuple(switches))
        case "diodes", (way,):
            return Setting(keyword, way)
        case "direct", (pin, switch):
            return Direct(keyword, pin, switch)
        case "diode", (diode, Word("of"), switch):
            return DiodeName(keyword, diode, switch)
        case "light", (pin, shows):
            return LightLine(keyword, pin, shows, None)
        case "light", (pin, shows, Word("lit-low") as lit_low):
            return LightLine(keyword, pin, shows, lit_low)
        case "dial", (pin_a, pin_b, name):
            return DialLine(keyword, pin_a, pin_b, name, None)
    return None


def _in_order(line: WiringLine, columns: int, mistakes: Mistakes) -> WiringLine:
    """The line with its pins where they belong."""
    match line:
        case Direct(_, name, pin) if _is_turned(pin, name):
            _tell_order(name, f"{line.keyword.text} {pin.text} {name.text}", mistakes)
            return line._replace(pin=pin, switch=name)
        case LightLine(_, name, pin) if _is_turned(pin, name):
            _tell_order(name, f"{line.keyword.text} {pin.text} {name.text}", mistakes)
            return line._replace(pin=pin, indicator=name)
        case DialLine(_, name, pin_a, pin_b) if _is_turned(pin_a, name) and is_like_a_pin(pin_b):
            _tell_order(name, f"{line.keyword.text} {pin_a.text} {pin_b.text} {name.text}", mistakes)
            return line._replace(pin_a=pin_a, pin_b=pin_b, name=name)
        case MatrixRow(_, first, others) if not is_like_a_pin(first) and len(others) + 1 == columns:
            names = cut(" ".join(word.text for word in (first, *others)), 40)
            mistakes.tell(
                "unfinished",
                "expected the row's pin here",
                mistakes.span(line.keyword.end, line.keyword.end),
                f"write it before the switches: row GPIO2 {names}",
            )
            nowhere = Word("", first.start, first.start)
            return line._replace(pin=nowhere, switches=(first, *others))
    return line


def _is_turned(pin: Word, name: Word) -> bool:
    return is_like_a_pin(pin) and not is_like_a_pin(name)


def _tell_order(name: Word, form: str, mistakes: Mistakes) -> None:
    mistakes.tell("misplaced", f"`{cut(name.text)}` stands where a pin is due", name, f"write: {form}")
