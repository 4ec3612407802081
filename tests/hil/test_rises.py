"""How fast a line rises: what it hints at, and that it never is more than a hint."""

from __future__ import annotations

from math import exp, log

import pytest

from hil.board import Board
from hil.faults import parse_fault
from hil.result import LineVerdict
from hil.rises import against_pin_alone, cost_of_open, differ, in_us, like_a_pin_alone, rise_us
from keyc.keyboard import Diodes
from tests.hil.boards import Desk
from tests.hil.wirings import light, wiring_of

BUILDS = range(1, 200)


def test_a_capacitor_charges_through_a_resistor() -> None:
    """t = RC ln(V / (V - V_IH)), as every textbook of electronics has it; 80 kOhm and 150 pF: 11 us."""
    assert rise_us(150, 80_000) == pytest.approx(80e3 * 150e-12 * log(3.3 / 1.3) * 1e6, rel=0.001)
    assert rise_us(150, 80_000) == pytest.approx(11.2, abs=0.1)


def test_the_hint_grows_with_the_distance_and_ends() -> None:
    assert against_pin_alone(None) == 0
    assert against_pin_alone(0) == against_pin_alone(3) == 0, "told in whole µs, which says nothing"
    hints = [against_pin_alone(us) for us in (0.05, 0.3, 0.41, 0.5, 0.7, 1.0, 2.0, 20.0)]
    assert hints == sorted(hints)
    assert (hints[0], hints[-1]) == (-4, 6)
    assert against_pin_alone(0.5) == pytest.approx(0)
    assert like_a_pin_alone(0.3)
    assert not like_a_pin_alone(0)


def test_however_a_line_rises_a_track_may_be_cut() -> None:
    """A cut before the first switch leaves the pin its pad and a stub: rises say nothing against that."""
    pin, cut = 5.0, 7.0
    assert cost_of_open(pin, cut, None) == pin
    assert cost_of_open(pin, cut, 0.2) < pin
    assert cost_of_open(pin, cut, 5.0) == pytest.approx(cut, abs=0.05)
    assert exp(-cost_of_open(pin, cut, 1.0)) > exp(-cut), "both are possible: likelier than one alone"


def test_rises_far_apart_are_worth_a_look() -> None:
    assert differ(40, 2)
    assert differ(0.3, 2.0), "soldered before, and now like a pin alone"
    assert not differ(0.6, 2.0)
    assert not differ(2, 5)
    assert in_us(2) == "2 µs"
    assert in_us(2.06) == "2.1 µs"


@pytest.mark.parametrize("build", BUILDS)
def test_pins_alone_and_lines_are_told_apart_on_any_board(build: int) -> None:
    """Tracks from 2 pF to 40 pF, pull-ups from 50 to 80 kΩ: no soldered line hints at an open pin, by more
    than noise, and no pin alone at a soldered one."""
    wiring = wiring_of((2, 3), (6, 7, 8), Diodes.CATHODE_TO_ROW, directs=(20,), lights=(light(25),))
    rises = Board(wiring, [parse_fault("open GPIO3", wiring)], build=build).table().rise_ns
    assert against_pin_alone(rises[3] / 1000) < -1
    assert all(against_pin_alone(rises[pin] / 1000) > -1 for pin in (2, 6, 7, 8, 20))


def first_title(build: int, *faults: str) -> tuple[str, list[str]]:
    wiring = wiring_of((2, 3, 4), (6, 7, 8, 9), Diodes.CATHODE_TO_ROW, directs=(10,))
    result = Desk(wiring, faults, build=build).follow().result()
    (fault,) = result.faults
    return fault.title, [" ".join(cause.faults) for cause in fault.alike]


@pytest.mark.parametrize("build", range(1, 12))
def test_a_pin_and_its_one_switch_read_the_same_and_the_rise_ranks_them(build: int) -> None:
    assert first_title(build, "open GPIO10") == ("open GPIO10", ["open SW13"])
    title, others = first_title(build, "open SW13")
    assert title == "open SW13"
    assert "open GPIO10" in others


def test_no_verdict_rests_on_it() -> None:
    """A board told in whole µs, or a track as short as none: both causes are listed all the same."""
    wiring = wiring_of((2, 3, 4), (6, 7, 8, 9), Diodes.CATHODE_TO_ROW, directs=(10,))
    desk = Desk(wiring, ["open GPIO10"])
    line = desk.findings.line(10)
    assert line is not None
    assert line.verdict is LineVerdict.CLEAR
    assert line.note == "rises in 0.3 µs, as fast as a pin that isn't soldered. A hint, no verdict"
    assert not desk.findings.bad
    told = desk.follow().result().faults[0]
    assert any("rises in 0.3 µs after a drive" in text for text in told.evidence)
    assert [cause.faults for cause in told.alike] == [("open SW13",)]
