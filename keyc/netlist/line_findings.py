"""What is wrong with a board's rows, columns and pins as its netlist shows them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from keyc import pins
from keyc.diagnostics import Diagnostic
from keyc.netlist.circuit import Part
from keyc.netlist.part_kinds import is_capacitor, is_circuit, is_resistor, is_test_point
from keyc.netlist.telling import all_keys, line_name, line_pads, names_of, pin_on, told_at
from keyc.netlist.wired_board import Board, Key, Line, Side

_KEPT_OF_A_NET = 14  # characters, by the format
# Two pieces of a line on a turned or staggered cluster: how far apart the middles of their keys may be.
_SAME_LINE_MM = 25.0
_BESIDE = ("RUN", "IOVDD", "DVDD", "GND", "VREG_IN", "VREG_VOUT", "ADC_AVDD", "USB_VDD", "TESTEN")


def odd_keys(board: Board) -> Iterator[Diagnostic]:
    for key in board.odd:
        nets = " and ".join(board.net_name(net) for net in (key.row, key.column) if net is not None)
        yield told_at(
            "line-both-ways",
            "error",
            board,
            f"{key.name} makes its lines, {nets}, rows and columns at once",
            [(key.contact.part, pin) for pin in key.contact.pins[:2]],
            "keyc reads matrices in which each line is either a row or a column: check this switch's nets",
        )


def forked_switches(board: Board) -> Iterator[Diagnostic]:
    for one in board.forked:
        parts = list(dict.fromkeys(part.name for part, _ in one.pads))
        yield told_at(
            "switch-on-two-lines",
            "error",
            board,
            f"{one.contact.name} leads to {len(one.lines)} lines through {names_of(parts)}: "
            + names_of(board.net_name(net) for net in one.lines),
            [(part, pin) for part, pin in one.pads],
            "a press would be read on each of them: keep the line that the key belongs to, and take the "
            "other diode off its line in the design",
        )


def lines_without_pin(board: Board) -> Iterator[Diagnostic]:
    ends: dict[Part, list[Line]] = defaultdict(list)
    for line in board.lines.values():
        if line.gpios or line.other_pins:
            continue
        circuits = [
            part
            for part in board.circuit.on(line.net)
            if is_circuit(part) and part is not board.controller.part
        ]
        if circuits:
            ends[circuits[0]].append(line)
            continue
        whole = _goes_on_as(board, line)
        if whole is not None:
            yield told_at(
                "line-in-two-pieces",
                "error",
                board,
                f"{line_name(board, line)} reaches no pin, and {board.net_name(whole.net)} "
                f"(GPIO{whole.gpio}) has the rest of that {line.side.value}",
                [*line_pads(board, line)[:2], *line_pads(board, whole)[:1]],
                f"they are two pieces of one {line.side.value}: give both the same net name in the design, "
                "or join them with a wire",
            )
        else:
            yield told_at(
                "line-without-pin",
                "error",
                board,
                f"{line_name(board, line)} reaches no pin of {board.controller.part.name}",
                line_pads(board, line),
                f"its keys ({names_of(key.name for key in line.keys)}) can't be read: "
                "join the line to a free GPIO",
            )
    for part, lines in ends.items():
        keys = {key.name for line in lines for key in line.keys}
        yield told_at(
            "line-on-another-circuit",
            "error",
            board,
            f"{len(lines)} lines end at {part.name}, which isn't the controller",
            [(part, pin_on(part, lines[0].net)), *line_pads(board, lines[0])[:1]],
            f"expanders and shift registers aren't supported: {len(keys)} keys on "
            f"{names_of(board.net_name(line.net) for line in lines)} are left out, the others written down",
        )


def _goes_on_as(board: Board, piece: Line) -> Line | None:
    """The line with a pin that a piece without one goes on from: in line with it, no position taken twice."""
    across = piece.side.other
    taken = {key.line(across) for key in piece.keys}
    best: tuple[float, Line] | None = None
    for line in board.lines.values():
        if (
            line.side is not piece.side
            or line.gpio is None
            or taken & {key.line(across) for key in line.keys}
        ):
            continue
        axis = 1 if line.side is Side.ROW else 0
        away = abs(line.middle_mm[axis] - piece.middle_mm[axis])
        if away <= _SAME_LINE_MM and (best is None or away < best[0]):
            best = away, line
    return best[1] if best else None


def lines_on_wrong_pins(board: Board) -> Iterator[Diagnostic]:
    names = board.controller.names
    for line in board.lines.values():
        others = [names.get(pin) or f"pin {pin}" for pin in line.other_pins]
        where: list[tuple[Part, str | None]] = [
            (board.controller.part, pin) for pin in board.controller.pins_on(line.net)
        ] or line_pads(board, line)[:1]
        if others and not line.gpios:
            yield told_at(
                "line-on-wrong-pin",
                "error",
                board,
                f"{line_name(board, line)} is on {names_of(others)} of {board.controller.part.name}, "
                "which is no GPIO",
                where,
                f"its keys ({names_of(key.name for key in line.keys)}) can't be read there: "
                "join it to a free GPIO",
            )
        elif len(line.gpios) > 1 or others:
            listed = [f"GPIO{gpio}" for gpio in line.gpios] + others
            yield told_at(
                "line-on-two-pins",
                "error",
                board,
                f"{line_name(board, line)} is on {len(listed)} pins: {names_of(listed)}",
                where,
                _CUT_HELP
                if may_be_cut(board, line.net)
                else f"only GPIO{line.gpios[0]} is written down; take the line off the other pin",
            )


_CUT_HELP = (
    "the file's net names may have been cut to 14 characters, so that several nets became one: give nets "
    "names that differ in their first characters, and export again. If not, take the line off the other pin"
)


def may_be_cut(board: Board, net: str) -> bool:
    """Whether several nets may have become one: its name fills the format's columns, and has no long form.

    pcb-rnd cuts names so, and says it only while it exports.
    """
    return len(net) == _KEPT_OF_A_NET and net not in board.circuit.netlist.long_names and "#" not in net


def is_on_cut_line(board: Board, key: Key) -> bool:
    lines = [board.lines[net] for net in (key.row, key.column) if net is not None]
    return any(len(line.gpios) > 1 and may_be_cut(board, line.net) for line in lines)


def lines_used_otherwise(board: Board) -> Iterator[Diagnostic]:
    """Parts on a line, or on a pin of its own switch or dial, that have no business there."""
    keys = [*all_keys(board), *board.odd]
    own = {key.diode.part for key in keys if key.diode} | {key.contact.part for key in keys}
    own |= {contact.part for contact in board.loose}
    own |= {part for one in board.forked for part in (one.contact.part, *(part for part, _ in one.pads))}
    for line in board.lines.values():
        if line.gpio is not None:
            yield from _strangers(board, line.net, line.gpio, own, line_name(board, line))
    for direct in board.directs:
        own = {direct.contact.part} | {other.contact.part for other in board.directs}
        yield from _strangers(
            board, direct.net, direct.gpio, own, f"the pin of {direct.contact.name}", own_pin=True
        )


def _strangers(
    board: Board, net: str, gpio: int, own: set[Part], what: str, *, own_pin: bool = False
) -> Iterator[Diagnostic]:
    """`own_pin`: a line that only one switch is on may have a resistor, or a capacitor against bouncing."""
    for part in board.circuit.on(net):
        if part in own or part is board.controller.part or is_test_point(part):
            continue
        if len(part.joined) < 2:
            continue  # what leads nowhere does no harm: the diode of a switch that isn't connected
        if is_resistor(part) and _is_harmless(board, part, net):
            continue
        if own_pin and (is_resistor(part) or is_capacitor(part)):
            continue
        pin = pin_on(part, net)
        yield told_at(
            "line-used-otherwise",
            "warning",
            board,
            f"{part.name} is on {what} (GPIO{gpio}) too",
            [(part, pin)],
            _capacitor_help(part)
            if is_capacitor(part)
            else "the matrix needs this pin for itself: what else pulls it makes keys appear, or hides them",
        )


def _capacitor_help(part: Part) -> str:
    return f"it makes the line slow: leave {part.name} out, or give `debounce` and the bench time for it"


def _is_harmless(board: Board, resistor: Part, net: str) -> bool:
    """A pull-up to a supply voltage, or a resistor between the line and its pin."""
    beyond = [other for other in resistor.joined if other != net]
    supply = board.controller.supply - {board.ground}
    return all(other in supply or board.controller.pins_on(other) for other in beyond)


def beside_supply(board: Board) -> Iterator[Diagnostic]:
    """Lines on the chip's pins beside RUN or a supply pin: a likely bridge when soldering by hand."""
    if board.controller.package != "chip":
        return
    found = []
    for line in board.lines.values():
        for gpio in line.gpios:
            beside = [pin.name for pin in pins.neighbours(gpio) if pin.name in _BESIDE]
            if beside:
                found.append((gpio, f"GPIO{gpio} ({board.net_name(line.net)}) beside {' and '.join(beside)}"))
    if not found:
        return
    found.sort()
    yield told_at(
        "line-beside-supply",
        "note",
        board,
        f"a bridge of solder is likely here: {names_of(words for _, words in found)}",
        [(board.controller.part, str(pins.package_pin_of_gpio(gpio))) for gpio, _ in found],
        "look at these pins with a lens before the first power-up; the bench's `lines` stage "
        "finds such bridges",
    )
