"""The sentences about meaning that the compiler and the scenarios keep, each quoted by its test."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from keyc.compile import check_text
from keyc.diagnostics import UserError
from keyc.engine import library as engine_library
from keyc.engine.scenarios import findings, run
from keyc.image import firmware
from keyc.keyboard import Keyboard
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
    """Shape: blanks never move a cap, only sizes and gaps do."""
    assert places("SW1 SW2\nSW3") == places("   SW1        SW2\n            SW3")
    assert places("SW1 [0.5u] SW2\nSW3")["SW2"] == (2.0, 0.5)
    assert places("SW1 1.5u SW2\nSW3") == {"SW1": (0.75, 0.5), "SW2": (2.0, 0.5), "SW3": (0.5, 1.5)}


def test_a_tall_cap() -> None:
    """A tall cap hangs down from its line; a line that comes to it needs a gap there."""
    assert places("SW1 1x2u SW2\n[1u] SW3") == {"SW1": (0.5, 1.0), "SW2": (1.5, 0.5), "SW3": (1.5, 1.5)}
    assert "caps-overlap" in checked("shape {\nSW1 1x2u SW2\nSW3\n}\nlayer base { A B usb-boot }\n")[1]


def test_an_iso_enter() -> None:
    """An ISO Enter is `[0.25u] SW28 1.25x2u`. Its lower part, 1.25 u wide, is what reaches to the next line,
    whose last key ends a quarter further right than that of the line above (common practice)."""
    keyboard, found = checked(
        "shape {\nSW1 [0.25u] SW2 1.25x2u\nSW3 1.25u\n}\nlayer base { SW1 = A SW2 = Enter SW3 = usb-boot }\n"
    )
    assert keyboard is not None, found
    caps = {cap.switch: cap for cap in keyboard.caps}
    enter = caps["SW2"]
    assert (enter.x_u, enter.y_u, enter.width_u, enter.height_u) == (1.875, 1.0, 1.25, 2.0)
    assert caps["SW3"].x_u + caps["SW3"].width_u / 2 == enter.x_u - enter.width_u / 2
    assert "caps-overlap" not in found


def test_a_turned_line() -> None:
    """`at 3.5u 4.25u turned 15deg SW40 SW41` starts a line at that top left corner, turned clockwise about
    it: thumb clusters, split halves."""
    assert places("SW1\nSW2\nat 3u 4u turned 90deg SW3")["SW3"] == (2.5, 4.5)
    turned = places("SW1\nat 3.5u 4.25u turned 15deg SW2 SW3")
    sine, cosine = math.sin(math.radians(15)), math.cos(math.radians(15))
    for n, switch in enumerate(("SW2", "SW3")):
        along, down = n + 0.5, 0.5
        expected = (3.5 + along * cosine - down * sine, 4.25 + along * sine + down * cosine)
        assert turned[switch] == pytest.approx(expected)


def test_one_quoted_character() -> None:
    """One quoted character: its own Shift or AltGr is added, `Control+"z"` is allowed; one that needs two
    strokes is an error as a key (name the key, or make it a sequence)."""
    assert passes('"!" "@" usb-boot', "tap SW1 expect Shift+1 tap SW2 expect AltRight+Q")
    assert passes('Control+"z" B usb-boot', "tap SW1 expect Control+Y"), "where linux-de has its z"
    assert "character-needs-two-strokes" in checked(ROW + 'layer base { "é" B usb-boot }\n')[1]
    assert passes('written B usb-boot }\nsequence written = "é"\nlayer more {', "tap SW1 expect Equal E")


def test_text() -> None:
    """Text of two or more characters is typed once, dead keys included; a character the layout can't type is
    an error at its place."""
    assert passes('"né" B usb-boot', "down SW1 wait 900ms up SW1 expect N Equal E")
    text = WIRING + ROW + 'layer base { "Aж" B usb-boot }\n'
    _, found = check_text(Source("six.keys", text))
    (error,) = [one for one in found if one.code == "character-not-on-layout"]
    assert error.span is not None
    assert text[error.span.start : error.span.end] == "ж"


def test_scenarios_run_on_the_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scenarios run on the same C engine that goes into the board; without a C compiler at hand `check` warns
    that they didn't."""
    on_the_board = {Path(name).name for name in firmware._KEYS_SOURCES if name.startswith("engine/engine_")}
    assert on_the_board - {path.name for path in engine_library.sources()} == set()

    def none() -> engine_library.EngineLibrary:
        raise UserError(
            "no C compiler was found on this computer", engine_library.NO_COMPILER_HELP, exit_status=3
        )

    monkeypatch.setattr(engine_library, "load", none)
    keyboard, _ = checked(ROW + 'layer base { A B usb-boot }\nscenario "one" { tap SW1 expect A }\n')
    assert keyboard is not None
    assert [(one.code, one.severity) for one in findings(keyboard)] == [("scenario-not-run", "warning")]


def test_a_tap() -> None:
    """`tap SW5` is down, 20 ms, up (`tap SW5 12ms` sets it)."""
    rule = "timing { hold-after %s }\n"
    for time, held, tapped in (("20ms", "tap SW1", "tap SW1 19ms"), ("12ms", "tap SW1 12ms", "tap SW1 11ms")):
        for step, came in ((held, "Shift"), (tapped, "A")):
            keyboard, found = checked(
                f"{ROW}{rule % time}layer base {{ A/Shift B usb-boot }}\n"
                f'scenario "one" {{ {step} wait 100ms expect {came} }}\n'
            )
            assert keyboard is not None, found
            assert all(result.passed for result in run(keyboard)), (step, came)


def test_expect() -> None:
    """`expect` first waits out the debounce and any sequence still typing, nothing else (never `hold-after`);
    then the presses since the last `expect`, in order, must be exactly those: `Shift+A` is one; a modifier
    counts alone only if no other key came while it was down."""
    assert passes('"Hello" B/Shift usb-boot', "tap SW1 expect Shift+H E L L O")
    assert passes("A B/Shift usb-boot", "down SW2 expect nothing wait 200ms up SW2 expect Shift")
    assert not passes("A B usb-boot", "tap SW1 tap SW2 expect B A")
    assert not passes("A B usb-boot", "tap SW1 tap SW2 expect A")
    assert passes("A Shift usb-boot", "down SW2 tap SW1 up SW2 expect Shift+A")
    assert not passes("A Shift usb-boot", "down SW2 tap SW1 up SW2 expect Shift Shift+A")


def test_expect_nothing() -> None:
    """`expect nothing`: no press."""
    assert passes("off Shift usb-boot", "tap SW1 expect nothing")
    assert passes("A Shift usb-boot", "down SW1 expect A wait 50ms expect nothing"), "it may be held"
    assert not passes("A Shift usb-boot", "tap SW1 expect nothing")


def test_expect_nothing_held() -> None:
    """`expect nothing-held`: that, and empty reports."""
    assert passes("A Shift usb-boot", "tap SW2 expect Shift expect nothing-held")
    assert not passes("A Shift usb-boot", "tap SW2 expect nothing-held")
    assert not passes("A Shift usb-boot", "down SW1 expect A expect nothing-held")
