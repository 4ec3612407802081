"""What the computer makes of keys: characters and the strokes that type them.

A host layout is a system and a layout together, `linux-de`: Windows and macOS differ in AltGr
and dead keys. From xkeyboard-config 2.35.1 and the compose tables of libX11, in `keyc/data/`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property

from keyc.files import data_rows
from keyc.keyboard import Press
from keyc.usages import KEYBOARD_PAGE, modifier_name, modifier_of, name_of, usage_of, written

DEFAULT_LAYOUT = "linux-us"
LAYOUT_NAMES = ("linux-us", "linux-gb", "linux-de", "linux-fr", "linux-es", "linux-se")

_SHIFTS = frozenset((0xE1, 0xE5))
_ALT_RIGHT = 0xE6
_DEAD = "dead_"
_ESCAPES = {"\\t": "\t", "\\n": "\n", "\\\\": "\\", "\\xa0": "\xa0", "\\u00a0": "\xa0", "\\u202f": "\u202f"}

# Where `differences` looks for the signs that people look for.
_SIGNS_TO_COMPARE = "\"@#'/\\~"


@dataclass(frozen=True, eq=False)
class Layout:
    """One host layout. Shift means either Shift; AltRight is AltGr where the layout has one."""

    name: str
    _strokes: Mapping[str, str]  # character: strokes as the data file writes them
    _levels: Mapping[str, tuple[str, str, str, str]]  # key name: alone, Shift, AltRight, both
    _with_num_lock: Mapping[str, str]

    def strokes(self, character: str) -> tuple[Press, ...] | None:
        """The presses that type one character, dead keys first; None if the layout can't.

        One press can be a key; two or more need a text. Tab and newline are Tab and Enter.
        """
        written = self._strokes.get(character)
        return None if written is None else tuple(map(_press, written.split(" ")))

    def types(self, press: Press) -> str | None:
        """The character that a press types; None for one that types none or is a dead key.

        Keys that depend on NumLock are left to `types_with_num_lock`.
        """
        character = self._level(press)
        return None if not character or character.startswith(_DEAD) else character

    def dead(self, press: Press) -> str | None:
        """The accent that a dead key waits to put on the next letter (`acute`); None for other keys."""
        character = self._level(press)
        return character[len(_DEAD) :] if character and character.startswith(_DEAD) else None

    def composes(self, accent: Press, letter: Press) -> str | None:
        """The character that a dead key and the press after it make, or None."""
        return self._composed.get((accent, letter))

    @cached_property
    def _composed(self) -> Mapping[tuple[Press, ...], str]:
        pairs = ((self.strokes(character), character) for character in self._strokes)
        return {presses: character for presses, character in pairs if presses and len(presses) == 2}

    def types_with_num_lock(self, press: Press) -> str | None:
        """What a number pad key types while NumLock is on, where that differs from `types`."""
        name = name_of(press.usage)
        return None if press.modifiers or name is None else self._with_num_lock.get(name)

    def _level(self, press: Press) -> str | None:
        if press.usage.page != KEYBOARD_PAGE:
            return None
        modifiers = frozenset(press.modifiers)
        if modifiers - _SHIFTS - {_ALT_RIGHT}:
            return None  # with Control, the left Alt or Meta it is a command, not text
        levels = self._levels.get(name_of(press.usage) or "")
        if levels is None:
            return None
        return levels[(1 if modifiers & _SHIFTS else 0) + (2 if _ALT_RIGHT in modifiers else 0)]


def _press(written: str) -> Press:
    *modifiers, key = written.split("+")
    usage = usage_of(key)
    numbers = [modifier_of(name) for name in modifiers]
    if usage is None or None in numbers:
        raise ValueError(f"layout data names no key: {written}")
    return Press(usage, tuple(sorted(n for n in numbers if n is not None)))


@cache
def layout(name: str) -> Layout:
    """The layout of that name. Raises KeyError unless `name` is in LAYOUT_NAMES."""
    if name not in LAYOUT_NAMES:
        raise KeyError(name)
    suffix = name.removeprefix("linux-")
    escapes = _ESCAPES
    strokes = {escapes.get(row[0], row[0]): row[2] for row in data_rows(f"layout-{suffix}.tsv")}
    levels = {}
    with_num_lock = {}
    for code, plain, shift, alt, both, num_lock in data_rows(f"levels-{suffix}.tsv"):
        levels[code] = (
            escapes.get(plain, plain),
            escapes.get(shift, shift),
            escapes.get(alt, alt),
            escapes.get(both, both),
        )
        if num_lock:
            with_num_lock[code] = num_lock
    return Layout(name, strokes, levels, with_num_lock)


def differences(name: str, other: str = DEFAULT_LAYOUT) -> str:
    """Where letters and a few signs lie on one layout and not on another, in one line:
    `Y on KeyZ, Z on KeyY, " on Shift+Digit2`. Empty if they agree.
    """
    here, there = layout(name), layout(other)
    moved = []
    for character in "abcdefghijklmnopqrstuvwxyz" + _SIGNS_TO_COMPARE:
        presses = here.strokes(character)
        if presses is not None and presses != there.strokes(character):
            moved.append(f"{character} on {' then '.join(map(written_press, presses))}")
    return ", ".join(moved)


def written_press(press: Press) -> str:
    """A press as a keymap file writes it: `Shift+Digit2`, `AltRight+KeyQ`."""
    short = {0xE0: "Control", 0xE1: "Shift", 0xE2: "Alt", 0xE3: "Meta"}
    names = [short.get(number) or modifier_name(number) for number in press.modifiers]
    return "+".join((*names, written(press.usage)))


def unknown_layout_help(name: str) -> str:
    """What to write instead of a host layout that isn't known: the one that it names, or those there are and
    what differs."""
    meant = [known for known in LAYOUT_NAMES if known[-2:] in re.split("[^a-z]", name.lower())]
    if len(meant) == 1 and not re.match("windows|win|mac|osx", name):
        return f"write {meant[0]}"
    lines = []
    if name.startswith(("windows", "mac", "win-", "osx")):
        lines.append("Only Linux hosts are known: Windows and macOS differ in AltGr and dead keys.")
    lines.append("Choose one of " + ", ".join(LAYOUT_NAMES) + ".")
    lines.append("Beside linux-us:")
    lines += [f"  {known}: {differences(known)}" for known in LAYOUT_NAMES[1:]]
    return "\n".join(lines)
