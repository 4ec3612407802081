"""The sentences about meaning that the compiler and the scenarios keep, each quoted by its test."""

from __future__ import annotations

from keyc.compile import check_text
from keyc.keyboard import Keyboard
from keyc.scenarios import run
from keyc.source import Source

WIRING = """\
keyboard "Six" { usb 0x1209:0x5A17  host-layout linux-de }
wiring {
    diodes none
    direct GPIO2 SW1
    direct GPIO3 SW2
    direct GPIO4 SW3
}
"""
ROW = "shape { SW1 SW2 SW3 }\n"


def checked(text: str) -> tuple[Keyboard | None, list[str]]:
    keyboard, found = check_text(Source("six.keys", WIRING + text))
    return keyboard, [one.code for one in found]


def places(shape: str) -> dict[str, tuple[float, float]]:
    keyboard, found = checked(f"shape {{\n{shape}\n}}\nlayer base {{ SW1 = A SW2 = B SW3 = usb-boot }}\n")
    assert keyboard is not None, found
    return {cap.switch: (cap.x_u, cap.y_u) for cap in keyboard.caps}


def passes(layer: str, steps: str) -> bool:
    keyboard, found = checked(f'{ROW}layer base {{ {layer} }}\nscenario "one" {{ {steps} }}\n')
    assert keyboard is not None, found
    return all(result.passed for result in run(keyboard))


def test_shape() -> None:
    """Shape: blanks never move a cap, only sizes and gaps do. A tall cap hangs down from its line; a line
    that comes to it needs a gap there."""
    assert places("SW1 SW2\nSW3") == places("   SW1        SW2\n            SW3")
    assert places("SW1 [0.5u] SW2\nSW3")["SW2"] == (2.0, 0.5)
    assert places("SW1 1x2u SW2\n[1u] SW3") == {"SW1": (0.5, 1.0), "SW2": (1.5, 0.5), "SW3": (1.5, 1.5)}
    assert "caps-overlap" in checked("shape {\nSW1 1x2u SW2\nSW3\n}\nlayer base { A B usb-boot }\n")[1]


def test_a_turned_line() -> None:
    """`at 3.5u 4.25u turned 15deg SW40 SW41` starts a line at that top left corner, turned clockwise about
    it"""
    turned = places("SW1\nSW2\nat 3u 4u turned 90deg SW3")
    assert turned["SW3"] == (2.5, 4.5)


def test_characters_that_are_no_key() -> None:
    """one that needs two strokes is an error as a key (name the key, or make it a sequence); a character the
    layout can't type is an error at its place"""
    assert "character-needs-two-strokes" in checked(ROW + 'layer base { "é" B usb-boot }\n')[1]
    assert "character-not-on-layout" in checked(ROW + 'layer base { "Aж" B usb-boot }\n')[1]


def test_scenarios() -> None:
    """`expect` first waits out the debounce and any sequence still typing, nothing else (never `hold-after`);
    then the presses since the last `expect`, in order, must be exactly those: `Shift+A` is one"""
    assert passes('"Hello" B/Shift usb-boot', "tap SW1 expect Shift+H E L L O")
    assert passes("A B/Shift usb-boot", "down SW2 expect nothing wait 200ms up SW2 expect Shift")
    assert not passes("A B usb-boot", "tap SW1 tap SW2 expect B A")
    assert not passes("A B usb-boot", "tap SW1 tap SW2 expect A")


def test_modifiers_and_what_is_held() -> None:
    """a modifier counts alone only if no other key came while it was down. `expect nothing`: no press.
    `expect nothing-held`: that, and empty reports."""
    assert passes("A Shift usb-boot", "down SW2 tap SW1 up SW2 expect Shift+A")
    assert passes("A Shift usb-boot", "tap SW2 expect Shift expect nothing-held")
    assert not passes("A Shift usb-boot", "down SW1 expect A expect nothing-held")
