"""Boards from seeds, derived and compared with what is true of them.

`python -m tests.many_boards 1000` tries that many; the tests try a sample. Every third board is sound, the
others have one fault of `FAULTS` each, and every fault comes equally often.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from statistics import median

from keyc.compile import check_text
from keyc.diagnostics import Diagnostic
from keyc.keyboard import Diodes, Keyboard
from keyc.netlist.circuit import circuit_of
from keyc.netlist.findings import findings
from keyc.netlist.ipc_d_356 import netlist_of
from keyc.netlist.keymap_text import board_text, keymap_text, off_layer
from keyc.netlist.traced import traced
from keyc.netlist.wired_board import Board
from keyc.source import Source
from tests.keyc.made_boards import FAULTS, MadeBoard

PLACE_U = 0.05
TURN_DEG = 0.5


def fault_of(seed: int) -> str | None:
    if seed % 3 == 0:
        return None
    return FAULTS[(seed // 3 * 2 + seed % 3 - 1) % len(FAULTS)]


def traced_board(made: MadeBoard) -> Board:
    pin_map = dict(line.split() for line in made.pin_map.splitlines()) if made.package == "map" else None
    return traced(circuit_of(netlist_of("made.ipc", made.netlist().encode())), pin_map=pin_map)


def wrong_with(seed: int, fault: str | None) -> list[str]:
    """What keyc gets wrong about the board of a seed, in words; [] if nothing."""
    made = MadeBoard(seed, fault)
    board = traced_board(made)
    text = board_text(board)
    wrong = list(_wrong_findings(made, findings(board, text.layout)))
    keyboard, told = check_text(Source("made.keys", keymap_text(text, "Made", off_layer(text))))
    if keyboard is None:
        return [
            *wrong,
            *(f"the text has a mistake: {one.message}" for one in told if one.severity == "error"),
        ]
    wrong += _wrong_switches(made, keyboard)
    if fault not in ("pitch-unusual", "place-not-told"):
        wrong += _wrong_places(made, keyboard)
    return wrong


def _wrong_findings(made: MadeBoard, found: list[Diagnostic]) -> Iterator[str]:
    """Codes that are missing or too many, findings at another part, and notes at other pins."""
    told = {one.code for one in found}
    expected = {code for code, _ in made.expected} | ({"line-beside-supply"} if made.near_supply else set())
    if told != expected:
        yield f"found {sorted(told)}, planted {sorted(expected)}"
    for code, part in made.expected:
        at = [one.board[0].part for one in found if one.code == code and one.board]
        if part is not None and set(at) != {part}:
            yield f"{code} is at {part}, not at {at}"
    for one in found:
        if one.code == "line-beside-supply":
            named = {int(gpio) for gpio in re.findall(r"GPIO(\d+) \(", one.message)}
            if not named <= made.near_supply or len(named) != min(len(made.near_supply), 6):
                yield f"a note about {sorted(named)}, not about {sorted(made.near_supply)}"


def _wrong_switches(made: MadeBoard, keyboard: Keyboard) -> Iterator[str]:
    there = {switch.name: switch for switch in keyboard.wiring.switches}
    missing = [name for name in made.keys if name not in there and name not in made.left_out]
    if missing:
        yield f"left out: {missing}"
    loose = ("switches-at-one-position", "switches-too-close", "line-on-two-pins")
    too_many = [name for name in there if name not in made.keys]
    if too_many and not any(code in loose for code, _ in made.expected):
        yield f"too many: {too_many}"
    for name, switch in there.items():
        true = made.keys.get(name)
        if true is None or name in made.left_out or made.moved & {true.row, true.column}:
            continue
        if true.is_direct:
            right = switch.direct == made.gpio[true.row]
        else:
            right = {switch.row, switch.column} == {made.gpio[true.row], made.gpio[true.column]}
        if not right:
            yield f"{name} is on {switch.row}, {switch.column}, {switch.direct}"
        if switch.diode != true.diode:
            yield f"{name} has the diode {switch.diode}, not {true.diode}"
    yield from _wrong_direction(made, keyboard)
    dials = {dial.name: (dial.pin_a, dial.pin_b) for dial in keyboard.wiring.dials}
    if dials != made.dials:
        yield f"dials {dials}, not {made.dials}"
    lights = [(light.pin, light.lit_low) for light in keyboard.wiring.lights]
    if lights != made.lights:
        yield f"lights {lights}, not {made.lights}"


def _wrong_direction(made: MadeBoard, keyboard: Keyboard) -> Iterator[str]:
    """The diodes pointing the other way; which lines are called rows decides what the word for it is."""
    if any(code == "diode-direction-unknown" for code, _ in made.expected):
        return
    known = [switch for switch in keyboard.wiring.switches if switch.name in made.keys]
    turned = {
        switch.row != made.gpio[made.keys[switch.name].row]
        for switch in known
        if switch.row is not None
        and switch.name not in made.left_out
        and not made.moved & {made.keys[switch.name].row, made.keys[switch.name].column}
    }
    if len(turned) != 1:
        return  # groups that are called differently, or no matrix
    to_row = (made.diodes != "column") != turned.pop()
    want = (
        Diodes.NONE
        if made.diodes == "none"
        else Diodes.CATHODE_TO_ROW
        if to_row
        else Diodes.CATHODE_TO_COLUMN
    )
    if keyboard.wiring.diodes is not want:
        yield f"diodes {keyboard.wiring.diodes.value}, not {want.value}"


def _wrong_places(made: MadeBoard, keyboard: Keyboard) -> Iterator[str]:
    """Caps that lie off by more than 0.05 u or are turned otherwise, the shape laid over the truth."""
    pairs = [(cap, made.keys[cap.switch]) for cap in keyboard.caps if cap.switch in made.keys]
    if not pairs:
        return
    x = median(cap.x_u - true.x for cap, true in pairs)
    y = median(cap.y_u - true.y for cap, true in pairs)
    for cap, true in pairs:
        off = max(abs(cap.x_u - true.x - x), abs(cap.y_u - true.y - y))
        turn = abs((cap.rotation_deg - true.turn + 45) % 90 - 45)
        if off > PLACE_U or turn > TURN_DEG:
            yield f"{cap.switch} lies off by {off:.3f} u and {turn:.2f} degrees"


def main(arguments: list[str]) -> int:
    count = int(arguments[0]) if arguments else 1000
    bad = 0
    for seed in range(count):
        for words in wrong_with(seed, fault_of(seed)):
            print(f"seed {seed}, {fault_of(seed)}: {words}")
            bad += 1
    print(f"{count} boards, {bad} wrong")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
