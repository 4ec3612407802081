"""What is wrong with a board as its netlist shows it, as diagnostics with the part, the pad and the place.

An error: a key won't work, or types what it shouldn't. A warning: it may, or the file leaves something open.
A note: worth knowing before soldering. One cause is told once, where it is mended.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from keyc.diagnostics import Diagnostic, in_file_order
from keyc.netlist.circuit import Part
from keyc.netlist.line_findings import (
    beside_supply,
    forked_switches,
    lines_on_wrong_pins,
    lines_used_otherwise,
    lines_without_pin,
    odd_keys,
)
from keyc.netlist.places import Layout
from keyc.netlist.switch_findings import (
    loose_diodes,
    loose_switches,
    missing_diodes,
    packages_that_differ,
    turned_diodes,
    twins,
)
from keyc.netlist.telling import names_of, told_at
from keyc.netlist.wired_board import Board, DirectKey, Key, natural

_USUAL_PITCHES_MM = (15.0, 20.5)


def findings(board: Board, layout: Layout) -> list[Diagnostic]:
    """All that is wrong with a board, in the file's order, the file's own oddities included."""
    return in_file_order(
        [
            *board.circuit.netlist.diagnostics,
            *_designators_not_unique(board),
            *loose_switches(board),
            *loose_diodes(board),
            *missing_diodes(board),
            *turned_diodes(board),
            *packages_that_differ(board),
            *twins(board),
            *_crowded(board, layout),
            *odd_keys(board),
            *forked_switches(board),
            *lines_without_pin(board),
            *lines_on_wrong_pins(board),
            *lines_used_otherwise(board),
            *_dials_not_wired(board),
            *_unusual_pitch(board, layout),
            *_places_not_told(board, layout),
            *beside_supply(board),
        ]
    )


def _designators_not_unique(board: Board) -> Iterator[Diagnostic]:
    shared: dict[str, list[Part]] = defaultdict(list)
    for part in board.circuit.parts.values():
        if part.is_numbered:
            shared[part.name.rpartition("-")[0]].append(part)
    for name, parts in shared.items():
        yield told_at(
            "designator-not-unique",
            "warning",
            board,
            f"{len(parts)} parts are called {name}: the file keeps six characters of a name",
            [(parts[0], None)],
            f"they are called {parts[0].name}, {parts[1].name} and so on here, from the upper left on; "
            "shorter designators in the design give them back their names",
        )


def _crowded(board: Board, layout: Layout) -> Iterator[Diagnostic]:
    parts = {contact.name: contact.part for contact in board.contacts}
    if _has_unusual_pitch(layout):
        return  # then no distance is what it seems
    for name, other in layout.crowded:
        yield told_at(
            "switches-too-close",
            "warning",
            board,
            f"{name} lies on {other}: both can't have a cap",
            [(parts[name], None), (parts[other], None)],
            f"{name} is left out; if it is the one to be fitted, change the names over in the text",
        )


def _places_not_told(board: Board, layout: Layout) -> Iterator[Diagnostic]:
    parts = {contact.name: contact.part for contact in board.contacts}
    names = sorted(layout.about, key=natural)
    where = [(parts[name], None) for name in names if name in parts]
    if where and not _has_unusual_pitch(layout):
        lie = "lie" if len(where) > 1 else "lies"
        yield told_at(
            "place-not-told",
            "warning",
            board,
            f"{names_of(names)} {lie} only about where `shape` says",
            where,
            "the file has no hole in the middle of the switches, and the pads of turned ones don't tell it: "
            "compare their places with the design, and correct `at` in `shape`; or export the file with its "
            "unplated holes",
        )


def _dials_not_wired(board: Board) -> Iterator[Diagnostic]:
    for dial in board.dials:
        for pin, gpio in zip("AB", dial.gpios, strict=True):
            if gpio is None:
                yield told_at(
                    "dial-not-wired",
                    "error",
                    board,
                    f"pin {pin} of the dial {dial.part.name} reaches no GPIO of {board.controller.part.name}",
                    [(dial.part, pin)],
                    "a dial needs both of its pins: join this one to a free GPIO",
                )


def _has_unusual_pitch(layout: Layout) -> bool:
    least, most = _USUAL_PITCHES_MM
    return len(layout.caps) > 1 and not all(least <= pitch <= most for pitch in layout.pitch_mm)


def _unusual_pitch(board: Board, layout: Layout) -> Iterator[Diagnostic]:
    is_told = any(one.code == "netlist-units" for one in board.circuit.netlist.diagnostics)
    if is_told or not _has_unusual_pitch(layout):
        return
    across, down = layout.pitch_mm
    key: Key | DirectKey = board.keys[0] if board.keys else board.directs[0]
    yield told_at(
        "pitch-unusual",
        "warning",
        board,
        f"the keys are {across:g} mm by {down:g} mm from one another",
        [(key.contact.part, None)],
        "19.05 mm is usual, 17 and 18 occur: if the board isn't that different, the "
        "file's UNITS line is wrong",
    )
