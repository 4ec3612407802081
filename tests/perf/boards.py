"""Boards from netlists: a keyboard of 120 parts, and files that are far larger."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from keyc.netlist.boards import read_board, starting_text
from tests.keyc.made_boards import MadeBoard, MadePart
from tests.perf import Figure


def figures() -> list[Figure]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "board.ipc"
        found = []
        for name, made, limit in (
            ("a netlist of 120 parts → findings and text", _keyboard(), 0.15),
            ("the same of 10,000 parts, most of them capacitors", _crowd(_keyboard(), 10_000), 2.0),
            ("the same of 5,000 keys that no pin reaches, with their diodes", _many_keys(), 2.0),
        ):
            path.write_text(made.netlist())
            found.append(Figure(name, _seconds(path), "s", limit, note=f"{len(made.parts)} parts"))
    return found


def _seconds(path: Path) -> float:
    best = float("inf")
    for _ in range(3):
        started = time.perf_counter()
        starting_text(read_board(path))
        best = min(best, time.perf_counter() - started)
    return best


def _keyboard() -> MadeBoard:
    """A board of about 120 parts whose controller is known by itself."""
    boards = (MadeBoard(seed) for seed in range(1000))
    return next(made for made in boards if 112 <= len(made.parts) <= 128 and made.package != "map")


def _crowd(made: MadeBoard, count: int) -> MadeBoard:
    for number in range(len(made.parts), count):
        x, y = 5.0 * (number % 100), 200.0 + 3.0 * (number // 100)
        made.parts.append(made._two_pins(f"C{number}", x, y, {"1": "+3V3", "2": "GND"}))
    return made


def _many_keys() -> MadeBoard:
    made = _keyboard()
    made.habits.designators = "overflow"
    made.habits.units = "CUST 0"  # counts of 0.001 mm have too few digits for two metres
    for number in range(5000):
        row, column = divmod(number, 100)
        x, y = 300.0 + 19.05 * column, 19.05 * row
        name, mid = f"SW{10_000 + number}", f"MID{number}"
        switch = made._switch_part(name, x, y, 0.0, f"FAR_C{column}", mid)
        diode = made._two_pins(f"D{10_000 + number}", x, y + 7.0, {"1": f"FAR_R{row}", "2": mid})
        parts: list[MadePart] = [switch, diode]
        made.parts += parts
    return made
