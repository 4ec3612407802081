"""`keyc sheet`: pictures of every layer and of the matrix, and tables of what has no cap."""

from __future__ import annotations

from dataclasses import dataclass

from keyc.keyboard import Keyboard
from keyc.layouts import layout
from keyc.pins import module_pin_of_gpio, package_pin_of_gpio
from keyc.sheet.caps import Side, laid_out
from keyc.sheet.figure import LARGEST_U, Figure, unit_of
from keyc.sheet.layer_figure import layer_figure
from keyc.sheet.legends import sequence_in_words, sequences, ways
from keyc.sheet.matrix_figure import matrix_figure
from keyc.show import pin_uses

_SIDES: tuple[Side, ...] = ("front", "back")
_HOW_TO_READ = (
    "On a cap: what it types alone; above that, with Shift; on the right, with AltGr (Option) and with both. "
    "On the strip along the lower edge: what it does while held, and its switch. "
    "Grey italics: nothing of this layer’s own, but what lies beneath. "
    "Blue: turns a layer on. In a tinted box: an accent that waits for the next letter."
)
_HOW_TO_READ_CHORDS = (
    " A number on the upper edge: with the other caps of that number it is a chord of the table at the end."
)


@dataclass(frozen=True, slots=True)
class Table:
    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that is drawn of a keyboard: its `layers`, its `matrix`, and `tables` of what has no cap."""

    title: str
    facts: str
    layers: tuple[Figure, ...]
    matrix: tuple[Figure, ...]
    tables: tuple[Table, ...]

    @property
    def how_to_read(self) -> str:
        has_chords = any(table.heading == "Chords" for table in self.tables)
        return _HOW_TO_READ + (_HOW_TO_READ_CHORDS if has_chords else "")

    @property
    def summary(self) -> str:
        count = len(self.layers)
        return f"{count} layer{'' if count == 1 else 's'}, and the matrix from both sides"


def sheet_of(keyboard: Keyboard) -> Sheet:
    """Pictures and tables of a keyboard, still without a document around them."""
    how = ways(keyboard)
    return Sheet(
        keyboard.title,
        _facts(keyboard),
        tuple(layer_figure(keyboard, layer.name, how[layer.name]) for layer in keyboard.layers),
        tuple(matrix_figure(keyboard, side) for side in _SIDES),
        tuple(
            table
            for table in (
                _chords(keyboard),
                _dials(keyboard),
                _sequences(keyboard),
                _lights(keyboard),
                _pins(keyboard),
            )
            if table.rows
        ),
    )


def _facts(keyboard: Keyboard) -> str:
    scale = unit_of(laid_out(keyboard.caps)) / LARGEST_U
    facts = [f"made by {keyboard.maker}"] if keyboard.maker else []
    facts += [
        f"{len(keyboard.wiring.switches)} switches",
        f"host layout {keyboard.host_layout}",
        "true size" if scale > 0.999 else f"{scale:.0%} of its size",
    ]
    return ", ".join(facts)


def _chords(keyboard: Keyboard) -> Table:
    rows = (
        (str(number), " with ".join(one.members), one.layer, one.cell.text)
        for number, one in enumerate(keyboard.chords, start=1)
    )
    return Table("Chords", ("number", "together", "on layer", "do"), tuple(rows))


def _dials(keyboard: Keyboard) -> Table:
    rows = []
    for dial in keyboard.wiring.dials:
        what = (dial.name, f"GPIO{dial.pin_a}, GPIO{dial.pin_b}", str(dial.edges_per_detent))
        turns = [one for one in keyboard.dials if one.dial == dial.name]
        rows += [(*what, one.layer, one.clockwise.text, one.counter_clockwise.text) for one in turns]
        rows += [] if turns else [(*what, "", "", "")]
    columns = ("dial", "pins", "edges per detent", "on layer", "clockwise", "counter-clockwise")
    return Table("Dials", columns, tuple(rows))


def _sequences(keyboard: Keyboard) -> Table:
    host = layout(keyboard.host_layout)
    rows = ((one.name or "a text", sequence_in_words(one, host)) for one in sequences(keyboard))
    return Table("Sequences", ("name", "types"), tuple(rows))


def _lights(keyboard: Keyboard) -> Table:
    rows = (
        (light.name, f"GPIO{light.pin}", "low" if light.lit_low else "high")
        for light in keyboard.wiring.lights
    )
    return Table("Lights", ("indicator", "pin", "lit when the pin is"), tuple(rows))


def _pins(keyboard: Keyboard) -> Table:
    rows = (
        (f"GPIO{gpio}", str(package_pin_of_gpio(gpio)), str(module_pin_of_gpio(gpio) or ""), use)
        for gpio, use in pin_uses(keyboard.wiring)
    )
    return Table("Pins", ("pin", "package pin", "module pin", "use"), tuple(rows))
