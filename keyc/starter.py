"""`keyc new`: a keymap file to begin with, from a number of keys or from a board's netlist.

The first layer is a guess, and says so: usual rows of keys where the board is wide enough for them, else the
keys that are needed most, in reading order.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import ceil
from pathlib import Path

from keyc.diagnostics import UserError
from keyc.keyboard import Diodes
from keyc.language.tidy import tidied_text
from keyc.netlist.boards import ReadBoard
from keyc.netlist.cap_lines import PlacedCap
from keyc.netlist.keymap_text import HOST_LAYOUT, keymap_text, layer_lines, quoted

MOST_KEYS = 225  # 15 rows and 15 columns: the chip has 30 pins
_DIRECT_MOST = 4  # up to here a matrix saves no pin

# Pins in the order in which they are proposed. GPIO16 lies beside RUN on the chip, GPIO0 and GPIO7 beside a
# supply pin; 23 to 25 and 29 don't reach a pin of the common 40-pin module.
_PINS = (*range(2, 7), *range(9, 15), *range(17, 21), 26, 27, 28, 7, 8, 15, 21, 22, 1, 0, 16, 23, 24, 25, 29)

# Usual rows, by their middles: what stands left of them, the ten keys in the middle, what stands right.
_DIGITS = (("Escape",), list("1234567890"), ("Minus", "Equal", "Backspace"))
_UPPER = (("Tab",), list("QWERTYUIOP"), ("BracketLeft", "BracketRight", "Backslash"))
_HOME = (("CapsLock",), [*"ASDFGHJKL", "Semicolon"], ("Quote", "Enter"))
_LOWER = (("Shift",), [*"ZXCVBNM", "Comma", "Period", "Slash"], ("ShiftRight",))
_FUNCTION = (("Escape",), [f"F{n}" for n in range(1, 11)], ("F11", "F12"))
# What rows of letters without room for it at their ends have instead of a key that is needed less.
_INSTEAD = (
    ("Space", ("Alt", "AltRight", "Meta", "CapsLock")),
    ("Enter", ("ShiftRight", "ControlRight", "AltRight", "Quote", "CapsLock")),
    ("Backspace", ("BracketLeft", "Equal", "Delete", "Minus", "Meta")),
    ("Escape", ("CapsLock", "ArrowUp")),
    ("Shift", ("ArrowLeft",)),
    ("Meta", ("AltRight", "ArrowDown")),
)
# What dials do in turn: clockwise, the other way, pressed.
_DIALS = (
    ("AudioVolumeUp", "AudioVolumeDown", "AudioVolumeMute"),
    ("wheel(down)", "wheel(up)", "Home"),
    ("ArrowRight", "ArrowLeft", "Enter"),
)
# Up to how many keys lie in how many rows (common practice): letters over a space bar, digits, functions.
_ROWS_OF_CAPS = ((52, 4), (76, 5), (120, 6), (MOST_KEYS, 8))
_WIDE = 10  # keys in a row that has room for ten letters
_HALF = 5  # and in one for a hand
_MOST_FOR_ONE_HAND = 39  # with more keys than that every letter should be somewhere

_BOTTOM_LEFT = ("Control", "Meta", "Alt")
_BOTTOM_RIGHT = ("AltRight", "more", "ControlRight", "ArrowLeft", "ArrowDown", "ArrowUp", "ArrowRight")
_FURTHER = (
    *("Insert", "Delete", "Home", "End", "PageUp", "PageDown"),
    *("ArrowLeft", "ArrowDown", "ArrowUp", "ArrowRight", "PrintScreen", "ScrollLock", "Pause"),
    *("NumLock", "NumpadDivide", "NumpadMultiply", "NumpadSubtract", "NumpadAdd", "NumpadEnter"),
    *(f"Numpad{digit}" for digit in "7894561230"),
    "NumpadDecimal",
)
# In reading order, for boards whose rows are too short for letters to lie as they usually do.
_NEEDED = (
    *("Escape", *"QWERTASDFGZXCVBYUIOPHJKLNM", "Space", "Enter", "Backspace", "Tab"),
    *("Shift", "Control", "Alt", "Meta"),
    *("Comma", "Period", "Slash", "Semicolon", "Quote", "Minus", "Equal", "Delete"),
    *("ArrowLeft", "ArrowDown", "ArrowUp", "ArrowRight", *"1234567890"),
    *("Home", "End", "PageUp", "PageDown", *(f"F{number}" for number in range(1, 13))),
)
_PAD = (
    ("NumLock", "NumpadDivide", "NumpadMultiply", "NumpadSubtract"),
    ("Numpad7", "Numpad8", "Numpad9", "NumpadAdd"),
    ("Numpad4", "Numpad5", "Numpad6", "NumpadEnter"),
    ("Numpad1", "Numpad2", "Numpad3", "NumpadDecimal"),
    ("Numpad0", "Backspace", "Tab", "Escape"),
)


def file_name(name: str) -> str:
    """The file that a new keyboard's name asks for: `slipway` and `slipway.keys` are the same."""
    return name if name.endswith(".keys") else f"{name}.keys"


def title_of(name: str) -> str:
    stem = re.sub(r"[\s_-]+", " ", Path(file_name(name)).stem).strip()
    return stem[:1].upper() + stem[1:]


def from_number(name: str, count: int, diodes: Diodes = Diodes.CATHODE_TO_ROW) -> str:
    """A file for that many keys, on the fewest pins. Raises UserError where the chip can't have so many."""
    if not 1 <= count <= MOST_KEYS:
        raise UserError(
            f"{count} keys can't be wired to this chip",
            f"its 30 pins make a matrix of up to {MOST_KEYS} keys; give a number from 1 to {MOST_KEYS}",
            exit_status=2,
        )
    names = [f"SW{number}" for number in range(1, count + 1)]
    if count <= _DIRECT_MOST:
        wires = [f"    direct GPIO{pin} {switch}" for pin, switch in zip(_PINS, names, strict=False)]
        rows = [names]
        said = (
            "One key, on a pin of its own: it needs no diode."
            if count == 1
            else f"{count} keys, on {count} pins: with so few keys each has its own, and needs no diode."
        )
    else:
        row_count, column_count = fewest_pins(count)
        wires = [f"    diodes {diodes.value}", *_matrix(_cut(names, column_count), column_count)]
        rows = _cut(names, _caps_in_a_row(count, column_count))
        pins = row_count + column_count
        said = (
            f"{count} keys, on {row_count} rows and {column_count} columns: "
            f"{pins} pins, the fewest there can be."
        )
    lines = [
        f"# {said}",
        "# Change the pins, the names and the shape to what you build.",
        "",
        f"keyboard {quoted(title_of(name))} {{",
        f"    {HOST_LAYOUT}",
        "}",
        "",
        "wiring {",
        *wires,
        "}",
        "",
        "shape {",
        *("    " + " ".join(row) for row in rows),
        "}",
        "",
        *_layers(_guessed(rows), rows),
    ]
    return tidied_text("\n".join(lines) + "\n")


def _cut(names: list[str], length: int) -> list[list[str]]:
    return [names[at : at + length] for at in range(0, len(names), length)]


def _caps_in_a_row(count: int, columns: int) -> int:
    """How many caps a proposed row has: as keyboards of so many keys lie, which needn't be as they are wired.

    With fewer keys than three rows of letters and one to hold them they lie as in the matrix.
    """
    if count < 3 * _WIDE + _HALF:
        return columns
    rows = next((rows for most, rows in _ROWS_OF_CAPS if count <= most), _ROWS_OF_CAPS[-1][1])
    return max(_WIDE, ceil(count / rows))


def fewest_pins(count: int) -> tuple[int, int]:
    """Rows and columns for so many keys on the fewest pins; among equals the most even, wider than tall."""
    options = [(rows, ceil(count / rows)) for rows in range(1, count + 1)]
    return min(
        (option for option in options if option[0] <= option[1]),
        key=lambda option: (option[0] + option[1], option[1] - option[0]),
    )


def _matrix(rows: Sequence[Sequence[str]], columns: int) -> list[str]:
    row_pins, column_pins = _PINS[: len(rows)], _PINS[len(rows) : len(rows) + columns]
    lines = ["    columns " + " ".join(f"GPIO{pin}" for pin in column_pins)]
    for pin, row in zip(row_pins, rows, strict=True):
        lines.append(" ".join([f"    row GPIO{pin}", *row, *["--"] * (columns - len(row))]))
    return lines


def from_board(name: str, read: ReadBoard) -> str:
    """A file from a netlist. Raises UserError where none of the board's keys can be read."""
    if not read.text.layout.caps:
        raise UserError(
            "none of this board's keys can be read as it is", "`keyc wiring` says what is wrong with it"
        )
    names = read.text.names
    rows = _visual_rows(read)
    does = _guessed([[names[cap.name] for cap in row] for row in rows])
    _with_two_row_enter(does, [[(names[cap.name], cap) for cap in row] for row in rows])
    dials = []
    for number, dial in enumerate(dial for dial in read.board.dials if None not in dial.gpios):
        clockwise, back, pressed = _DIALS[number % len(_DIALS)]
        part = names[dial.part.name]
        dials += [f"dial {part} on base {{ clockwise = {clockwise}   counter-clockwise = {back} }}"]
        for direct in read.text.directs:
            if direct.contact.part is dial.part:
                does[names[direct.contact.name]] = pressed
    lines = _layers(does, _written_rows(read))
    return keymap_text(read.text, title_of(name), [*lines, *([""] if dials else []), *dials])


def _written_rows(read: ReadBoard) -> list[list[str]]:
    """The switches line by line, as `shape` has them and a layer must follow."""
    return [[read.text.names[cap.name] for _, cap in line.caps] for line in read.text.layout.lines]


def _visual_rows(read: ReadBoard) -> list[list[PlacedCap]]:
    """The caps by their row of the matrix, from left to right: columns may be staggered, rows seldom are."""
    caps = {cap.name: cap for cap in read.text.layout.caps}
    lines: dict[object, list[PlacedCap]] = {}
    for key in read.text.keys:
        lines.setdefault(key.row, []).append(caps[key.name])
    of_dials = {dial.part for dial in read.board.dials}
    for direct in read.text.directs:
        if direct.contact.part not in of_dials:
            lines.setdefault("direct", []).append(caps[direct.contact.name])
    return [sorted(row, key=lambda cap: cap.x_u) for row in lines.values()]


# ---- the first layer --------------------------------------------------------------------------


def _layers(does: Mapping[str, str], written: Sequence[Sequence[str]]) -> list[str]:
    """A guessed first layer, and one with `usb-boot` that it leads to. `written`: the lines of `shape`."""
    listed = list(does)
    grid = [[does[switch] for switch in line] for line in written]
    lines = ["# A guess from the rows: change it to what you want to type.", *layer_lines("base", grid)]
    if "more" in does.values():
        boot = next(switch for switch in listed if does[switch] != "more")
        lines += ["", f"layer more {{ {boot} = usb-boot }}"]
    return lines


def _guessed(rows: Sequence[Sequence[str]]) -> dict[str, str]:
    """What each switch does. One key leads to the layer `more`, if there are at least two."""
    count = sum(map(len, rows))
    least = next(
        (
            least
            for least, most in ((_WIDE, MOST_KEYS), (_HALF, _MOST_FOR_ONE_HAND))
            if count <= most and sum(len(row) >= least for row in rows) >= 3
        ),
        None,
    )
    if least is not None:
        does = _usual_rows(rows, least)
    elif len(rows) in (4, 5) and all(len(row) <= 4 for row in rows):
        does = _in_order(
            rows, [key for row, keys in zip(rows, _PAD, strict=False) for key in keys[: len(row)]]
        )
    else:
        does = _in_order(rows, _NEEDED)
    if len(does) >= 2 and "more" not in does.values():
        does[list(does)[-1]] = "more"
    return does


def _with_two_row_enter(does: dict[str, str], rows: Sequence[Sequence[tuple[str, PlacedCap]]]) -> None:
    """Changes `does` where a cap of two rows ends the letters: that is Enter.

    Boards that have it so have one more key beside the left Shift, too.
    """
    talls = (name for row in rows for name, cap in row if cap.height_u > 1)
    tall = next((name for name in talls if does[name] in ("Backslash", "Enter")), None)
    enter = next((name for name, action in does.items() if action == "Enter"), None)
    if tall is None or enter is None:
        return
    does[enter], does[tall] = does[tall], "Enter"
    lower = [name for name, _ in next((row for row in rows if any(does[name] == "Z" for name, _ in row)), [])]
    actions = [does[name] for name in lower]
    if actions[:1] == ["Shift"] and "ShiftRight" in actions[:-1]:
        end = actions.index("ShiftRight") + 1
        does.update(zip(lower, ["Shift", "IntlBackslash", *actions[1:end]], strict=False))


def _in_order(rows: Sequence[Sequence[str]], keys: Sequence[str]) -> dict[str, str]:
    switches = [switch for row in rows for switch in row]
    return dict(zip(switches, [*keys[: len(switches)], *["off"] * (len(switches) - len(keys))], strict=False))


def _usual_rows(rows: Sequence[Sequence[str]], least: int) -> dict[str, str]:
    """Rows of letters as on most keyboards; what is over gets keys that no row has yet."""
    wide = [index for index, row in enumerate(rows) if len(row) >= least]
    usual = [_FUNCTION, _DIGITS, _UPPER, _HOME, _LOWER]
    # From below: three rows are letters, a fourth above them has the digits, a fifth the function keys. Where
    # there are as many, the lowest row of all is the one with the space bar.
    used = wide[:-1] if len(wide) >= 4 and wide[-1] == len(rows) - 1 else wide
    used = used[-len(usual) :]
    templates = dict(zip(used, usual[-len(used) :], strict=True))
    if len(used) == len(usual):
        templates[used[1]] = (("Backquote",), *_DIGITS[1:])  # Escape is above it
    does: dict[str, str] = {}
    for index, row in enumerate(rows):
        if index in templates:
            keys = _fitted(len(row), *templates[index])
        elif index > used[-1]:
            keys = _bottom(len(row)) if index == used[-1] + 1 else []
        else:
            keys = []
        does.update(dict(zip(row, [*keys, *["off"] * len(row)], strict=False)))
    for key, instead in _INSTEAD:
        there = {action: switch for switch, action in does.items()}
        given_up = [action for action in instead if action in there]
        if key not in there and given_up:
            does[there[given_up[0]]] = key
    _fill(does)
    return does


def _fitted(count: int, left: Sequence[str], middle: Sequence[str], right: Sequence[str]) -> list[str]:
    """The middle's keys, as many as have room; with room for more, first the left's, then the right's."""
    keys = list(middle) if count in (_HALF, len(middle)) else [*left, *middle]
    return [*keys, *right][:count]


def _bottom(count: int) -> list[str]:
    """A bottom row: the space bar in the middle, modifiers around it."""
    if count == 1:
        return ["Space"]
    left = min(3, count // 2)
    return [*_BOTTOM_LEFT[:left], "Space", *_BOTTOM_RIGHT][:count]


def _fill(does: dict[str, str]) -> None:
    """Keys that are needed and missing, then further ones, on the switches that have none."""
    there = set(does.values())
    needed = [key for key in (*_NEEDED[:35], "Delete", *_FURTHER) if key not in there]
    waiting = iter(dict.fromkeys(needed))
    for switch, key in does.items():
        if key == "off":
            does[switch] = next(waiting, "off")
