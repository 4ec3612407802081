"""`keyc names`: every key's name, what people say for it, and what it types."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import zip_longest
from textwrap import wrap
from typing import Any

from keyc import __version__
from keyc.diagnostics import UserError
from keyc.keyboard import Press, Usage
from keyc.layouts import LAYOUT_NAMES, Layout, basis, layout, written_press
from keyc.usages import (
    full_name,
    indicators,
    instead_of,
    key_names,
    short_names,
    spoken_names,
    standard_name,
    usage_of,
)

SCHEMA = 1
_WIDTH = 80
_NAME_WIDTH, _USAGE_WIDTH, _TYPES_WIDTH, _SAID_WIDTH = 23, 7, 16, 31  # _WIDTH with the blanks between
_SHIFT, _ALT_RIGHT = 0xE1, 0xE6
_LEVELS = ((), (_SHIFT,), (_ALT_RIGHT,), (_SHIFT, _ALT_RIGHT))


@dataclass(frozen=True, slots=True)
class KeyName:
    """One key: its names, what it types alone, with Shift, with AltRight and with both (None: nothing)."""

    name: str
    short: str | None
    usage: Usage
    standard: str  # what the HID Usage Tables call it
    said: tuple[str, ...]
    types: tuple[str | None, str | None, str | None, str | None]
    types_with_num_lock: str | None


@dataclass(frozen=True, slots=True)
class Listing:
    """The keys that have to do with `text` (None: all), under one host layout. True if there are any."""

    text: str | None
    host_layout: str
    keys: tuple[KeyName, ...]
    strokes: tuple[str, ...]  # how `text` is typed, where it is one character

    def __bool__(self) -> bool:
        return bool(self.keys)


def matching(text: str | None, host_layout: str) -> Listing:
    """The keys whose name, spoken name, character or number is or holds `text`; all without one.

    Raises UserError for a host layout that isn't known.
    """
    if host_layout not in LAYOUT_NAMES:
        from keyc.layout_help import unknown_layout_help

        raise UserError(
            f"`{host_layout}` is no host layout that is known here",
            help=unknown_layout_help(host_layout),
            exit_status=2,
        )
    host = layout(host_layout)
    short = {full: name for name, full in short_names().items()}
    said: dict[str, list[str]] = {}
    for word, name in spoken_names().items():
        said.setdefault(full_name(name), []).append(word)
    keys = tuple(_key_name(name, short.get(name), tuple(said.get(name, ())), host) for name in key_names())
    if not text:
        return Listing(None, host_layout, keys, ())
    if len(text) == 1:
        presses = host.strokes(text) or ()
        strokes = tuple(written_press(press) for press in presses)
        wanted = {press.usage for press in presses}
        found = tuple(
            key
            for key in keys
            if key.usage in wanted or text in key.types or (key.short or "").casefold() == text.casefold()
        )
        return Listing(text, host_layout, found, strokes)
    return Listing(text, host_layout, tuple(key for key in keys if _has(key, text.casefold())), ())


def _key_name(name: str, short: str | None, said: tuple[str, ...], host: Layout) -> KeyName:
    usage = usage_of(name)
    assert usage is not None, name
    presses = [Press(usage, modifiers) for modifiers in _LEVELS]
    plain, shift, alt_right, both = (_typed(host, press) for press in presses)
    return KeyName(
        name=name,
        short=short,
        usage=usage,
        standard=standard_name(usage) or "",
        said=said,
        types=(plain, shift, alt_right, both),
        types_with_num_lock=host.types_with_num_lock(presses[0]),
    )


def _typed(host: Layout, press: Press) -> str | None:
    dead = host.dead(press)
    return host.types(press) if dead is None else f"({dead})"


def _has(key: KeyName, folded: str) -> bool:
    words = (key.name, key.short or "", key.standard, _number(key.usage), *key.said)
    return any(folded in word.casefold() for word in words)


def _number(usage: Usage) -> str:
    return f"{usage.page:02X}:{usage.id:02X}"


def as_json(listing: Listing) -> dict[str, Any]:
    """The listing for scripts. `types` has what the key types alone, with Shift, AltRight, and both."""
    return {
        "schema": SCHEMA,
        "tool": f"keyc {__version__}",
        "host_layout": listing.host_layout,
        "host_layout_basis": basis(listing.host_layout),
        "strokes": list(listing.strokes),
        "keys": [
            {
                "name": key.name,
                "short": key.short,
                "usage": {"page": key.usage.page, "id": key.usage.id, "name": key.standard},
                "said": list(key.said),
                "types": list(key.types),
                "types_with_num_lock": key.types_with_num_lock,
            }
            for key in listing.keys
        ],
    }


def as_text(listing: Listing) -> str:
    """The listing for people, at most 80 columns wide."""
    if not listing:
        instead = instead_of(listing.text or "")
        return (
            instead[0].upper() + instead[1:] + "."
            if instead
            else (
                f"No key's name, nor what people say for one, has `{listing.text}` in it.\n"
                "`keyc names` alone lists them all; any other usage is written usage(0x0C, 0x00E9)."
            )
        )
    lines = []
    if listing.strokes:
        lines += [
            f"{listing.text} is typed by {' then '.join(listing.strokes)} on {listing.host_layout}.",
            "",
        ]
    lines.append(_row("name", "usage", "types", "people say"))
    for key in listing.keys:
        name = f"{key.name} or {key.short}" if key.short else key.name
        typed = wrap(_typing(key), _TYPES_WIDTH) or [""]
        said = wrap(", ".join(key.said), _SAID_WIDTH) or [""]
        lines.append(_row(name, _number(key.usage), typed[0], said[0]))
        lines += [_row("", "", *more) for more in zip_longest(typed[1:], said[1:], fillvalue="")]
    if listing.text is None:
        lines += [
            "",
            "Types: alone, with Shift, with AltRight, with both. (acute) is a dead key.",
            *wrap(f"{listing.host_layout}: {basis(listing.host_layout)}", _WIDTH, subsequent_indent="  "),
            "Indicators for `light`: " + ", ".join(indicators()) + ".",
            "Any other usage of the HID Usage Tables is written usage(0x0C, 0x00E9).",
        ]
    return "\n".join(line.rstrip() for line in lines)


def _typing(key: KeyName) -> str:
    """What a key types, up to the last level that types anything."""
    if key.types_with_num_lock and key.types[0] is None:
        return f"{key.types_with_num_lock} (NumLock)"
    typed = [key.types[0]] if len(set(key.types)) == 1 else list(key.types)
    while typed and typed[-1] is None:
        typed.pop()
    return " ".join("space" if one == " " else one or "-" for one in typed)


def _row(name: str, usage: str, types: str, said: str) -> str:
    return f"{name:<{_NAME_WIDTH}} {usage:<{_USAGE_WIDTH}} {types:<{_TYPES_WIDTH}} {said}"
