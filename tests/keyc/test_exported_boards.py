"""Netlists that PCB programs have written themselves: KiCad 6.0.11 and pcb-rnd 3.0.6, both from Debian 12.

The boards are Quayside boards, laid out with KiCad's own Python module and as a file of pcb-rnd's. What is
true of them stands in exported.json, in the words of the scenario that they were laid out from. A dial's
place is its shaft, 7 mm from its push switch's pads.
"""

from __future__ import annotations

import json
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from keyc.diagnostics import UserError
from keyc.netlist.boards import read_board, starting_text
from keyc.netlist.circuit import circuit_of
from keyc.netlist.ipc_d_356 import netlist_of, read_netlist
from keyc.netlist.traced import traced
from tests.keymaps import keyboard_in

FOLDER = Path(__file__).parents[1] / "golden" / "netlists"
TRUTH: dict[str, Any] = json.loads((FOLDER / "exported.json").read_text())


@pytest.mark.parametrize("name", TRUTH)
def test_a_program_s_own_file(name: str) -> None:
    true = TRUTH[name]
    read = read_board(FOLDER / name)
    assert [one for one in read.found if one.severity == "error"] == []
    keyboard = keyboard_in(starting_text(read), "board.keys")
    switches = keyboard.wiring.switches
    pins = {
        one.name: sorted(pin for pin in (one.row, one.column, one.direct) if pin is not None)
        for one in switches
    }
    assert pins == {key: words["pins"] for key, words in true["keys"].items()}
    assert {one.name: one.diode for one in switches} == {
        key: words["diode"] for key, words in true["keys"].items()
    }
    dials = {dial.name: [dial.pin_a, dial.pin_b] for dial in keyboard.wiring.dials}
    assert dials == true["dials"]
    assert [[light.pin, light.lit_low] for light in keyboard.wiring.lights] == true["lights"]
    pairs = [(cap, true["keys"][cap.switch]) for cap in keyboard.caps]
    x = median(cap.x_u - words["x_u"] for cap, words in pairs)
    y = median(cap.y_u - words["y_u"] for cap, words in pairs)
    for cap, words in pairs:
        assert cap.x_u - words["x_u"] == pytest.approx(x, abs=0.05), cap.switch
        assert cap.y_u - words["y_u"] == pytest.approx(y, abs=0.05), cap.switch
        assert (cap.rotation_deg - words["turn_deg"] + 45) % 90 - 45 == pytest.approx(0, abs=0.5)


def test_one_program_s_numbers_overflow_behind_a_plus() -> None:
    """What pcb-rnd writes as `X+-81420` lies at 222.69 mm: the pads of one part stay beside one another."""
    netlist = read_netlist(FOLDER / "pcb-rnd-staggered.ipc")
    text = netlist.source.text
    overflown = [pad for pad in netlist.pads if text[pad.start + 41 : pad.start + 44] == "X+-"]
    assert overflown
    assert min(pad.x_mm for pad in overflown) > 2**31 / 1e7
    assert max(pad.x_mm for pad in netlist.pads if pad not in overflown) < 2**31 / 1e7 + 0.01
    for pad in overflown:
        others = [other.x_mm for other in netlist.pads if other.part == pad.part]
        assert max(others) - min(others) < 30.0, pad


@pytest.mark.parametrize("name", [name for name in TRUTH if name.startswith("kicad")])
def test_gerbonara_reads_the_same(name: str) -> None:
    """It can't read pcb-rnd's `+-`. Written anew by it the pins have lost their names, and that is said."""
    ipc356 = pytest.importorskip("gerbonara.ipc356", reason="gerbonara isn't installed")
    from gerbonara.utils import MM

    ours = read_netlist(FOLDER / name)
    theirs = ipc356.Netlist.open(FOLDER / name)
    records = [record for record in theirs.test_records if not record.is_via]
    assert [(pad.part, pad.pin, pad.net) for pad in ours.pads] == [
        (record.ref_des or "", record.pin or "", record.net_name) for record in records
    ]
    for pad, record in zip(ours.pads, records, strict=True):
        assert pad.x_mm == pytest.approx(MM(record.x, record.unit), abs=0.0005)
        assert pad.y_mm == pytest.approx(MM(record.y, record.unit), abs=0.0005)
    with pytest.raises(UserError, match="no names for the pins"):
        traced(circuit_of(netlist_of(name, theirs.write_to_bytes())))
