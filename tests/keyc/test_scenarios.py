"""Scenarios on the C engine: what `expect` counts, when time passes, what a failure says.

The rules are those of the language page, "Meaning", last paragraph.
"""

from __future__ import annotations

import pytest

from keyc.diagnostics import UserError, render_text
from keyc.engine.engine import Report
from keyc.engine.scenarios import ScenarioResult, diagnostics_of, findings, press_in_short, run, usages_in
from keyc.keyboard import (
    Action,
    Debounce,
    Down,
    Expect,
    Keyboard,
    LayerHeld,
    Off,
    Press,
    Scenario,
    Step,
    Tap,
    Through,
    Up,
    Usage,
    UsbBoot,
    Wait,
)
from tests.keyc.hand_made import SOURCE, key, keyboard_of, media, span_at, system, wiring_of

CONTROL, SHIFT, ALT = 0xE0, 0xE1, 0xE2
A, B, Z = 0x04, 0x05, 0x1D
HERE = span_at(30)

# SW1 to SW9, in this order
WIRING = wiring_of(rows=(2, 3), columns=(6, 7, 8, 9), direct=(10,))
BASE: list[Action] = [
    key(A),
    key(Z, CONTROL),
    key(SHIFT),
    LayerHeld("upper"),
    key(CONTROL),
    key(ALT, CONTROL),
    media(0xE9),
    Off(),
    UsbBoot(),
]
UPPER: list[Action] = [key(B), Through(), system(0x82)]


def expect(*presses: Press, nothing_held: bool = False) -> Expect:
    return Expect(presses, tuple(map(press_in_short, presses)), nothing_held, HERE)


def tap(switch: str, time_us: int = 20_000) -> Tap:
    return Tap(switch, time_us, HERE)


def down(switch: str) -> Down:
    return Down(switch, HERE)


def up(switch: str) -> Up:
    return Up(switch, HERE)


def wait(time_us: int) -> Wait:
    return Wait(time_us, HERE)


def keyboard_with(*steps: Step, debounce: Debounce | None = None) -> Keyboard:
    scenario = Scenario("as it should be", steps, HERE)
    return keyboard_of(WIRING, BASE, UPPER, scenarios=[scenario], debounce=debounce)


def result_of(*steps: Step, debounce: Debounce | None = None) -> ScenarioResult:
    (result,) = run(keyboard_with(*steps, debounce=debounce))
    return result


PASSING: dict[str, list[Step]] = {
    "presses in order": [tap("SW1"), tap("SW7"), tap("SW1"), expect(key(A), media(0xE9), key(A))],
    "Shift+A is one": [down("SW3"), tap("SW1"), up("SW3"), expect(key(A, SHIFT))],
    "a modified key is one": [tap("SW2"), expect(key(Z, CONTROL))],
    "a modifier alone": [tap("SW3"), expect(key(SHIFT))],
    "a modifier alone, between": [tap("SW1"), tap("SW3"), tap("SW1"), expect(key(A), key(SHIFT), key(A))],
    "a modifier before, not while": [down("SW1"), tap("SW3"), up("SW1"), expect(key(A), key(SHIFT))],
    "two modifiers are one": [down("SW5"), tap("SW3"), up("SW5"), expect(key(SHIFT, CONTROL))],
    "in any order": [down("SW5"), tap("SW3"), up("SW5"), expect(key(CONTROL, SHIFT))],
    "two modifiers on one key": [tap("SW6"), expect(key(ALT, CONTROL))],
    "a modifier that is still down": [
        down("SW3"),
        expect(key(SHIFT)),
        tap("SW1"),
        up("SW3"),
        expect(key(A, SHIFT)),
    ],
    "a media key with a modifier": [down("SW5"), tap("SW7"), up("SW5"), expect(media(0xE9, CONTROL))],
    "a roll": [down("SW2"), wait(30_000), tap("SW1"), up("SW2"), expect(key(Z, CONTROL), key(A))],
    "nothing": [tap("SW4"), tap("SW8"), expect()],
    "nothing held": [tap("SW1"), expect(key(A)), expect(nothing_held=True)],
    "a layer": [down("SW4"), tap("SW1"), tap("SW3"), up("SW4"), expect(key(B), system(0x82))],
    "the language page's example": [down("SW4"), wait(300_000), tap("SW1"), expect(key(B)), up("SW4")],
    "a press that is still down counts once": [down("SW1"), expect(key(A)), wait(1_000_000), expect()],
    "down and up without a time between": [down("SW4"), down("SW1"), up("SW4"), up("SW1"), expect(key(B))],
    "the same switch twice": [*[tap("SW1")] * 3, expect(key(A), key(A), key(A))],
    "a tap below the debounce": [tap("SW1", 4_000), expect()],
    "a tap above it": [tap("SW1", 6_000), expect(key(A))],
    "a pause below the debounce": [tap("SW1"), wait(3_000), tap("SW1"), expect(key(A))],
    "a pause above it": [tap("SW1"), wait(6_000), tap("SW1"), expect(key(A), key(A))],
    "moves that change nothing": [up("SW1"), down("SW1"), down("SW1"), up("SW1"), expect(key(A))],
    "nothing after usb-boot": [tap("SW9"), tap("SW1"), expect(nothing_held=True)],
    "no expect at all": [tap("SW1")],
}


@pytest.mark.parametrize("name", PASSING)
def test_scenarios_that_pass(name: str) -> None:
    result = result_of(*PASSING[name])
    assert result.passed, result.failure
    assert result.expected == tuple(t for s in PASSING[name] if isinstance(s, Expect) for t in s.texts)


FAILING: dict[str, tuple[list[Step], str]] = {
    "another key": ([tap("SW1"), expect(key(B))], "expected `B`, but `A` came"),
    "one too many": ([tap("SW1"), tap("SW1"), expect(key(A))], "expected `A`, but `A` `A` came"),
    "one too few": ([tap("SW1"), expect(key(A), key(A))], "expected `A` `A`, but `A` came"),
    "none": ([expect(key(A))], "expected `A`, but none came"),
    "not nothing": ([tap("SW1"), expect()], "expected no press, but `A` came"),
    "another order": ([tap("SW1"), tap("SW2"), expect(key(Z, CONTROL), key(A))], "but `A` `Control+Z` came"),
    "a modifier too many": ([down("SW3"), tap("SW1"), expect(key(A))], "expected `A`, but `Shift+A` came"),
    "a modifier isn't alone": ([down("SW3"), tap("SW1"), expect(key(SHIFT), key(A))], "but `Shift+A` came"),
    "held": ([down("SW1"), expect(key(A)), expect(nothing_held=True)], "but KeyA is still held"),
    "two held": (
        [down("SW3"), down("SW1"), expect(key(A, SHIFT)), expect(nothing_held=True)],
        "but ShiftLeft and KeyA are still held",
    ),
    "not that far": (
        [tap("SW1"), expect(key(A)), tap("SW1"), expect(), tap("SW2")],
        "no press, but `A` came",
    ),
}


@pytest.mark.parametrize("name", FAILING)
def test_scenarios_that_fail(name: str) -> None:
    steps, said = FAILING[name]
    result = result_of(*steps)
    assert not result.passed
    (diagnostic,) = diagnostics_of([result])
    assert said in diagnostic.message
    assert (diagnostic.code, diagnostic.severity, diagnostic.span) == ("scenario-failed", "error", HERE)
    assert result.failure is not None
    assert result.failure.span == HERE


def test_the_time_line() -> None:
    """The message as people see it: what was expected, what came, and when what happened."""
    keyboard = keyboard_with(down("SW3"), wait(30_000), tap("SW1"), up("SW3"), expect(key(A)))
    text = render_text(findings(keyboard))
    line = SOURCE.place(HERE.start)[0]
    assert text.splitlines()[:4] == [
        f"folder/handmade.keys:{line}:1",
        "error: scenario “as it should be”: expected `A`, but `Shift+A` came",
        "       [scenario-failed]",
        f" {line} | keyboard",
    ]
    rows = [row.partition("|")[2].split() for row in text.splitlines() if " ms" in row]
    assert rows == [
        ["0", "ms", "SW3", "down"],
        ["6", "ms", "ShiftLeft"],
        ["30", "ms", "SW1", "down"],
        ["36", "ms", "ShiftLeft", "KeyA"],
        ["50", "ms", "SW1", "up"],
        ["50", "ms", "SW3", "up"],
        ["56", "ms", "ShiftLeft"],
        ["57", "ms", "nothing", "held"],
    ]


def test_expect_waits_for_the_debounce_and_nothing_else() -> None:
    """At the longest debounce of the keyboard, not at a fixed time; a key at rest costs none."""
    result = result_of(tap("SW1"), expect(key(A)), expect(), expect(), tap("SW1"), expect(key(A)))
    times = [report.time_us for report in result.reports]
    assert times == [6_000, 26_000, 32_000, 52_000]
    slow = result_of(tap("SW1", 100_000), expect(key(A)), debounce=Debounce(60_000))
    assert slow.passed
    assert [report.time_us for report in slow.reports] == [61_000, 161_000]


def test_without_a_compiler_it_is_a_warning(monkeypatch: pytest.MonkeyPatch) -> None:
    from keyc.engine import library as engine_library

    def none() -> engine_library.EngineLibrary:
        raise UserError(
            "no C compiler was found on this computer", engine_library.NO_COMPILER_HELP, exit_status=3
        )

    monkeypatch.setattr(engine_library, "load", none)
    (diagnostic,) = findings(keyboard_with(tap("SW1")))
    assert (diagnostic.code, diagnostic.severity) == ("scenario-not-run", "warning")
    assert "no C compiler" in diagnostic.message
    assert "pip install" in (diagnostic.help or "")
    assert findings(keyboard_of(WIRING, BASE)) == [], "no scenario, no compiler needed"


def test_what_a_report_says() -> None:
    """HID 1.11, 8.3: modifier bits are LCtrl LShift LAlt LGUI RCtrl RShift RAlt RGUI."""
    bitmap = bytearray(28)
    bitmap[A // 8] |= 1 << A % 8
    bitmap[0xDF // 8] |= 0x80
    report = Report(0, "keyboard", bytes([0x42, 0, 1, 1, 1, 1, 1, 1, *bitmap]))
    assert usages_in(report) == {Usage(7, n) for n in (SHIFT, 0xE6, A, 0xDF)}
    assert usages_in(Report(0, "consumer", bytes.fromhex("e9000000"))) == {Usage(0x0C, 0xE9)}
    assert usages_in(Report(0, "consumer", bytes.fromhex("a2018a01"))) == {
        Usage(0x0C, 0x1A2),
        Usage(0x0C, 0x18A),
    }
    assert usages_in(Report(0, "system", b"\x82")) == {Usage(1, 0x82)}
    assert usages_in(Report(0, "system", b"\x00")) == set()


def test_presses_as_people_write_them() -> None:
    assert press_in_short(key(A, SHIFT, 0xE6)) == "Shift+AltRight+A"
    assert press_in_short(key(0x1E, CONTROL)) == "Control+1"
    assert press_in_short(key(0x2B)) == "Tab"
    assert press_in_short(media(0x1FF)) == "usage(0x0C, 0x01FF)"
