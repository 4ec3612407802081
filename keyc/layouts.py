"""What the computer makes of keys: characters and the strokes that type them.

A host layout is a system and a layout together, `linux-de`: the systems differ in AltGr and dead keys. What
each key types is in `keyc/data/host-layouts/`, what accents make in `keyc/data/composed.tsv`; their first
lines say where that is from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property

from keyc.files import data_rows
from keyc.keyboard import Press
from keyc.usages import KEYBOARD_PAGE, modifier_name, name_of, usage_of, written

DEFAULT_LAYOUT = "linux-us"
SYSTEMS = ("linux", "windows", "macos")
LAYOUT_NAMES = tuple(
    f"{system}-{country}{suffix}"
    for system, suffix, countries in (
        ("linux", "", "us gb de fr es it pt br se fi no dk pl cz hu be ch-de us-intl"),
        ("windows", "", "us gb de fr es it pt br se fi no dk pl ch-de us-intl"),
        ("macos", "", "us gb de fr es it pl"),
        ("macos", "-iso", "us gb de fr es it pl"),
    )
    for country in countries.split()
)

_SHIFTS = frozenset((0xE1, 0xE5))
_ALT_LEFT, _ALT_RIGHT = 0xE2, 0xE6
_LEVELS = ((), (0xE1,), (_ALT_RIGHT,), (0xE1, _ALT_RIGHT))  # the columns of a layout's file
_DEAD = "dead_"
_ESCAPES = {"\\\\": "\\", "\\xa0": "\xa0", "\\u202f": "\u202f"}

# macOS swaps them once it takes a keyboard for an ISO one: common practice.
_ISO = "-iso"
_SWAPPED = {"Backquote": "IntlBackslash", "IntlBackslash": "Backquote"}

_Way = tuple[str, int]  # a key's name and a level


@dataclass(frozen=True, eq=False)
class Layout:
    """One host layout. Shift means either Shift; AltRight is AltGr or Option where the layout has one."""

    name: str
    _levels: Mapping[str, tuple[str, ...]]  # key name: alone, Shift, AltRight, both
    _with_num_lock: Mapping[str, str]
    _alts: frozenset[int]  # the modifiers that lead to the levels of AltRight

    def strokes(self, character: str) -> tuple[Press, ...] | None:
        """The presses that type one character, dead keys first; None if the layout can't.

        One press can be a key; two need a text. Tab and newline are Tab and Enter.
        """
        ways = self._ways.get(character)
        return None if ways is None else tuple(map(_press, ways))

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
        return self._composed.get(self.dead(accent) or "", {}).get(self.types(letter) or "")

    def types_with_num_lock(self, press: Press) -> str | None:
        """What a number pad key types while NumLock is on, where that differs from `types`."""
        name = name_of(press.usage)
        return None if press.modifiers or name is None else self._with_num_lock.get(name)

    def _level(self, press: Press) -> str | None:
        if press.usage.page != KEYBOARD_PAGE:
            return None
        modifiers = frozenset(press.modifiers)
        if modifiers - _SHIFTS - self._alts:
            return None  # with Control, Meta or an Alt that is no AltGr it is a command, not text
        levels = self._levels.get(name_of(press.usage) or "")
        if levels is None:
            return None
        return levels[(1 if modifiers & _SHIFTS else 0) + (2 if modifiers & self._alts else 0)]

    @cached_property
    def _ways(self) -> Mapping[str, tuple[_Way, ...]]:
        """Every character that can be typed, and how."""
        ways = [(key, level) for key in self._levels if not key.startswith("Numpad") for level in range(4)]
        found: dict[str, tuple[_Way, ...]] = {"\t": (("Tab", 0),), "\n": (("Enter", 0),)}
        dead: list[tuple[_Way, str]] = []
        for key, level in sorted(ways, key=_preference):
            character = self._levels[key][level]
            if character.startswith(_DEAD):
                dead.append(((key, level), character[len(_DEAD) :]))
            elif character:
                found.setdefault(character, ((key, level),))
        made: dict[str, tuple[_Way, ...]] = {}
        for way, accent in dead:
            for letter, character in self._composed.get(accent, {}).items():
                if letter in found:
                    made.setdefault(character, (way, *found[letter]))
        return made | found

    @cached_property
    def _composed(self) -> Mapping[str, Mapping[str, str]]:
        """By accent: what it makes of the character after it."""
        rows_for = (_system(self.name), self.name.removesuffix(_ISO))
        rows = data_rows("composed.tsv")
        return {
            accent: dict(zip(after, made, strict=True))
            for host, accent, after, made in rows
            if host in rows_for
        }


def _preference(way: _Way) -> tuple[bool, bool, int, bool, bool]:
    """Which of several ways to one character is taken: without AltGr, on a key that every board has, with few
    modifiers, on a key of its own rather than a digit's or a letter's."""
    key, level = way
    return level > 1, key.startswith("Intl"), level, key.startswith("Key"), key.startswith("Digit")


def _press(way: _Way) -> Press:
    key, level = way
    usage = usage_of(key)
    assert usage is not None, key
    return Press(usage, _LEVELS[level])


def _system(name: str) -> str:
    return name.partition("-")[0]


@cache
def layout(name: str) -> Layout:
    """The layout of that name. Raises KeyError unless `name` is in LAYOUT_NAMES."""
    if name not in LAYOUT_NAMES:
        raise KeyError(name)
    levels = {}
    with_num_lock = {}
    swapped = _SWAPPED if name.endswith(_ISO) else {}
    for key, *typed, num_lock in data_rows(f"host-layouts/{name.removesuffix(_ISO)}.tsv"):
        levels[swapped.get(key, key)] = tuple([_ESCAPES.get(character, character) for character in typed])
        if num_lock:
            with_num_lock[key] = num_lock
    alts = (_ALT_LEFT, _ALT_RIGHT) if _system(name) == "macos" else (_ALT_RIGHT,)  # either Option
    return Layout(name, levels, with_num_lock, frozenset(alts))


def basis(name: str) -> str:
    """What a layout rests on, and what to know about its system: sentences for the user."""
    system = _system(name)
    if system == "linux":
        return "From xkeyboard-config 2.35.1, and accents from the compose tables of libX11 1.8."
    source = "From Visual Studio Code's table of this layout."
    if system == "windows":
        return f"{source} From memory: which keys are dead, what accents make, the number pad."
    if name.endswith(_ISO):
        iso = f"This is for a keyboard that macOS takes for an ISO one; else it's {name.removesuffix(_ISO)}."
    else:
        iso = f"If macOS takes the keyboard for an ISO one, Backquote and IntlBackslash swap: {name}{_ISO}."
    return f"{source} From memory: what accents make. Option is either Alt. {iso}"


def written_press(press: Press) -> str:
    """A press as a keymap file writes it: `Shift+Digit2`, `AltRight+KeyQ`."""
    short = {0xE0: "Control", 0xE1: "Shift", 0xE2: "Alt", 0xE3: "Meta"}
    names = [short.get(number) or modifier_name(number) for number in press.modifiers]
    return "+".join((*names, written(press.usage)))
