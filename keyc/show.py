"""`keyc show`: the keyboard as it was understood, for people and for scripts.

Lengths are in key units, columns of text in characters.
"""

from __future__ import annotations

import re
from typing import Any

from keyc import __version__
from keyc.fingerprints import Fingerprints, fingerprints
from keyc.keyboard import (
    Action,
    Cap,
    Cell,
    Diodes,
    Keyboard,
    Layer,
    Press,
    Switch,
    TapOrHold,
    Timing,
    Wiring,
)
from keyc.layouts import layout
from keyc.pins import module_pin_of_gpio, package_pin_of_gpio
from keyc.tables import tables_of
from keyc.usages import KEYBOARD_PAGE

SCHEMA = 1
_WIDTH = 80
_ROWS_PER_U = 4  # a border and three lines: switch, cell, what is typed
_COLUMNS_PER_U = range(4, 10)
_CUT = "…"

# Lines of a picture that meet in one place: 1 up, 2 right, 4 down, 8 left.
_UP, _RIGHT, _DOWN, _LEFT = 1, 2, 4, 8
_JOINTS = " ╵╶└╷│┌├╴┘─┴┐┤┬┼"


def as_json(keyboard: Keyboard) -> dict[str, Any]:
    """The keyboard for scripts: cap centres `x_u`, `y_u` with y downwards, pins as `GPIO2`."""
    wiring = keyboard.wiring
    tables = tables_of(keyboard)
    marks = fingerprints(keyboard)
    caps = {cap.switch: cap for cap in keyboard.caps}
    return {
        "schema": SCHEMA,
        "tool": f"keyc {__version__}",
        "name": keyboard.title,
        "maker": keyboard.maker,
        "usb": {
            "vendor": keyboard.usb_vendor,
            "product": keyboard.usb_product,
            "version": _version(marks),
            "bench": _usb_id(keyboard.bench_usb),
            "trial": _usb_id(keyboard.trial_usb),
        },
        "host_layout": keyboard.host_layout,
        "fingerprints": {"wiring": marks.wiring, "keymap": marks.keymap, "engine": marks.engine},
        "wiring": {
            "diodes": wiring.diodes.value,
            "rows": [_pin(row) for row in wiring.rows],
            "columns": [_pin(column) for column in wiring.columns],
            "lights": [
                {"pin": _pin(light.pin), "indicator": light.name, "lit_low": light.lit_low}
                for light in wiring.lights
            ],
            "dials": [
                {
                    "name": dial.name,
                    "pins": [_pin(dial.pin_a), _pin(dial.pin_b)],
                    "edges_per_detent": dial.edges_per_detent,
                }
                for dial in wiring.dials
            ],
        },
        "switches": [_switch_json(switch, caps[switch.name]) for switch in wiring.switches],
        "layers": [
            {"name": each.name, "cells": {name: _cell_json(cell) for name, cell in each.cells.items()}}
            for each in keyboard.layers
        ],
        "bytes": {"flash_tables": tables.flash_bytes, "ram_state": tables.state_bytes},
    }


def _switch_json(switch: Switch, cap: Cap) -> dict[str, Any]:
    return {
        "name": switch.name,
        "row": _pin_or_none(switch.row),
        "column": _pin_or_none(switch.column),
        "direct": _pin_or_none(switch.direct),
        "diode": switch.diode,
        "x_u": cap.x_u,
        "y_u": cap.y_u,
        "width_u": cap.width_u,
        "height_u": cap.height_u,
        "rotation_deg": cap.rotation_deg,
    }


def _cell_json(cell: Cell) -> dict[str, Any]:
    """`tap` and `hold` are for keys that do one thing tapped and another held; a layer has no usages."""
    tap = hold = None
    if isinstance(cell.action, TapOrHold):
        tap_text, hold_text = cell.text.rsplit("/", 1) if "/" in cell.text else (cell.text, cell.text)
        tap = {"text": tap_text, "usages": _usages_json(cell.action.tap)}
        target = cell.action.hold
        is_layer = isinstance(target, str)
        hold = {
            "text": hold_text,
            "layer": target if is_layer else None,
            "usages": [] if is_layer else [{"page": KEYBOARD_PAGE, "id": number} for number in target],
        }
    usages = _usages_json(cell.action)
    return {"text": cell.text, "usages": usages, "tap": tap, "hold": hold, "types": cell.types}


def _usages_json(action: Action) -> list[dict[str, int]]:
    """What a key puts down, its modifiers first; nothing for what is no key."""
    if not isinstance(action, Press):
        return []
    usages = [{"page": KEYBOARD_PAGE, "id": number} for number in action.modifiers]
    return [*usages, {"page": action.usage.page, "id": action.usage.id}]


def _pin(gpio: int) -> str:
    return f"GPIO{gpio}"


def _pin_or_none(gpio: int | None) -> str | None:
    return None if gpio is None else _pin(gpio)


def _usb_id(numbers: tuple[int, int] | None) -> dict[str, int] | None:
    """Null: that image has the keyboard's own."""
    return None if numbers is None else {"vendor": numbers[0], "product": numbers[1]}


def _version(marks: Fingerprints) -> str:
    """How a computer tells the daily image with this keymap from one with another."""
    from keyc.image.identity import device_version
    from keyc.image.usb_seen import version_text

    return version_text(device_version("daily", marks))


def as_text(keyboard: Keyboard) -> str:
    """The keyboard for people, in 80 columns unless its matrix or its shape needs more."""
    marks = fingerprints(keyboard)
    tables = tables_of(keyboard)
    identity = f"USB {keyboard.usb_vendor:#06x}:{keyboard.usb_product:#06x}, version {_version(marks)}"
    facts = [
        keyboard.title,
        ", ".join(
            [identity, *([f"made by {keyboard.maker}"] if keyboard.maker else []), keyboard.host_layout]
        ),
        ", ".join(
            f"{count} {one if count == 1 else many}"
            for count, one, many in (
                (len(keyboard.wiring.switches), "switch", "switches"),
                (len(keyboard.layers), "layer", "layers"),
                (len(keyboard.scenarios), "scenario", "scenarios"),
            )
        ),
        _timing(keyboard.timing),
        f"{tables.flash_bytes} bytes of tables in flash, {tables.state_bytes} bytes of state in RAM",
        f"fingerprints: wiring {marks.wiring}, keymap {marks.keymap}, engine {marks.engine}",
    ]
    parts = ["\n".join(facts), _pins_text(keyboard), _matrix_text(keyboard)]
    parts += [_layer_text(keyboard, each) for each in keyboard.layers]
    return "\n\n".join(part for part in parts if part)


def _timing(timing: Timing) -> str:
    def in_words(time_us: int, at_once: bool) -> str:
        return f"{time_us / 1000:g}ms {'at-once' if at_once else 'after-quiet'}"

    common = in_words(timing.debounce.time_us, timing.debounce.at_once)
    own = [f"{name} {in_words(one.time_us, one.at_once)}" for name, one in timing.for_switch.items()]
    return "debounce " + ", ".join([common, *own])


def pin_uses(wiring: Wiring) -> list[tuple[int, str]]:
    """Every GPIO that the wiring names, in ascending order, and what it is used for."""
    uses = [(pin, "row") for pin in wiring.rows]
    uses += [(pin, "column") for pin in wiring.columns]
    uses += [
        (switch.direct, f"{switch.name}, to ground")
        for switch in wiring.switches
        if switch.direct is not None
    ]
    for light in wiring.lights:
        uses.append((light.pin, f"light {light.name}" + (", lit low" if light.lit_low else "")))
    for dial in wiring.dials:
        uses += [(dial.pin_a, f"dial {dial.name}"), (dial.pin_b, f"dial {dial.name}")]
    return sorted(uses)


def _pins_text(keyboard: Keyboard) -> str:
    lines = ["Pins", f"  {'':<8} {'package pin':<12} {'module pin':<11} use"]
    for gpio, use in pin_uses(keyboard.wiring):
        module = module_pin_of_gpio(gpio)
        lines.append(f"  {_pin(gpio):<8} {package_pin_of_gpio(gpio):<12} {module or '-':<11} {use}")
    return "\n".join(lines)


def _matrix_text(keyboard: Keyboard) -> str:
    wiring = keyboard.wiring
    if not wiring.rows:
        return ""
    at = {(switch.row, switch.column): switch for switch in wiring.switches if switch.direct is None}
    table = [["", *map(_pin, wiring.columns)]]
    for row in wiring.rows:
        crossings = [at.get((row, column)) for column in wiring.columns]
        table.append([_pin(row), *(switch.name if switch else "--" for switch in crossings)])
        if any(switch and switch.diode for switch in crossings):
            table.append(["", *((switch.diode or "") if switch else "" for switch in crossings)])
    widths = [max(map(len, column)) + 2 for column in zip(*table, strict=True)]
    parts = [f"Matrix, {DIODES_IN_WORDS[wiring.diodes]}"]
    first = 1
    while first < len(widths):
        last = first + 1  # as many columns as fit, but one at least
        while last < len(widths) and 2 + widths[0] + sum(widths[first : last + 1]) <= _WIDTH:
            last += 1
        for line in table:
            cells = map(str.ljust, [line[0], *line[first:last]], [widths[0], *widths[first:last]])
            parts.append(("  " + "".join(cells)).rstrip())
        first = last
    return "\n".join(parts)


DIODES_IN_WORDS = {
    Diodes.CATHODE_TO_ROW: "a diode at each switch, its cathode (the ring) to the row",
    Diodes.CATHODE_TO_COLUMN: "a diode at each switch, its cathode (the ring) to the column",
    Diodes.NONE: "no diodes",
}


def _layer_text(keyboard: Keyboard, each: Layer) -> str:
    picture, cut = _picture(keyboard, each)
    lines = [f"Layer {each.name}", picture]
    if cut:
        lines.append("In full: " + ", ".join(f"{name} {text}" for name, text in cut))
    return "\n".join(lines)


def _picture(keyboard: Keyboard, each: Layer) -> tuple[str, list[tuple[str, str]]]:
    """The caps with the switch, the cell and what it types in each, and what had to be cut short.

    Turned caps are drawn upright about their centres.
    """
    boxes = {cap.switch: _corners(cap) for cap in keyboard.caps}
    left = min(box[0] for box in boxes.values())
    top = min(box[1] for box in boxes.values())
    width_u = max(box[2] for box in boxes.values()) - left
    height_u = max(box[3] for box in boxes.values()) - top
    scale = max((n for n in _COLUMNS_PER_U if n * width_u + 1 <= _WIDTH), default=_COLUMNS_PER_U[0])
    columns, rows = round(width_u * scale) + 1, round(height_u * _ROWS_PER_U) + 1
    joints = [[0] * columns for _ in range(rows)]
    letters = [[""] * columns for _ in range(rows)]
    cut = []
    for name, (x0_u, y0_u, x1_u, y1_u) in boxes.items():
        x0, x1 = round((x0_u - left) * scale), round((x1_u - left) * scale)
        y0, y1 = round((y0_u - top) * _ROWS_PER_U), round((y1_u - top) * _ROWS_PER_U)
        _draw_box(joints, x0, y0, x1, y1)
        room, cell = x1 - x0 - 1, each.cells[name]
        typed = _typed(keyboard, cell)
        written = _folded(cell.text, room, max(1, y1 - y0 - 2 - bool(typed)))
        for line, text in enumerate([name, *written, typed], start=y0 + 1):
            if line < y1:
                fitting = text if len(text) <= room else text[: room - 1] + _CUT
                letters[line][x0 + 1 : x0 + 1 + len(fitting)] = fitting
        if any(len(text) > room for text in written):
            cut.append((name, cell.text))
    lines = (
        "".join(letter or _JOINTS[joint] for letter, joint in zip(*both, strict=True))
        for both in zip(letters, joints, strict=True)
    )
    return "\n".join(line.rstrip() for line in lines), cut


def _folded(text: str, room: int, lines: int) -> list[str]:
    """A cell's text on at most so many lines, folded before a capital, after a hyphen, sign or comma.

    The last line holds what is left, and may be longer than `room`.
    """
    folded = [""]
    for piece in re.split(r"(?<=[a-z0-9])(?=[A-Z][a-z])|(?<=[+/-])|(?<=, )", text):
        if folded[-1] and len(folded[-1] + piece) > room and len(folded) < lines:
            folded.append("")
        folded[-1] += piece
    return folded


def _corners(cap: Cap) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a cap, drawn upright about its centre."""
    half_width, half_height = cap.width_u / 2, cap.height_u / 2
    return cap.x_u - half_width, cap.y_u - half_height, cap.x_u + half_width, cap.y_u + half_height


def _draw_box(joints: list[list[int]], x0: int, y0: int, x1: int, y1: int) -> None:
    for y in (y0, y1):
        for x in range(x0, x1):
            joints[y][x] |= _RIGHT
            joints[y][x + 1] |= _LEFT
    for x in (x0, x1):
        for y in range(y0, y1):
            joints[y][x] |= _DOWN
            joints[y + 1][x] |= _UP


def _typed(keyboard: Keyboard, cell: Cell) -> str:
    """The line for what a cell types; empty where that is what the cell says anyway."""
    if cell.types is not None:
        return "" if cell.text.strip('"') == cell.types else "space" if cell.types == " " else cell.types
    if isinstance(cell.action, Press):
        dead = layout(keyboard.host_layout).dead(cell.action)
        return f"({dead})" if dead else ""
    return ""
