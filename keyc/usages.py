"""Key names and the USB HID usages they stand for.

Names are those of W3C UI Events `KeyboardEvent.code`, with the few of our own in
`data/own-names.tsv`; numbers are those of the USB HID Usage Tables 1.7.
Tables are read from `keyc/data/` when they are first asked for, each once.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

from keyc.files import data_rows
from keyc.keyboard import Usage

GENERIC_DESKTOP_PAGE = 0x01
KEYBOARD_PAGE = 0x07
LED_PAGE = 0x08
BUTTON_PAGE = 0x09
CONSUMER_PAGE = 0x0C

# HID Usage Tables 1.7, page 0x07: 0xE0 to 0xE7, in the order of the report's modifier bits.
MODIFIER_NAMES = (
    "ControlLeft",
    "ShiftLeft",
    "AltLeft",
    "MetaLeft",
    "ControlRight",
    "ShiftRight",
    "AltRight",
    "MetaRight",
)
FIRST_MODIFIER = 0xE0
LAST_MODIFIER = 0xE7

# What one report can say: the system controls of the desktop page, keys and modifiers without the
# error codes, five buttons, consumer usages (USB HID Usage Tables, pages 0x01, 0x07, 0x09, 0x0C).
_REPORTABLE = {
    GENERIC_DESKTOP_PAGE: range(0x81, 0xB8),
    KEYBOARD_PAGE: range(0x04, LAST_MODIFIER + 1),
    BUTTON_PAGE: range(1, 6),
    CONSUMER_PAGE: range(0x01, 0x1000),  # up to what the report descriptor declares
}

# Short for the left-hand one.
_LEFT_OF = {"Control": "ControlLeft", "Shift": "ShiftLeft", "Alt": "AltLeft", "Meta": "MetaLeft"}

# The five indicators that a boot keyboard has (HID 1.11, appendix B.1), named as W3C names keys.
_INDICATORS = {"NumLock": 1, "CapsLock": 2, "ScrollLock": 3, "Compose": 4, "Kana": 5}

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_DIGITS = "0123456789"

# Words people try that no usage stands for, and what to write instead.
_NO_KEY = {
    "fn": "no computer ever sees Fn: it is a layer. Write a layer's name, such as `arrows`",
    "fnlock": "no computer ever sees Fn: it is a layer. Write a layer's name, such as `arrows`",
    "turbo": "W3C has this name, but no USB usage stands for it",
    "suspend": "W3C has this name, but no USB usage stands for it: for standby write Sleep",
    "resume": "W3C has this name, but no USB usage stands for it: write WakeUp",
    "hyper": "write the modifiers that you mean, such as Control+Alt+Meta, then `+` and a key",
    "none": "for a switch that does nothing write `off`",
    "reset": "to restart into the chip's own drive, for new firmware, write `usb-boot`",
    "restart": "to restart into the chip's own drive, for new firmware, write `usb-boot`",
    "bootloader": "to restart into the chip's own drive, for new firmware, write `usb-boot`",
}


@cache
def _usages() -> Mapping[str, Usage]:
    usages = {}
    for page, number, code, _, _ in data_rows("w3c-code-hid.tsv"):
        usages[code] = Usage(int(page, 16), int(number, 16))
    for name, usage in data_rows("own-names.tsv"):
        page, number = usage.split(":")
        usages[name] = Usage(int(page, 16), int(number, 16))
    return MappingProxyType(usages)


@cache
def _names() -> Mapping[Usage, str]:
    return MappingProxyType({usage: name for name, usage in _usages().items()})


@cache
def _folded() -> frozenset[str]:
    return frozenset(name.casefold() for name in (*_usages(), *short_names()))


def full_name(name: str) -> str:
    """The name that a short one stands for (`q` and `Q`: KeyQ; `1`: Digit1; `Shift`: ShiftLeft);
    any other word as it is."""
    if len(name) == 1:
        upper = name.upper()
        if upper in _LETTERS:
            return "Key" + upper
        if name in _DIGITS:
            return "Digit" + name
    return _LEFT_OF.get(name, name)


def usage_of(name: str) -> Usage | None:
    """The usage of a key name, full or short; None for a word that names no key. Case counts,
    but in a bare letter."""
    return _usages().get(full_name(name))


def name_of(usage: Usage) -> str | None:
    """The full name of a usage, or None where only `usage(page, id)` can write it."""
    return _names().get(usage)


def written(usage: Usage) -> str:
    """How a usage is written in a keymap file: its name, `pointer-press(1)`, or `usage(0x0C, 0x00E9)`."""
    if usage.page == BUTTON_PAGE:
        return f"pointer-press({usage.id})"
    return name_of(usage) or f"usage(0x{usage.page:02X}, 0x{usage.id:04X})"


def key_names() -> tuple[str, ...]:
    """Every full key name, by page and id."""
    return tuple(sorted(_usages(), key=lambda name: (_usages()[name].page, _usages()[name].id)))


@cache
def short_names() -> Mapping[str, str]:
    """The short names and the full ones they stand for: letters, digits, the left-hand modifiers."""
    short = {letter: "Key" + letter for letter in _LETTERS}
    short.update({digit: "Digit" + digit for digit in _DIGITS})
    short.update(_LEFT_OF)
    return MappingProxyType(short)


def is_key_name_in_any_case(word: str) -> bool:
    """Whether a word is a key's name, full or short, were capitals not to count (`home`, `q`)."""
    return word.casefold() in _folded()


def modifier_of(name: str) -> int | None:
    """The usage id (0xE0 to 0xE7) of a modifier's name, full or short; None for any other word."""
    name = _LEFT_OF.get(name, name)
    return FIRST_MODIFIER + MODIFIER_NAMES.index(name) if name in MODIFIER_NAMES else None


def is_modifier(usage: Usage) -> bool:
    """Whether a usage is one of the eight modifiers."""
    return usage.page == KEYBOARD_PAGE and 0 <= usage.id - FIRST_MODIFIER < len(MODIFIER_NAMES)


def is_reportable(usage: Usage) -> bool:
    """Whether a report to the host can say this usage."""
    return usage.id in _REPORTABLE.get(usage.page, ())


def modifier_name(number: int) -> str:
    """The full name of a modifier's usage id, 0xE0 to 0xE7."""
    return MODIFIER_NAMES[number - FIRST_MODIFIER]


def indicators() -> Mapping[str, int]:
    """The indicators a `light` may name, and their usage ids on the LED page."""
    return MappingProxyType(_INDICATORS)


def led_usage(name: str) -> int | None:
    """The usage id on the LED page of an indicator's name; None for any other word."""
    return _INDICATORS.get(name)


def _plain(word: str) -> str:
    return word.casefold().replace(" ", "").replace("_", "").replace("-", "")


@cache
def spoken_names() -> Mapping[str, str]:
    """What people say for a key (as they would write it: `Ctrl`, `PgUp`) and its name here."""
    return MappingProxyType({row[0]: row[1] for row in data_rows("spoken.tsv")})


@cache
def _spoken_plain() -> Mapping[str, str]:
    return MappingProxyType({_plain(said): name for said, name in spoken_names().items()})


def name_for_spoken(word: str) -> str | None:
    """The key name for what somebody said, whatever its case, blanks, `_` or `-`; else None."""
    return _spoken_plain().get(_plain(word))


def instead_of(word: str) -> str | None:
    """What to write instead of a word that people try and no key stands for; else None."""
    return _NO_KEY.get(_plain(word))


@cache
def _page_names(page: int) -> Mapping[int, str]:
    files = {
        GENERIC_DESKTOP_PAGE: "hut-page01-generic-desktop.tsv",
        KEYBOARD_PAGE: "hut-page07-keyboard.tsv",
        LED_PAGE: "hut-page08-led.tsv",
        CONSUMER_PAGE: "hut-page0c-consumer.tsv",
    }
    if page not in files:
        return MappingProxyType({})
    return MappingProxyType({int(number, 16): name for number, name, _ in data_rows(files[page])})


def standard_name(usage: Usage) -> str | None:
    """What the HID Usage Tables call a usage (pages 0x01, 0x07, 0x08 and 0x0C); None elsewhere."""
    return _page_names(usage.page).get(usage.id)
