"""What stands on a cap: characters by level, words, what it does while held, what falls through to it.

No drawing here. A cell that lets through shows what lies beneath it when its layer is reached the
shortest way from the first one.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum

from keyc.keyboard import Action, Keyboard, LayerHeld, Off, Press, Through, UsbBoot
from keyc.layouts import Layout, layout, written_press
from keyc.usages import full_name, name_of

_SHIFT, _ALT_RIGHT = 0xE1, 0xE6
_LEVELS: tuple[tuple[int, ...], ...] = ((), (_SHIFT,), (_ALT_RIGHT,), (_SHIFT, _ALT_RIGHT))

# What stands for an accent that waits for its letter, by X keysym; the character of the same name in
# Unicode. Those that Unicode has no spacing form of are shown as combining ones on a no-break space.
_ACCENTS = {
    "abovedot": "\u02d9",
    "abovering": "\u02da",
    "acute": "\u00b4",
    "belowdot": "\u00a0\u0323",
    "belowmacron": "\u02cd",
    "breve": "\u02d8",
    "caron": "\u02c7",
    "cedilla": "\u00b8",
    "circumflex": "^",
    "diaeresis": "\u00a8",
    "doubleacute": "\u02dd",
    "grave": "`",
    "hook": "\u00a0\u0309",
    "horn": "\u00a0\u031b",
    "macron": "\u00af",
    "ogonek": "\u02db",
    "tilde": "~",
}


class Kind(Enum):
    """What sort of thing a key does, where a picture shows that too."""

    PLAIN = "plain"
    LAYER = "layer"  # turns a layer on
    OFF = "off"
    USB_BOOT = "usb-boot"


@dataclass(frozen=True, slots=True)
class Character:
    """One character on a cap; `is_accent`: it waits for the next letter."""

    text: str
    is_accent: bool = False


@dataclass(frozen=True, slots=True)
class Legend:
    """What stands on one cap of one layer.

    `levels`: what the key types alone, with Shift, with AltGr (AltRight), with both; None where there
    is nothing to show. Without any of them `words` says what the key does. `note` is a smaller
    second line, `hold` what the key does while held if that's another thing than when tapped.
    """

    words: str = ""
    levels: tuple[Character | None, ...] = (None, None, None, None)
    note: str = ""
    hold: str = ""
    holds_layer: bool = False  # `hold` is a layer's name
    kind: Kind = Kind.PLAIN
    is_through: bool = False  # this is what lies beneath
    is_held: bool = False  # the key is down as long as one is on this layer

    @property
    def types(self) -> bool:
        return any(self.levels)


@dataclass(frozen=True, slots=True)
class Way:
    """The shortest way to a layer: which layers are on then, and which switches are down for it."""

    layers: tuple[str, ...]  # in file order
    held: tuple[str, ...] = ()  # in the order of pressing
    is_reached: bool = True


def ways(keyboard: Keyboard) -> Mapping[str, Way]:
    """For each layer, the shortest way to it from the first one. A layer that no key leads to lies
    on the first one."""
    order = {layer.name: index for index, layer in enumerate(keyboard.layers)}
    layers = {layer.name: layer for layer in keyboard.layers}
    first = keyboard.layers[0].name
    found = {first: Way((first,))}
    waiting = [first]
    for name in waiting:  # grows as layers are found
        way = found[name]
        for switch, cell in layers[name].cells.items():
            for leads_to in layers_turned_on(cell.action):
                if leads_to not in found and switch not in way.held:
                    on = sorted({*way.layers, leads_to}, key=order.__getitem__)
                    found[leads_to] = Way(tuple(on), (*way.held, switch))
                    waiting.append(leads_to)
    for name in order:
        found.setdefault(name, Way((first, name), is_reached=False))
    return found


def layers_turned_on(action: Action) -> Iterator[str]:
    """The layers that a key with this action can turn on."""
    if isinstance(action, LayerHeld):
        yield action.layer


def legends(keyboard: Keyboard, layer: str) -> Mapping[str, Legend]:
    """What stands on every cap of a layer, by switch."""
    host = layout(keyboard.host_layout)
    way = ways(keyboard)[layer]
    cells = {each.name: each.cells for each in keyboard.layers}
    above_first = way.layers[: way.layers.index(layer) + 1]
    found = {}
    for switch, cell in cells[layer].items():
        beneath = [cells[name][switch] for name in reversed(above_first)]
        shown = next((one for one in beneath if not isinstance(one.action, Through)), cell)
        legend = _legend(shown.action, shown.text, host)
        found[switch] = replace(legend, is_through=shown is not cell, is_held=switch in way.held)
    return found


def _legend(action: Action, text: str, host: Layout) -> Legend:
    """What stands on a cap for an action that is written so."""
    if isinstance(action, Press):
        return Legend(text, _levels(action, host), _note(action, text, host))
    return Legend(text, kind=_KINDS.get(type(action), Kind.PLAIN))


_KINDS = {LayerHeld: Kind.LAYER, Off: Kind.OFF, UsbBoot: Kind.USB_BOOT}


def _levels(press: Press, host: Layout) -> tuple[Character | None, ...]:
    """What a press types alone and with Shift and AltGr. One that has modifiers of its own, such as the
    Shift of a quoted "!", types one character, whatever the hand holds besides."""
    if press.modifiers:
        return (_character(press, host), None, None, None)
    number_pad = host.types_with_num_lock(press)
    if number_pad:
        return (Character(number_pad), None, None, None)
    found = [_character(Press(press.usage, modifiers), host) for modifiers in _LEVELS]
    for index in (3, 2, 1):  # what another level types already
        if found[index] in found[:index]:
            found[index] = None
    for alone, shifted in ((0, 1), (2, 3)):  # a letter is told by its capital, or by its small form
        small, capital = found[alone], found[shifted]
        if small and capital and _is_capital_of(capital.text, small.text):
            if alone == 0:
                found[0] = None
            else:
                found[3] = None
    return tuple(found)


def _is_capital_of(capital: str, small: str) -> bool:
    return small != capital and small.upper() == capital and small.isalpha()


def _character(press: Press, host: Layout) -> Character | None:
    accent = host.dead(press)
    if accent is not None:
        return Character(_ACCENTS.get(accent, accent), is_accent=True)
    typed = host.types(press)
    if typed is None or unicodedata.category(typed[0]) in ("Zs", "Cc", "Cf"):
        return None  # a blank has no shape: the key's name tells it
    return Character(typed)


def _note(press: Press, text: str, host: Layout) -> str:
    """What must be said besides: the press behind a name of the file's own, or that a key is the number
    pad's, since its character doesn't tell it from the one of the top row."""
    name = name_of(press.usage) or ""
    if name.startswith("Numpad") and not press.modifiers:
        return "Numpad" if host.types(press) or host.types_with_num_lock(press) else ""
    is_own_name = not text.startswith('"') and "+" not in text and "(" not in text
    return _short(press) if is_own_name and full_name(text) != name else ""


def _short(press: Press) -> str:
    """A press as one would write it, letters and digits bare: `Control+Z`."""
    *modifiers, key = written_press(press).split("+")
    if key.startswith("Key") and len(key) == 4:
        key = key[3:]
    elif key.startswith("Digit"):
        key = key[5:]
    return "+".join((*modifiers, key))
