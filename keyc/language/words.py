"""The words of the language: which statement each belongs to, how that is written, which may name nothing."""

from __future__ import annotations

# Where each word of a statement may stand, and how the statement is written: for help lines.
FORMS: dict[str, dict[str, str]] = {
    "": {
        "keyboard": 'keyboard "My board" {',
        "wiring": "wiring {",
        "shape": "shape {",
        "timing": "timing {",
        "let": "let undo-it = Control+Z",
        "layer": "layer base {",
        "dial": "dial DIAL1 on base {",
        "chord": "chord SW2 SW3 on base = CapsLock",
        "sequence": 'sequence sign-off = "Kind regards," Enter',
        "scenario": 'scenario "what is tried" {',
    },
    "keyboard": {
        "usb": "usb 0x1209:0x0001",
        "bench-usb": "bench-usb 0x1209:0x0002",
        "trial-usb": "trial-usb 0x1209:0x0003",
        "maker": 'maker "Your name"',
        "host-layout": "host-layout linux-us",
    },
    "wiring": {
        "diodes": "diodes cathode-to-row",
        "columns": "columns GPIO6 GPIO7 GPIO8",
        "row": "row GPIO2 SW1 SW2 --",
        "direct": "direct GPIO10 SW12",
        "diode": "diode D17 of SW7",
        "light": "light GPIO25 CapsLock",
        "dial": "dial GPIO20 GPIO21 DIAL1",
    },
    "shape": {"at": "at 3.5u 4.25u turned 15deg SW40 SW41"},
    "timing": {
        "debounce": "debounce 5ms after-quiet",
        "hold-after": "hold-after 180ms",
        "chord-within": "chord-within 40ms",
        "taps-within": "taps-within 200ms",
        "hold-if": "hold-if another-key tapped",
        "tap-if": "tap-if typing-within 120ms",
        "repeat-if": "repeat-if tapped-within 150ms",
        "next-twice": "next-twice locks",
    },
    "layer": {},
    "dial": {
        "clockwise": "clockwise = AudioVolumeUp",
        "counter-clockwise": "counter-clockwise = AudioVolumeDown",
    },
    "scenario": {
        "tap": "tap SW5",
        "down": "down SW5",
        "up": "up SW5",
        "wait": "wait 300ms",
        "expect": "expect Tab",
    },
}

# Words that may name nothing: every word of the grammar, and those that actions are made of.
_OTHER_WORDS = """
    of lit-low edges-per-detent turned after-quiet at-once another-key tapped pressed typing-within
    tapped-within locks when and on nothing nothing-held off usb-boot usage next lock bottom taps
    pointer pointer-press wheel none cathode-to-row cathode-to-column set latch
"""
RESERVED = frozenset(word for forms in FORMS.values() for word in forms) | frozenset(_OTHER_WORDS.split())

LATCH_HELP = (
    "`latch` means one thing to keyboards and the opposite to switches: write next(x) for the next key "
    "only, lock(x) for until pressed again"
)

SET_HELP = (
    "`set` isn't used: a name for an action is given by let NAME = …, times stand in timing { }, what keys "
    "do in layer NAME { }"
)
