"""Small keyboards for the bench's tests, built without a keymap file."""

from __future__ import annotations

from collections.abc import Sequence

from keyc.keyboard import Cap, Cell, Diodes, Keyboard, Layer, Off, Switch, Timing, Wiring
from keyc.source import Source, Span

NOWHERE = Span(Source("test.keys", ""), 0, 0)


def wiring_of(
    rows: Sequence[int],
    columns: Sequence[int],
    *,
    diodes: Diodes = Diodes.CATHODE_TO_ROW,
    direct: Sequence[int] = (),
    holes: Sequence[str] = (),
) -> Wiring:
    """A full matrix, SW1 at its top left corner, numbered along the rows; then the switches to ground.

    `holes` are left out; the others keep their numbers.
    """
    switches = []
    for row in rows:
        for column in columns:
            switches.append(Switch(f"SW{len(switches) + 1}", row, column, None, None, NOWHERE))
    for pin in direct:
        switches.append(Switch(f"SW{len(switches) + 1}", None, None, pin, None, NOWHERE))
    return Wiring(
        diodes, tuple(rows), tuple(columns), tuple(one for one in switches if one.name not in holes)
    )


def keyboard_of(wiring: Wiring) -> Keyboard:
    """A keyboard whose caps lie as its matrix does; keys to ground follow on a line of their own."""
    caps = []
    for switch in wiring.switches:
        line = len(wiring.rows) if switch.row is None else wiring.rows.index(switch.row)
        place = len([cap for cap in caps if cap.line == line])
        column = place if switch.column is None else wiring.columns.index(switch.column)
        caps.append(Cap(switch.name, column + 0.5, line + 0.5, 1, 1, 0, line, NOWHERE))
    nothing = Cell(Off(), "off", None, NOWHERE)
    layer = Layer("base", {switch.name: nothing for switch in wiring.switches}, NOWHERE)
    return Keyboard(
        title="Test bench",
        stem="test",
        usb_vendor=0x1209,
        usb_product=0x0001,
        maker="Nobody",
        host_layout="linux-us",
        wiring=wiring,
        caps=tuple(caps),
        timing=Timing(),
        layers=(layer,),
        scenarios=(),
        span=NOWHERE,
    )


SMALL = wiring_of((2, 3, 4), (6, 7, 8, 9), direct=(10,))
