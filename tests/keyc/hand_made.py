"""Keyboards made by hand, for tests of what comes after the compiler's front."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from keyc.keyboard import (
    Action,
    Cell,
    Debounce,
    Diodes,
    Keyboard,
    Layer,
    LayerHeld,
    Off,
    Press,
    Scenario,
    Switch,
    Through,
    Timing,
    Usage,
    UsbBoot,
    Wiring,
)
from keyc.source import Source, Span

SOURCE = Source("folder/handmade.keys", "keyboard\n" * 40)


def span_at(line: int) -> Span:
    start = (line - 1) * len("keyboard\n")
    return Span(SOURCE, start, start + 8)


def key(usage: int, *modifiers: int) -> Press:
    return Press(Usage(0x07, usage), tuple(modifiers))


def media(usage: int, *modifiers: int) -> Press:
    return Press(Usage(0x0C, usage), tuple(modifiers))


def system(usage: int) -> Press:
    return Press(Usage(0x01, usage))


def wiring_of(
    rows: Sequence[int] = (2, 3),
    columns: Sequence[int] = (6, 7),
    direct: Sequence[int] = (10,),
    diodes: Diodes = Diodes.CATHODE_TO_ROW,
    without: Sequence[str] = (),
) -> Wiring:
    """SW1, SW2, … row by row, then the direct ones; crossings named in `without` stay empty."""
    crossings = [(row, column) for row in rows for column in columns]
    switches = [
        Switch(f"SW{n}", row, column, None, f"D{n}", span_at(3 + rows.index(row)))
        for n, (row, column) in enumerate(crossings, 1)
    ]
    switches += [
        Switch(f"SW{len(crossings) + n}", None, None, pin, None, span_at(8 + n))
        for n, pin in enumerate(direct, 1)
    ]
    kept = tuple(switch for switch in switches if switch.name not in without)
    return Wiring(diodes, tuple(rows), tuple(columns), kept)


def keyboard_of(
    wiring: Wiring,
    *layers: Sequence[Action],
    names: Sequence[str] = ("base", "upper", "third", "fourth"),
    debounce: Debounce | None = None,
    for_switch: Mapping[str, Debounce] | None = None,
    scenarios: Sequence[Scenario] = (),
    title: str = "Handmade",
) -> Keyboard:
    """Each layer's actions in wiring order; those left out are `..`, on the first layer `off`."""
    made = []
    for number, (name, actions) in enumerate(zip(names, layers, strict=False)):
        missing: Action = Through() if number else Off()
        all_actions = [*actions, *[missing] * (len(wiring.switches) - len(actions))]
        cells = {
            switch.name: Cell(action, text_of(action), None, span_at(20 + number))
            for switch, action in zip(wiring.switches, all_actions, strict=True)
        }
        made.append(Layer(name, cells, span_at(20 + number)))
    return Keyboard(
        title=title,
        stem="handmade",
        usb_vendor=0x1209,
        usb_product=0x0001,
        maker="Nobody",
        host_layout="linux-us",
        wiring=wiring,
        caps=(),
        timing=Timing(debounce or Debounce(), for_switch or {}),
        layers=tuple(made),
        scenarios=tuple(scenarios),
        span=span_at(1),
    )


def text_of(action: Action) -> str:
    match action:
        case Through():
            return ".."
        case Off():
            return "off"
        case UsbBoot():
            return "usb-boot"
        case LayerHeld(layer):
            return layer
        case Press(usage, modifiers):
            return "+".join(f"{number:02X}" for number in (*modifiers, usage.id))
        case _:
            return type(action).__name__
