"""Where a switch lies, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.stages.positions import rows_of_caps

if TYPE_CHECKING:
    from keyc.keyboard import Keyboard


def places_of(keyboard: Keyboard) -> dict[str, str]:
    """Per switch where it lies and which pins it sits on: "row 2, 3rd from the left (GPIO3, GPIO8)"."""
    found: dict[str, str] = {}
    switches = {switch.name: switch for switch in keyboard.wiring.switches}
    for row, names in enumerate(rows_of_caps(keyboard.caps), 1):
        for n, name in enumerate(names, 1):
            switch = switches[name]
            gpios = [gpio for gpio in (switch.row, switch.column, switch.direct) if gpio is not None]
            pins = ", ".join(f"GPIO{gpio}" for gpio in gpios)
            found[name] = f"row {row}, {_ordinal(n)} from the left ({pins})"
    return found


def _ordinal(n: int) -> str:
    if n % 100 in (11, 12, 13):
        return f"{n}th"
    return f"{n}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(n % 10, 'th') }"
