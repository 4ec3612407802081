"""What stands on a cap: characters by level, words, what it does while held, what falls through to it.

No drawing here. A cell that lets through shows what lies beneath it when its layer is reached the
shortest way from the first one.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from itertools import chain
from typing import NamedTuple

from keyc.keyboard import (
    Action,
    Bottom,
    Keyboard,
    LayerHeld,
    NextOnly,
    Off,
    Pause,
    Press,
    Sequence,
    TapOrHold,
    Target,
    Through,
    Typing,
    UntilPressedAgain,
    UsbBoot,
)
from keyc.language.measures import written_time
from keyc.language.ways import cells_on, parts_of
from keyc.layouts import Layout, layout, written_press
from keyc.usages import full_name, modifier_name, name_of

_SHIFT, _ALT_RIGHT = 0xE1, 0xE6
_LEVELS: tuple[tuple[int, ...], ...] = ((), (_SHIFT,), (_ALT_RIGHT,), (_SHIFT, _ALT_RIGHT))

# What stands for an accent that waits for its letter, by X keysym; the character of the same name in
# Unicode. Those that Unicode has no spacing form of are shown as combining ones on a no-break space;
# currency, greek and stroke as what they make with Space.
_ACCENTS = {
    "abovedot": "\u02d9",
    "abovering": "\u02da",
    "acute": "\u00b4",
    "belowcomma": "\u00a0\u0326",
    "belowdot": "\u00a0\u0323",
    "belowmacron": "\u02cd",
    "breve": "\u02d8",
    "caron": "\u02c7",
    "cedilla": "\u00b8",
    "circumflex": "^",
    "currency": "\u00a4",
    "diaeresis": "\u00a8",
    "doubleacute": "\u02dd",
    "grave": "`",
    "greek": "\u00b5",
    "hook": "\u00a0\u0309",
    "horn": "\u00a0\u031b",
    "macron": "\u00af",
    "ogonek": "\u02db",
    "stroke": "/",
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
    layer: str = ""  # the one that this comes from

    @property
    def types(self) -> bool:
        return any(self.levels)


class Step(NamedTuple):
    """A step on the way to a layer: switches pressed together, or a dial; and whether they stay down."""

    keys: tuple[str, ...]
    is_held: bool


@dataclass(frozen=True, slots=True)
class Way:
    """The shortest way to a layer: which layers are on then, and what the hand does for it."""

    layers: tuple[str, ...]  # from the bottom up
    steps: tuple[Step, ...] = ()  # in the order of pressing
    is_reached: bool = True

    @property
    def held(self) -> frozenset[str]:
        """The switches that stay down."""
        return frozenset(key for step in self.steps if step.is_held for key in step.keys)


def ways(keyboard: Keyboard) -> Mapping[str, Way]:
    """For each layer, the shortest way to it from the first one. A layer that no key leads to lies
    on the first one."""
    order = {layer.name: index for index, layer in enumerate(keyboard.layers)}

    def stack(names: Iterable[str]) -> tuple[str, ...]:
        return tuple(sorted(set(names), key=order.__getitem__))

    first = keyboard.layers[0].name
    found = {first: Way((first,))}
    waiting = [first]
    for name in waiting:  # grows as layers are found
        way = found[name]
        for keys, action in _on_layer(keyboard, name):
            for target, is_held, is_bottom in _turned_on(action):
                if target not in found and not way.held.intersection(keys):
                    beneath = way.layers[1:] if is_bottom else way.layers
                    on = (target, *stack(beneath)) if is_bottom else stack((*beneath, target))
                    found[target] = Way(on, (*way.steps, Step(keys, is_held)))
                    waiting.append(target)
        for layer in keyboard.layers:
            if layer.when and layer.name not in found and found.keys() >= set(layer.when):
                together = [found[one] for one in layer.when]
                on = stack((*chain(*(one.layers for one in together)), layer.name))
                steps = dict.fromkeys(chain(*(one.steps for one in together)))
                found[layer.name] = Way(on, tuple(steps))
                waiting.append(layer.name)
    for name in order:
        found.setdefault(name, Way((first, name), is_reached=False))
    return found


def _on_layer(keyboard: Keyboard, name: str) -> Iterator[tuple[tuple[str, ...], Action]]:
    """What can be done on a layer, and with what: its cells, its chords, its dials."""
    for layer in keyboard.layers:
        if layer.name == name:
            yield from (((switch,), cell.action) for switch, cell in layer.cells.items())
    yield from ((chord.members, chord.cell.action) for chord in keyboard.chords if chord.layer == name)
    for turn in keyboard.dials:
        if turn.layer == name:
            yield (turn.dial,), turn.clockwise.action
            yield (turn.dial,), turn.counter_clockwise.action


def _turned_on(action: Action) -> Iterator[tuple[str, bool, bool]]:
    """The layers that an action turns on; for each whether while it's held, and whether at the bottom."""
    for part in parts_of(action):
        match part:
            case LayerHeld(layer) | TapOrHold(_, str(layer)):
                yield layer, True, False
            case NextOnly(str(layer)) | UntilPressedAgain(str(layer)):
                yield layer, False, False
            case Bottom(layer):
                yield layer, False, True


def legends(keyboard: Keyboard, layer: str) -> Mapping[str, Legend]:
    """What stands on every cap of a layer, by switch."""
    host = layout(keyboard.host_layout)
    way = ways(keyboard)[layer]
    cells = {each.name: each.cells for each in keyboard.layers}
    above_first = way.layers[: way.layers.index(layer) + 1]
    found = {}
    for switch, cell in cells[layer].items():
        source = next(
            (one for one in reversed(above_first) if not isinstance(cells[one][switch].action, Through)),
            layer,
        )
        shown = cells[source][switch]
        legend = _legend(shown.action, shown.text, host)
        held = switch in way.held
        found[switch] = replace(legend, is_through=shown is not cell, is_held=held, layer=source)
    return found


def _legend(action: Action, text: str, host: Layout) -> Legend:
    """What stands on a cap for an action that is written so."""
    match action:
        case Press():
            return Legend(text, _levels(action, host), _note(action, text, host))
        case TapOrHold(tap, hold):
            # Written as tap/hold, or by a name that the file has given it.
            before = _TAP.fullmatch(text)
            tapped = before[1] if before else _short(tap) if isinstance(tap, Press) else text
            return replace(
                _legend(tap, tapped, host), hold=_in_words(hold), holds_layer=isinstance(hold, str)
            )
        case LayerHeld() | Bottom() | NextOnly(str()) | UntilPressedAgain(str()):
            return Legend(text, kind=Kind.LAYER)
        case Off():
            return Legend(text, kind=Kind.OFF)
        case UsbBoot():
            return Legend(text, kind=Kind.USB_BOOT)
    return Legend(text)


# What stands before the `/` of a dual-role key; one in quotes is a character.
_TAP = re.compile(r'((?:"(?:[^"\\]|\\.)*"|[^"/])+)/.*')


def _in_words(target: Target) -> str:
    """A layer's name, or modifiers: `Control+Alt`."""
    return target if isinstance(target, str) else "+".join(map(_modifier, target))


def _modifier(number: int) -> str:
    return modifier_name(number).removesuffix("Left")


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


def sequences(keyboard: Keyboard) -> tuple[Sequence, ...]:
    """Every sequence that a key, a chord or a dial types, once, in the order of the layers."""
    actions = (cell.action for layer in keyboard.layers for cell in cells_on(keyboard, layer))
    parts = chain(*map(parts_of, actions))
    return tuple(dict.fromkeys(part.sequence for part in parts if isinstance(part, Typing)))


def sequence_in_words(sequence: Sequence, host: Layout) -> str:
    """What a sequence types, as a keymap file writes it: `"Kind regards," Enter wait 50ms Tab`."""
    words: list[str] = []
    text = ""
    accent: Press | None = None
    for step in sequence.steps:
        if isinstance(step, Pause) or not step.in_text:
            words += _quoted(text)
            text = ""
            words.append(
                f"wait {written_time(step.time_us)}" if isinstance(step, Pause) else _short(step.press)
            )
        elif accent is None and host.dead(step.press) is not None:
            accent = step.press
        else:
            text += (host.composes(accent, step.press) if accent else host.types(step.press)) or _typed(
                step.press
            )
            accent = None
    return " ".join([*words, *_quoted(text)])


def _quoted(text: str) -> list[str]:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return [f'"{escaped}"'] if text else []


def _typed(press: Press) -> str:
    """What stands in a text for a stroke that types no visible character."""
    return {"Tab": "\u21e5", "Enter": "\u21b5"}.get(name_of(press.usage) or "", "\ufffd")
