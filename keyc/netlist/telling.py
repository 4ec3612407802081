"""What findings about a board are made of: the part, the pad and its place beside the words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from keyc.diagnostics import BoardPlace, Diagnostic, Label, Severity
from keyc.netlist.circuit import Part
from keyc.netlist.ipc_d_356 import Pad
from keyc.netlist.wired_board import Board, Key, Line

_NAMED_MOST = 6
_LABELS_MOST = 4


def told_at(
    code: str,
    severity: Severity,
    board: Board,
    message: str,
    where: Sequence[tuple[Part, str | None]],
    help: str,
) -> Diagnostic:
    """A diagnostic at the first pad's record, with each pad's place beside its own record.

    Pads that several keys share, in a package of diodes, may come several times; they are told of once.
    """
    where = list(dict.fromkeys(where))
    netlist = board.circuit.netlist
    places = [place_of(part, pin) for part, pin in where]
    spans = [netlist.span(pad_of(part, pin)) for part, pin in where]
    labels = tuple(Label(str(place), span) for place, span in zip(places, spans, strict=True))
    return Diagnostic(code, severity, message, spans[0], help, labels[:_LABELS_MOST], tuple(places))


def pad_of(part: Part, pin: str | None = None) -> Pad:
    pads = part.pads.get(pin or "") or next(iter(part.pads.values()))
    return pads[0]


def place_of(part: Part, pin: str | None = None) -> BoardPlace:
    pad = pad_of(part, pin)
    return BoardPlace(part.name, pad.pin, pad.x_mm, pad.y_mm)


def pin_on(part: Part, net: str) -> str:
    return next(pin for pin, joined in part.nets.items() if joined == net)


def names_of(names: Iterable[str]) -> str:
    listed = list(names)
    more = len(listed) - _NAMED_MOST
    return ", ".join(listed[:_NAMED_MOST]) + (f" and {more} more" if more > 0 else "")


def line_name(board: Board, line: Line) -> str:
    return f"the {line.side.value} {board.net_name(line.net)}"


def line_pads(board: Board, line: Line) -> list[tuple[Part, str | None]]:
    """The pads of a line's keys that are on it."""
    pads: list[tuple[Part, str | None]] = []
    for key in line.keys:
        if key.diode is not None and key.diode.line == line.net:
            pads.append((key.diode.part, key.diode.line_pin))
        else:
            pads.append((key.contact.part, key.contact.pin_on(line.net)))
    return pads


def all_keys(board: Board) -> Iterator[Key]:
    for key in board.keys:
        yield key
        yield from key.twins
