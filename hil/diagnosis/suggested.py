"""What was found wired otherwise than the file says → the file's `wiring` corrected, as a diff.

Only words of the text change, so that its columns and remarks stay. The corrected text is offered only if
it says exactly what was found.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from hil.faults import EVERY_DIODE
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from hil.result import Fault
    from keyc.keyboard import Keyboard, Switch

Place = tuple[int | None, int | None, int | None]  # row, column, direct

_OTHER_WAY = {
    Diodes.CATHODE_TO_ROW: Diodes.CATHODE_TO_COLUMN,
    Diodes.CATHODE_TO_COLUMN: Diodes.CATHODE_TO_ROW,
}
_WORD = re.compile(r"[^\s#{}]+")


def suggested_wiring(keyboard: Keyboard, faults: Iterable[Fault]) -> str | None:
    """A unified diff; None where nothing is wired otherwise, or the text can't say it by changed words."""
    wiring = keyboard.wiring
    changes = [fault for fault in faults if _is_of_the_file(fault)]
    if not changes or not wiring.switches:
        return None
    pins: dict[int, int] = {}  # line of the file → its pin on the board
    names: dict[str, str] = {}  # switch → the switch in whose place it is
    places: dict[str, Place] = {}
    diodes = wiring.diodes
    for fault in changes:
        if fault.kind == "moved":
            place = _place(keyboard, fault.where[1:])
            if place is None:
                return None
            places[fault.where[0]] = place
        elif fault.where == (EVERY_DIODE,):
            diodes = _OTHER_WAY[diodes]
        elif fault.where[0].startswith("GPIO") and fault.where[0] not in _switches(keyboard):
            gpios = [int(word[4:]) for word in fault.where]
            pins.update(zip((*gpios[1:], gpios[0]), gpios, strict=True))
        else:
            names.update(zip(fault.where, (*fault.where[1:], fault.where[0]), strict=True))
    switches = _switches(keyboard)
    here = {name: _at(switches[names.get(name, name)]) for name in switches} | places
    wanted = {name: tuple(pins.get(p, p) if p is not None else None for p in at) for name, at in here.items()}
    source = wiring.switches[0].span.source
    text = _rewritten(source.text, pins, {there: name for name, there in names.items()}, diodes)
    for name, place in places.items():
        text = _with_moved(text, name, (pins.get(place[0] or 0, place[0]), pins.get(place[1] or 0, place[1])))
    turned = {
        dial.name: (pins.get(dial.pin_a, dial.pin_a), pins.get(dial.pin_b, dial.pin_b))
        for dial in wiring.dials
    }
    return _diff(source.name, source.text, text) if _says(source.name, text, wanted, turned, diodes) else None


def _is_of_the_file(fault: Fault) -> bool:
    return fault.kind in ("swapped", "moved") or fault.where == (EVERY_DIODE,)


def _switches(keyboard: Keyboard) -> dict[str, Switch]:
    return {switch.name: switch for switch in keyboard.wiring.switches}


def _at(switch: Switch) -> Place:
    return switch.row, switch.column, switch.direct


def _place(keyboard: Keyboard, where: Sequence[str]) -> Place | None:
    """The row and column of a place; None if it isn't on one of each."""
    wiring = keyboard.wiring
    lines = {int(word[4:]) for word in where if word != "GND"}
    row, column = lines & set(wiring.rows), lines & set(wiring.columns)
    return (row.pop(), column.pop(), None) if row and column and "GND" not in where else None


def _rewritten(text: str, pins: dict[int, int], switch_at: dict[str, str], diodes: Diodes) -> str:
    """The text with the pins, switches and diodes of its `wiring` exchanged, word by word."""

    def word_of(words: list[str], n: int) -> str:
        word, first = words[n], words[0]
        if first == "diodes" and n == 1:
            return diodes.value
        if n and first in ("columns", "row", "direct", "dial"):
            if word in switch_at:
                return switch_at[word]
            if re.fullmatch("GPIO[0-9]+", word):
                return f"GPIO{pins.get(int(word[4:]), int(word[4:]))}"
        return word

    return _each_line(text, lambda words: [word_of(words, n) for n in range(len(words))])


def _with_moved(text: str, name: str, to: tuple[int | None, int | None]) -> str:
    """The text with a switch taken from its place in a row, and put where another row has none."""
    columns: list[str] = []

    def changed(words: list[str]) -> list[str]:
        if words[0] == "columns":
            columns[:] = words[1:]
        if words[0] != "row":
            return words
        words = ["--" if word == name else word for word in words]
        if words[1] == f"GPIO{to[0]}" and f"GPIO{to[1]}" in columns:
            n = columns.index(f"GPIO{to[1]}") + 2
            if n < len(words) and words[n] == "--":
                words[n] = name
        return words

    return _each_line(text, changed)


def _each_line(text: str, changed: Callable[[list[str]], list[str]]) -> str:
    """The text with the words of each line of `wiring` changed; each new word starts where the old one did,
    as far as there is room."""
    begin = re.search(r"^[ \t]*wiring\s*\{", text, re.MULTILINE)
    if begin is None:
        return text
    end = text.find("}", begin.end())
    lines = text[begin.end() : end].split("\n")
    for n, line in enumerate(lines):
        code = line.split("#", 1)[0]
        found = list(_WORD.finditer(code))
        old = [match[0] for match in found]
        new = changed(old) if old else old
        if new == old:
            continue
        told = code[: found[0].start()]
        for at, word in enumerate(new):
            told += " " * max(found[at].start() - len(told), 1 if at else 0) + word
        lines[n] = told + line[found[-1].end() :]
    return text[: begin.end()] + "\n".join(lines) + text[end:]


def _says(
    name: str,
    text: str,
    wanted: dict[str, tuple[int | None, ...]],
    turned: dict[str, tuple[int, int]],
    diodes: Diodes,
) -> bool:
    """Whether the corrected text, read as any file is, has each switch and dial where it was found."""
    from keyc.compile import check_text
    from keyc.source import Source

    keyboard, _ = check_text(Source(name, text))
    if keyboard is None or keyboard.wiring.diodes is not diodes:
        return False
    dials = {dial.name: (dial.pin_a, dial.pin_b) for dial in keyboard.wiring.dials}
    return dials == turned and {switch.name: _at(switch) for switch in keyboard.wiring.switches} == wanted


def _diff(name: str, before: str, after: str) -> str | None:
    from difflib import unified_diff

    lines = unified_diff(before.splitlines(), after.splitlines(), name, name, lineterm="", n=1)
    return "\n".join(lines) + "\n" if before != after else None
