"""What goes out on the second interface, and what comes in beside switches: the pointer, indicators, dials.

Over the C engine on this computer; the electrical table is laid by hand, since a dial's lines are no matrix.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from keyc.engine.engine import Engine, Report
from keyc.engine.library import EngineLibrary, load
from keyc.keyboard import Keyboard
from keyc.table_rows import SECOND_POINTER
from keyc.tables import tables_of
from tests.keymaps import keyboard_in

SW1, SW2, SW3, SW4 = (1 << pin for pin in range(4))  # direct switches from GPIO0 to GPIO3
DIAL_A, DIAL_B = 1 << 20, 1 << 21
CAPS, LAYER = 1 << 25, 1 << 24
FRAME_US = 1000


@pytest.fixture(scope="module")
def library() -> EngineLibrary:
    return load()


def keyboard_of(cells: str, rest: str = "", edges: int = 4) -> Keyboard:
    text = f"""
keyboard "Second" {{ usb 0x1209:0x5A17 }}
wiring {{
    diodes none
    direct GPIO0 SW1
    direct GPIO1 SW2
    direct GPIO2 SW3
    direct GPIO3 SW4
    dial GPIO20 GPIO21 DIAL1 edges-per-detent {edges}
    light GPIO25 CapsLock
    light GPIO24 more lit-low
}}
shape {{ SW1 SW2 SW3 SW4 }}
timing {{ debounce 1ms at-once }}
layer base {{ {cells} }}
layer more {{ }}
{rest}
"""
    return keyboard_in(text, "second.keys")


class Bench:
    """A keyboard with fingers on it, and on its dial."""

    def __init__(self, library: EngineLibrary, keyboard: Keyboard) -> None:
        self.engine = Engine(library, tables_of(keyboard))
        self.low = 0

    def lines(self, low: int, time_us: int = 10_000) -> list[Report]:
        self.low = low
        self.engine.set_lines(low, low, [low] * 30, [0] * 30)
        return self.engine.run_until(self.engine.now_us + time_us)


def signed(data: bytes) -> list[int]:
    return [int.from_bytes([byte], "little", signed=True) for byte in data]


# ---- the pointer


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("pointer(left)", [0, -1, 0, 0, 0]),
        ("pointer(right)", [0, 1, 0, 0, 0]),
        ("pointer(up)", [0, 0, -1, 0, 0]),
        ("pointer(down)", [0, 0, 1, 0, 0]),
        ("wheel(up)", [0, 0, 0, 1, 0]),
        ("wheel(down)", [0, 0, 0, -1, 0]),
        ("wheel(right)", [0, 0, 0, 0, 1]),
        ("wheel(left)", [0, 0, 0, 0, -1]),
    ],
)
def test_a_tap_is_one_step(library: EngineLibrary, cell: str, expected: list[int]) -> None:
    """HID Usage Tables: X to the right, Y downwards, the wheel forwards is positive."""
    keyboard = keyboard_of(f"{cell} A more usb-boot")
    assert tables_of(keyboard).second_reports == SECOND_POINTER
    bench = Bench(library, keyboard)
    reports = bench.lines(SW1, 5_000) + bench.lines(0)
    assert [(report.which, signed(report.bytes)) for report in reports] == [("pointer", expected)]


def test_the_pointer_gains_speed(library: EngineLibrary) -> None:
    """One report a frame at most; each tenth of a second goes farther, up to about 1,500 steps a second."""
    bench = Bench(library, keyboard_of("pointer(right) A more usb-boot"))
    bench.lines(SW1, 0)
    steps = []
    for _ in range(12):
        reports = bench.engine.run_until(bench.engine.now_us + 100_000)
        assert all(later.time_us - sooner.time_us >= FRAME_US for sooner, later in pairwise(reports))
        steps.append(sum(signed(report.bytes)[1] for report in reports))
    assert 5 <= steps[0] <= 25
    assert all(later > sooner for sooner, later in pairwise(steps[:7]))
    assert all(140 <= one <= 160 for one in steps[8:])
    bench.lines(0)
    assert bench.lines(0, 100_000) == []
    again = bench.lines(SW1, 100_000)
    assert sum(signed(report.bytes)[1] for report in again) <= 25, "slow again after a rest"


def test_two_ways_at_once(library: EngineLibrary) -> None:
    bench = Bench(
        library, keyboard_of("pointer(right) pointer(up) pointer(left) usb-boot", "layer extra { }")
    )
    bench.lines(SW1 | SW2, 50_000)
    reports = bench.lines(SW1 | SW2, 100_000)
    sums = [sum(signed(report.bytes)[n] for report in reports) for n in (1, 2)]
    assert sums[0] > 5
    assert sums[0] == -sums[1], "to the right and up, as fast"
    bench.lines(SW1 | SW3)
    assert bench.lines(SW1 | SW3, 100_000) == [], "left and right are nowhere"


def test_a_button_is_held(library: EngineLibrary) -> None:
    """It stays down while the pointer moves, and a press of it types: `Control+Z`'s Control lifts."""
    bench = Bench(library, keyboard_of("pointer-press(2) pointer(left) Control+Z usb-boot"))
    bench.lines(SW3)
    reports = bench.lines(SW3 | SW1)
    assert [(report.which, report.bytes[0]) for report in reports] == [("keyboard", 0), ("pointer", 2)]
    reports = bench.lines(SW3 | SW1 | SW2)
    assert reports
    assert all(report.bytes[0] == 2 for report in reports)
    assert [report.bytes for report in bench.lines(SW3)] == [bytes(5)]


def test_a_held_wheel_goes_on(library: EngineLibrary) -> None:
    bench = Bench(library, keyboard_of("wheel(up) A more usb-boot"))
    reports = bench.lines(SW1, 500_000)
    assert all(signed(report.bytes) == [0, 0, 0, 1, 0] for report in reports)
    gaps = [later.time_us - sooner.time_us for sooner, later in pairwise(reports)]
    assert len(gaps) >= 6
    assert all(64_000 <= gap <= 68_000 for gap in gaps)


# ---- indicators


def test_indicators_follow_the_host_and_the_layers(library: EngineLibrary) -> None:
    """HID LED page: Num Lock 1, Caps Lock 2. `lit-low` is lit when its pin is low."""
    bench = Bench(library, keyboard_of("A more C usb-boot"))
    bench.lines(0)
    assert bench.engine.high_lights == LAYER, "both off"
    bench.engine.set_host_lights(0b00010)
    assert bench.engine.high_lights == CAPS | LAYER
    bench.lines(SW2)
    assert bench.engine.high_lights == CAPS
    bench.engine.set_host_lights(0b00001)
    assert bench.engine.high_lights == 0
    bench.lines(0)
    assert bench.engine.high_lights == LAYER


# ---- dials

# One detent clockwise from both lines open: A closes, then B, A opens, then B (common practice).
CLOCKWISE = [DIAL_A, DIAL_A | DIAL_B, DIAL_B, 0]
TURNS = "dial DIAL1 on base { clockwise = B  counter-clockwise = C }"
B, C = 0x05, 0x06


def typed(reports: list[Report]) -> list[int]:
    return [report.bytes[2] for report in reports if report.which == "keyboard" and report.bytes[2]]


def turned(bench: Bench, levels: list[int], edge_us: int = 3_000) -> list[Report]:
    return [report for low in levels for report in bench.lines(bench.low & ~(DIAL_A | DIAL_B) | low, edge_us)]


@pytest.mark.parametrize("edge_us", [500, 2_000, 30_000])
def test_each_detent_is_a_tap(library: EngineLibrary, edge_us: int) -> None:
    bench = Bench(library, keyboard_of("A more C usb-boot", TURNS))
    bench.lines(0)
    reports = turned(bench, CLOCKWISE * 3, edge_us) + bench.lines(0)
    assert typed(reports) == [B] * 3
    assert reports[-1].bytes == bytes(36)
    assert typed(turned(bench, [*CLOCKWISE[2::-1], 0], edge_us) + bench.lines(0)) == [C]


@pytest.mark.parametrize("edges", [1, 2, 4])
def test_edges_per_detent(library: EngineLibrary, edges: int) -> None:
    bench = Bench(library, keyboard_of("A more C usb-boot", TURNS, edges))
    bench.lines(0)
    assert typed(turned(bench, CLOCKWISE) + bench.lines(0)) == [B] * (4 // edges)


def test_a_bouncing_contact_is_no_detent(library: EngineLibrary) -> None:
    """Back and forth over one edge comes to nothing, whatever it does."""
    bench = Bench(library, keyboard_of("A more C usb-boot", TURNS))
    bench.lines(0)
    assert typed(turned(bench, [DIAL_A, 0] * 20, 400) + bench.lines(0)) == []
    assert typed(turned(bench, [DIAL_A, 0, DIAL_A, *CLOCKWISE[1:]], 400) + bench.lines(0)) == [B]


def test_a_lost_edge_is_forgotten_at_rest(library: EngineLibrary) -> None:
    bench = Bench(library, keyboard_of("A more C usb-boot", TURNS))
    bench.lines(0)
    turned(bench, [DIAL_A, DIAL_A | DIAL_B, 0])  # two lines at once: an edge that nobody saw
    bench.lines(0, 500_000)
    assert typed(turned(bench, CLOCKWISE * 2) + bench.lines(0)) == [B, B]


def test_a_dial_on_layers(library: EngineLibrary) -> None:
    """A layer without a `dial` statement acts as the next one beneath; a way left out is like `..`."""
    turns = TURNS + "\ndial DIAL1 on more { clockwise = wheel(up) }"
    bench = Bench(library, keyboard_of("A more C usb-boot", turns))
    bench.lines(SW2)
    reports = turned(bench, CLOCKWISE) + bench.lines(SW2)
    assert [signed(report.bytes)[3] for report in reports if report.which == "pointer"] == [1]
    assert typed(turned(bench, [*CLOCKWISE[2::-1], 0]) + bench.lines(SW2)) == [C]


def test_a_turn_waits_its_turn(library: EngineLibrary) -> None:
    """Behind an undecided key, in order; and for `hold-if` a detent is a tapped key."""
    rest = TURNS + "\ntiming SW1 { hold-if another-key tapped }"
    bench = Bench(library, keyboard_of("Tab/Shift more C usb-boot", rest))
    bench.lines(SW1)
    reports = turned(bench, CLOCKWISE) + bench.lines(SW1)
    assert [report.bytes[0] for report in reports] == [2, 2, 2]
    assert typed(reports) == [B]
