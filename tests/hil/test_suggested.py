"""The corrected `wiring` that is offered: applied, it is read as the wiring that the board has."""

from __future__ import annotations

import re

import pytest

from hil.diagnosis.suggested import suggested_wiring
from keyc.keyboard import Keyboard
from tests.hil.boards import Desk
from tests.keymaps import keyboard_in

TEXT = """keyboard "Nine" { usb 0x1209:0x0001 maker "Nobody" }
wiring {   # soldered by hand
    diodes cathode-to-row
    columns      GPIO6  GPIO7  GPIO8  GPIO9
    row GPIO2    SW1    SW2    SW3    SW4   # nearest to the plug
    row GPIO3    SW5    SW6    --     --
    row GPIO4    SW7    SW8    SW9    SW10
    direct GPIO12 SW11
}
shape {
    SW1 SW2 SW3 SW4
    SW5 SW6
    SW7 SW8 SW9 SW10 SW11
}
layer base {
    A B C D
    E F
    G H I J usb-boot
}
"""


def changed_lines(keyboard: Keyboard, *faults: str) -> list[str] | None:
    """The lines of the diff that begin with + or -, for a board with these faults."""
    desk = Desk(keyboard.wiring, faults).follow()
    told = suggested_wiring(keyboard, desk.result().faults)
    return None if told is None else [line for line in told.splitlines() if re.match(r"[+-] ", line)]


@pytest.mark.parametrize(
    ("faults", "changed"),
    [
        (
            ["swapped SW2 SW5"],
            [
                "-    row GPIO2    SW1    SW2    SW3    SW4   # nearest to the plug",
                "-    row GPIO3    SW5    SW6    --     --",
                "+    row GPIO2    SW1    SW5    SW3    SW4   # nearest to the plug",
                "+    row GPIO3    SW2    SW6    --     --",
            ],
        ),
        (
            ["swapped GPIO2 GPIO4"],
            [
                "-    row GPIO2    SW1    SW2    SW3    SW4   # nearest to the plug",
                "+    row GPIO4    SW1    SW2    SW3    SW4   # nearest to the plug",
                "-    row GPIO4    SW7    SW8    SW9    SW10",
                "+    row GPIO2    SW7    SW8    SW9    SW10",
            ],
        ),
        (
            ["swapped GPIO2 GPIO7"],
            [
                "-    columns      GPIO6  GPIO7  GPIO8  GPIO9",
                "-    row GPIO2    SW1    SW2    SW3    SW4   # nearest to the plug",
                "+    columns      GPIO6  GPIO2  GPIO8  GPIO9",
                "+    row GPIO7    SW1    SW2    SW3    SW4   # nearest to the plug",
            ],
        ),
        (
            [f"swapped GPIO{n} GPIO{n + 1}" for n in (6, 7, 8, 9)],
            [
                "-    columns      GPIO6  GPIO7  GPIO8  GPIO9",
                "+    columns      GPIO10 GPIO6  GPIO7  GPIO8",
            ],
        ),
        (
            ["swapped SW7 SW10", "swapped SW8 SW9"],
            [
                "-    row GPIO4    SW7    SW8    SW9    SW10",
                "+    row GPIO4    SW10   SW9    SW8    SW7",
            ],
        ),
        (
            ["reversed diodes"],
            ["-    diodes cathode-to-row", "+    diodes cathode-to-column"],
        ),
        (
            ["moved SW2 GPIO9 GPIO3"],
            [
                "-    row GPIO2    SW1    SW2    SW3    SW4   # nearest to the plug",
                "-    row GPIO3    SW5    SW6    --     --",
                "+    row GPIO2    SW1    --     SW3    SW4   # nearest to the plug",
                "+    row GPIO3    SW5    SW6    --     SW2",
            ],
        ),
        (
            ["swapped GPIO12 GPIO13"],
            ["-    direct GPIO12 SW11", "+    direct GPIO13 SW11"],
        ),
    ],
)
def test_only_the_words_that_differ_change(faults: list[str], changed: list[str]) -> None:
    assert changed_lines(keyboard_in(TEXT), *faults) == changed


def test_what_no_word_can_say_is_not_offered() -> None:
    """A contact between two columns has no place in a `wiring`."""
    assert changed_lines(keyboard_in(TEXT), "moved SW2 GPIO9 GPIO8") is None
    assert changed_lines(keyboard_in(TEXT), "open SW2") is None
