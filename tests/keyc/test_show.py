"""`keyc show`: the contract's JSON, and a picture in which every cap stands where it lies."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from keyc import show
from keyc.cli import main
from keyc.files import shipped
from tests.keymaps import keyboard_in, keyboard_in_file

DEMO = shipped("data", "demo", "otterbridge.keys")

SMALL = """
keyboard "Small" { usb 0x1209:0x0001  maker "Us"  host-layout linux-de }
wiring {
    diodes cathode-to-column
    columns   GPIO6 GPIO7
    row GPIO2 SW1   SW2
    row GPIO3 SW3   --
    direct GPIO10 SW4
    diode D7 of SW1
    light GPIO25 CapsLock lit-low
    dial GPIO20 GPIO21 DIAL1
}
shape {
    SW1       SW2 1x2u
    SW3 1u
    [0.5u] SW4 1.5u
}
timing SW3 { debounce 7ms at-once }
layer base {
    Y           more
    Control+"@"
    Equal
}
layer more {
    ..          ..
    off
    usb-boot
}
"""


def test_json_has_the_published_shape() -> None:
    value = show.as_json(keyboard_in(SMALL))
    json.dumps(value)
    assert value["schema"] == 1
    assert value["name"] == "Small"
    assert value["host_layout"] == "linux-de"
    assert set(value["fingerprints"]) == {"wiring", "keymap", "engine"}
    assert all(len(mark) == 12 for mark in value["fingerprints"].values())
    digits = sum(int(mark, 16) for mark in value["fingerprints"].values()) % 1000
    assert value["usb"]["version"] == f"1{digits // 100}.{digits % 100:02}"
    assert value["wiring"]["diodes"] == "cathode-to-column"
    assert value["wiring"]["rows"] == ["GPIO2", "GPIO3"]
    assert value["wiring"]["columns"] == ["GPIO6", "GPIO7"]
    assert value["wiring"]["lights"] == [{"pin": "GPIO25", "indicator": "CapsLock", "lit_low": True}]
    assert value["wiring"]["dials"] == [
        {"name": "DIAL1", "pins": ["GPIO20", "GPIO21"], "edges_per_detent": 4}
    ]
    by_name = {switch["name"]: switch for switch in value["switches"]}
    assert by_name["SW1"] == {
        "name": "SW1",
        "row": "GPIO2",
        "column": "GPIO6",
        "direct": None,
        "diode": "D7",
        "x_u": 0.5,
        "y_u": 0.5,
        "width_u": 1.0,
        "height_u": 1.0,
        "rotation_deg": 0.0,
    }
    assert (by_name["SW2"]["x_u"], by_name["SW2"]["y_u"], by_name["SW2"]["height_u"]) == (1.5, 1.0, 2.0)
    assert by_name["SW4"]["direct"] == "GPIO10"
    assert by_name["SW4"]["row"] is None
    assert by_name["SW4"]["column"] is None
    assert (by_name["SW4"]["x_u"], by_name["SW4"]["y_u"]) == (1.25, 2.5)
    base, more = value["layers"]
    assert (base["name"], more["name"]) == ("base", "more")
    # HID Usage Tables 1.7, page 0x07: 1C Keyboard Y; on a German keyboard the place of Z.
    assert base["cells"]["SW1"] == {
        "text": "Y",
        "usages": [{"page": 7, "id": 0x1C}],
        "tap": None,
        "hold": None,
        "types": "z",
    }
    # Modifiers first, in the report's order: Control E0, AltGr E6, then Q 14, which has the @.
    assert base["cells"]["SW3"]["usages"] == [
        {"page": 7, "id": 0xE0},
        {"page": 7, "id": 0xE6},
        {"page": 7, "id": 0x14},
    ]
    assert base["cells"]["SW3"]["types"] is None
    assert base["cells"]["SW2"] == {"text": "more", "usages": [], "tap": None, "hold": None, "types": None}
    assert more["cells"]["SW1"]["text"] == ".."
    assert more["cells"]["SW3"]["text"] == "off"
    assert more["cells"]["SW4"]["text"] == "usb-boot"
    assert value["bytes"]["flash_tables"] > 0
    assert value["bytes"]["ram_state"] > 0


def test_text_has_pins_matrix_and_every_layer_on_the_shape() -> None:
    text = show.as_text(keyboard_in(SMALL))
    assert "debounce 5ms after-quiet, SW3 7ms at-once" in text
    # Package and module pins: RP2040 and Raspberry Pi Pico pinouts (tests/keyc/test_pins.py).
    assert "  GPIO6    8            9           column" in text
    assert "  GPIO10   13           14          SW4, to ground" in text
    assert "  GPIO25   37           -           light CapsLock, lit low" in text
    assert (
        "Matrix, a diode at each switch, its cathode (the ring) to the column\n"
        "         GPIO6  GPIO7\n"
        "  GPIO2  SW1    SW2\n"
        "         D7\n"
        "  GPIO3  SW3    --\n"
    ) in text
    assert (
        "Layer base\n"
        "┌────────┬────────┐\n"
        "│SW1     │SW2     │\n"
        "│Y       │more    │\n"
        "│z       │        │\n"
        "├────────┤        │\n"
        "│SW3     │        │\n"
        "│Control+│        │\n"
        '│"@"     │        │\n'
        "└───┬────┴────────┤\n"
        "    │SW4          │\n"
        "    │Equal        │\n"
        "    │(acute)      │\n"
        "    └─────────────┘\n"
    ) in text


def test_what_is_cut_short_is_written_in_full_beneath() -> None:
    shown = show.as_text(keyboard_in(SMALL.replace("    off\n", "    AudioVolumeDown\n")))
    assert "│Audio   │        │\n│VolumeD…│        │" in shown
    assert "In full: SW3 AudioVolumeDown" in shown


def test_a_wide_matrix_is_drawn_in_parts() -> None:
    columns = " ".join(f"GPIO{n}" for n in range(4, 24))
    names = [f"SW{n}" for n in range(1, 21)]
    text = (
        'keyboard "Wide" { }\n'
        f"wiring {{\ndiodes none\ncolumns {columns}\nrow GPIO2 {' '.join(names)}\n}}\n"
        f"shape {{\n{' '.join(names[:10])}\n{' '.join(names[10:])}\n}}\n"
        f"layer base {{ {' '.join(f'{name} = F{n}' for n, name in enumerate(names, start=1))} }}\n"
    )
    shown = show.as_text(keyboard_in(text))
    assert max(map(len, shown.split("\n"))) <= 80
    for name in names:
        assert len(re.findall(rf"\b{name}\b", shown)) == 2, name  # in the matrix and in the picture


def test_the_demo_keyboard_is_shown_in_eighty_columns() -> None:
    keyboard = keyboard_in_file(DEMO)
    text = show.as_text(keyboard)
    assert max(map(len, text.split("\n"))) <= 80
    picture = text.split("Layer base\n")[1].split("\n\nLayer")[0]
    for switch in keyboard.wiring.switches:
        assert f"│{switch.name} " in picture, switch.name


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "small.keys"
    file.write_text(SMALL, encoding="utf-8")
    assert main(["show", str(file)]) == 0
    assert "Layer more" in capsys.readouterr().out
    assert main(["show", str(file), "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["name"] == "Small"
    file.write_text(SMALL.replace("GPIO7", "GPIO77"), encoding="utf-8")
    assert main(["show", str(file)]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "GPIO77" in captured.err


def test_one_of_a_kind_is_told_in_the_singular() -> None:
    text = 'keyboard "One" { }\nwiring { diodes none\ndirect GPIO2 SW1 }\nshape { SW1 }\n'
    text += 'layer base { usb-boot }\nscenario "s" { expect nothing }\n'
    keyboard = keyboard_in(text, "one.keys")
    assert show.as_text(keyboard).splitlines()[2] == "1 switch, 1 layer, 1 scenario"


def test_a_key_with_two_roles_has_both_in_json() -> None:
    """The contract's `"tap":…,"hold":…`: each with its text and what it puts down (HID page 7)."""
    text = SMALL.replace("    Y           more\n", "    Control+Z/more  A/Shift+AltRight\n")
    cells = show.as_json(keyboard_in(text))["layers"][0]["cells"]
    control, z, a, shift, alt_right = ({"page": 7, "id": n} for n in (0xE0, 0x1D, 0x04, 0xE1, 0xE6))
    assert cells["SW1"]["tap"] == {"text": "Control+Z", "usages": [control, z]}
    assert cells["SW1"]["hold"] == {"text": "more", "layer": "more", "usages": []}
    assert cells["SW2"]["tap"] == {"text": "A", "usages": [a]}
    assert cells["SW2"]["hold"] == {"text": "Shift+AltRight", "layer": None, "usages": [shift, alt_right]}
    assert cells["SW1"]["usages"] == []
