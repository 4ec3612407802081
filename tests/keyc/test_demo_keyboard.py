"""The bundled keyboard of `keyc demo`: clean, proven by its own scenarios, and fit for the planted faults."""

from __future__ import annotations

from keyc import pins
from keyc.compile import check_text, read_source
from keyc.engine import scenarios
from keyc.files import shipped
from keyc.keyboard import Keyboard, UsbBoot


def demo_keyboard() -> Keyboard:
    keyboard, found = check_text(read_source(str(shipped("data", "demo", "otterbridge.keys"))))
    assert [one.code for one in found] == ["test-usb-id"]
    assert keyboard is not None
    return keyboard


def test_it_is_clean_but_for_the_test_id_and_big_enough_to_show_the_job() -> None:
    keyboard = demo_keyboard()
    assert len(keyboard.wiring.switches) >= 20
    assert len(keyboard.layers) >= 2
    assert len(keyboard.scenarios) >= 3
    assert len(keyboard.wiring.direct_pins) == 1
    assert any(cap.width_u > 1 for cap in keyboard.caps)
    assert any(cap.height_u > 1 for cap in keyboard.caps)
    assert any(isinstance(cell.action, UsbBoot) for layer in keyboard.layers for cell in layer.cells.values())
    assert all(switch.diode for switch in keyboard.wiring.switches if switch.direct is None)


def test_two_of_its_lines_are_neighbours_on_the_package() -> None:
    lines = {*demo_keyboard().wiring.rows, *demo_keyboard().wiring.columns}
    assert 5 in lines
    assert 5 in [pin.gpio for pin in pins.neighbours(4)]
    assert 4 in lines


def test_its_scenarios_pass() -> None:
    results = scenarios.run(demo_keyboard())
    assert [result.scenario.name for result in results if not result.passed] == []
    assert len(results) == len(demo_keyboard().scenarios)
