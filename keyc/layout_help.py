"""What to write instead of a host layout that isn't known. Loaded only for such a one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches
from string import ascii_lowercase

from keyc.files import data_rows
from keyc.layouts import DEFAULT_LAYOUT, LAYOUT_NAMES, SYSTEMS, layout, written_press

_CALLED = {"linux": "Linux", "windows": "Windows", "macos": "macOS"}
_SAID_FOR = {
    "linux": "linux gnu x11 xkb wayland ubuntu debian fedora",
    "windows": "windows windows10 windows11 win win10 win11 microsoft",
    "macos": "macos mac osx apple darwin",
}


def unknown_layout_help(name: str) -> str:
    """The layout that `name` means, or those there are and where letters lie elsewhere, in lines."""
    words = set(re.findall("[a-z0-9]+", name.lower()))
    system = next((one for one in SYSTEMS if words & set(_SAID_FOR[one].split())), None)
    if system is None:
        near = get_close_matches(name.lower(), LAYOUT_NAMES, n=1, cutoff=0.75)
        if near:
            return f"write {near[0]}"
    else:
        words -= set(_SAID_FOR[system].split())
    suffix = "-iso" if system == "macos" and "iso" in words else ""
    country, called = _country(words - {"iso"})
    if country is None:
        return "\n".join(_all_of((system,) if system else SYSTEMS))
    known = [name for one in SYSTEMS if (name := f"{one}-{country}{suffix}") in LAYOUT_NAMES]
    if system is None:
        unknown = [_CALLED[one] for one in SYSTEMS if not any(name.startswith(one) for name in known)]
        but = f"; there is none for {_joined(unknown, 'and')} here" if unknown else ""
        return f"write {_joined(known, 'or')}, by the computer's system{but}"
    if f"{system}-{country}{suffix}" in known:
        return f"write {system}-{country}{suffix}"
    first = f"No {called} layout of {_CALLED[system]} is known here, only {_joined(known, 'and')}."
    second = "Take the one that is nearest, and write keys by name where that differs."
    return "\n".join((first, second, *_all_of((system,))))


def differences(name: str, other: str = DEFAULT_LAYOUT) -> str:
    """The letters that lie elsewhere on one layout than on another: `y on KeyZ, z on KeyY`."""
    here, there = layout(name), layout(other)
    moved = []
    for letter in ascii_lowercase:
        presses = here.strokes(letter)
        if presses is not None and presses != there.strokes(letter):
            moved.append(f"{letter} on {' then '.join(map(written_press, presses))}")
    return ", ".join(moved)


def _country(words: set[str]) -> tuple[str, str] | tuple[None, None]:
    """The country whose layout the words mean, and what it's called."""
    for country, called, said in data_rows("layout-words.tsv"):
        if words and words <= set(said.split()):
            return country, called
    return None, None


def _all_of(systems: Iterable[str]) -> list[str]:
    """The layouts of these systems, and those whose letters lie elsewhere than on a US keyboard."""
    lines = []
    moved: dict[str, list[str]] = {}
    for system in systems:
        names = [name for name in LAYOUT_NAMES if name.startswith(f"{system}-")]
        plain = [name for name in names if not name.endswith("-iso")]
        lines.append(f"{_CALLED[system]}: {', '.join(plain)}.")
        if plain != names:
            lines.append(f"  For an ISO board there with -iso after it: {plain[0]}-iso.")
        for name in plain:
            moved.setdefault(differences(name), []).append(name)
    del moved[""]
    lines.append("Their letters lie as on a US keyboard, but for")
    lines += [f"  {', '.join(names)}: {letters}" for letters, names in moved.items()]
    lines.append("`keyc names --host-layout NAME` shows what every key types there.")
    return lines


def _joined(names: list[str], word: str) -> str:
    """`a, b and c`."""
    return f" {word} ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else names[0]
