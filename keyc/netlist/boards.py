"""A netlist file → the board in it, what is wrong with it, and its text: for `wiring`, `check` and `new`."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from keyc import __version__
from keyc.diagnostics import Diagnostic, UserError, as_json
from keyc.keyboard import Diodes
from keyc.netlist.cap_lines import PlacedCap
from keyc.netlist.circuit import circuit_of, parts_read
from keyc.netlist.controllers import read_pin_map
from keyc.netlist.findings import findings
from keyc.netlist.ipc_d_356 import fingerprint, read_netlist
from keyc.netlist.keymap_text import BoardText, board_text, keymap_text, off_layer, title_of, wiring_lines
from keyc.netlist.traced import traced
from keyc.netlist.wired_board import Board, Contact, Side

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class ReadBoard:
    """A board, what is written down of it, and all that is wrong with it."""

    board: Board
    text: BoardText
    found: list[Diagnostic]

    @property
    def fingerprint(self) -> str:
        """Which board revision this is: a bench record can carry it (twelve hex digits)."""
        return fingerprint(self.board.circuit.netlist)


def read_board(
    path: str | os.PathLike[str],
    *,
    controller: str | None = None,
    pin_map: str | None = None,
    intended: Diodes | None = None,
    called: Mapping[int, Side] | None = None,
) -> ReadBoard:
    """The board in a netlist file; the options are those of `traced`.

    Raises UserError where the file is none, or no keyboard is in it.
    """
    netlist = read_netlist(path)
    pins = read_pin_map(pin_map) if pin_map is not None else None
    circuit = circuit_of(netlist)
    try:
        board = traced(circuit, controller=controller, pin_map=pins, intended=intended, called=called)
        if not board.keys and not board.directs:
            raise UserError(
                f"no key of this board leads to {board.controller.part.name}",
                f"{parts_read(circuit)}. A key is a switch whose diode leads to another "
                "line, or one between a pin and ground; name another part with --controller if this isn't it",
            )
    except UserError as error:
        if netlist.is_whole or error.exit_status == 2:
            raise
        raise UserError(
            f"{error}; the line `999`, which ends a netlist, is missing: the file may have been cut off",
            f"compare its length with the original's, or export it again. If it is whole: {error.help}",
            error.exit_status,
        ) from None
    text = board_text(board)
    return ReadBoard(board, text, findings(board, text.layout))


def starting_text(read: ReadBoard) -> str:
    """What `keyc wiring` prints: a keymap file in which no key does anything yet."""
    if not read.text.layout.lines:
        return "\n".join(["# None of this board's keys can be read as it is:", *wiring_lines(read.text), ""])
    title = title_of(read.board.circuit.netlist.source.name)
    return keymap_text(read.text, title, off_layer(read.text))


def summary(read: ReadBoard) -> str:
    """One line about what was understood: for people, beside the text."""
    board, text = read.board, read.text
    rows, columns = (len({key.line(side) for key in text.keys}) for side in Side)
    parts = [f"{len(text.keys)} keys on {rows} rows and {columns} columns"] if text.keys else []
    for count, one, many in (
        (len(text.directs), "switch with a pin of its own", "switches with pins of their own"),
        (len(board.dials), "dial", "dials"),
        (len(board.lights), "light", "lights"),
    ):
        if count:
            parts.append(f"{count} {one if count == 1 else many}")
    return f"{board.controller.part.name} ({_PACKAGES[board.controller.package]}): " + ", ".join(parts)


_PACKAGES = {
    "chip": "the chip itself, QFN-56",
    "module": "the 40-pin module",
    "named": "pins named after their GPIO",
    "map": "by the pin map",
}


def board_json(read: ReadBoard) -> dict[str, Any]:
    """The board for scripts; places in mm as in the netlist, caps in key units with y downwards."""
    board, text = read.board, read.text
    netlist = board.circuit.netlist
    caps = {cap.name: cap for cap in text.layout.caps}
    switches = [
        {
            **_switch(text, key.contact, caps[key.name]),
            "row": _pin(board.gpio(key.row)),
            "column": _pin(board.gpio(key.column)),
            "direct": None,
            "diode": key.diode.part.name if key.diode else None,
        }
        for key in text.keys
    ]
    switches += [
        {
            **_switch(text, one.contact, caps[one.contact.name]),
            "row": None,
            "column": None,
            "direct": _pin(one.gpio),
            "diode": None,
        }
        for one in text.directs
    ]
    return {
        "schema": SCHEMA,
        "tool": f"keyc {__version__}",
        "netlist": {
            "file": netlist.source.name,
            "fingerprint": read.fingerprint,
            "parts": len(board.circuit.parts),
            "pads": len(netlist.pads),
        },
        "controller": {"part": board.controller.part.name, "package": board.controller.package},
        "wiring": {
            "diodes": board.pointing.value,
            "rows": [_pin(line.gpio) for line in board.lines_of(Side.ROW) if line.gpio is not None],
            "columns": [_pin(line.gpio) for line in board.lines_of(Side.COLUMN) if line.gpio is not None],
        },
        "pitch_mm": list(text.layout.pitch_mm),
        "switches": switches,
        "text": starting_text(read),
        "findings": as_json(read.found),
    }


def _switch(text: BoardText, contact: Contact, cap: PlacedCap) -> dict[str, Any]:
    x_mm, y_mm = contact.part.centre_mm
    return {
        "name": text.names[contact.name],
        "part": contact.part.name,
        "x_mm": round(x_mm, 3),
        "y_mm": round(y_mm, 3),
        "x_u": round(cap.x_u, 3),
        "y_u": round(cap.y_u, 3),
        "width_u": cap.width_u,
        "height_u": cap.height_u,
        "rotation_deg": cap.turn_deg,
    }


def _pin(gpio: int | None) -> str | None:
    return None if gpio is None else f"GPIO{gpio}"
