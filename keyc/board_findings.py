"""What is wrong with a board as its netlist shows it, as diagnostics with the part, the pad and the place.

An error: a key won't work, or types what it shouldn't. A warning: it may, or the file leaves something open.
A note: worth knowing before soldering. One cause is told once, where it is mended.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations

from keyc import pins
from keyc.circuit import Part
from keyc.diagnostics import BoardPlace, Diagnostic, Label, Severity, in_file_order
from keyc.netlist import Pad
from keyc.places import Layout
from keyc.traced import (
    Board,
    Contact,
    DirectKey,
    Key,
    Line,
    Side,
    is_capacitor,
    is_circuit,
    is_resistor,
    is_test_point,
)

_NAMED_MOST = 6
_KEPT_OF_A_NET = 14  # characters, by the format
_LABELS_MOST = 4
# Two pieces of a line on a turned or staggered cluster: how far apart the middles of their keys may be.
_SAME_LINE_MM = 25.0
_ONE_CAP_MM = 25.0  # switches that can't both have a cap: their middles are nearer than 1.25 u and a bit
_USUAL_PITCHES_MM = (15.0, 20.5)
_BESIDE = ("RUN", "IOVDD", "DVDD", "GND", "VREG_IN", "VREG_VOUT", "ADC_AVDD", "USB_VDD", "TESTEN")


def findings(board: Board, layout: Layout) -> list[Diagnostic]:
    """All that is wrong with a board, in the file's order, the file's own oddities included."""
    return in_file_order(
        [
            *board.circuit.netlist.diagnostics,
            *_designators_not_unique(board),
            *_loose_switches(board),
            *_loose_diodes(board),
            *_missing_diodes(board),
            *_turned_diodes(board),
            *_packages_that_differ(board),
            *_twins(board),
            *_crowded(board, layout),
            *_odd_keys(board),
            *_lines_without_pin(board),
            *_lines_on_wrong_pins(board),
            *_lines_used_otherwise(board),
            *_dials_not_wired(board),
            *_unusual_pitch(board, layout),
            *_beside_supply(board),
        ]
    )


# ---- where ------------------------------------------------------------------------------------


def _pad(part: Part, pin: str | None = None) -> Pad:
    pads = part.pads.get(pin or "") or next(iter(part.pads.values()))
    return pads[0]


def _pin_on(part: Part, net: str) -> str:
    return next(pin for pin, joined in part.nets.items() if joined == net)


def _place(part: Part, pin: str | None = None) -> BoardPlace:
    pad = _pad(part, pin)
    return BoardPlace(part.name, pad.pin, pad.x_mm, pad.y_mm)


def _tell(
    code: str,
    severity: Severity,
    board: Board,
    message: str,
    where: Sequence[tuple[Part, str | None]],
    help: str,
) -> Diagnostic:
    """A diagnostic at the first pad's record, with each pad's place beside its own record."""
    netlist = board.circuit.netlist
    places = [_place(part, pin) for part, pin in where]
    spans = [netlist.span(_pad(part, pin)) for part, pin in where]
    labels = tuple(Label(str(place), span) for place, span in zip(places, spans, strict=True))
    return Diagnostic(code, severity, message, spans[0], help, labels[:_LABELS_MOST], tuple(places))


def _names(names: Iterable[str]) -> str:
    listed = list(names)
    more = len(listed) - _NAMED_MOST
    return ", ".join(listed[:_NAMED_MOST]) + (f" and {more} more" if more > 0 else "")


def _line_name(board: Board, line: Line) -> str:
    return f"the {line.side.value} {board.net_name(line.net)}"


def _line_pads(board: Board, line: Line) -> list[tuple[Part, str | None]]:
    """The pads of a line's keys that are on it."""
    pads: list[tuple[Part, str | None]] = []
    for key in line.keys:
        if key.diode is not None and key.diode.line == line.net:
            pads.append((key.diode.part, key.diode.line_pin))
        else:
            pads.append((key.contact.part, key.contact.pin_on(line.net)))
    return pads


# ---- switches and diodes ----------------------------------------------------------------------


def _designators_not_unique(board: Board) -> Iterator[Diagnostic]:
    shared: dict[str, list[Part]] = defaultdict(list)
    for part in board.circuit.parts.values():
        if part.is_numbered:
            shared[part.name.rpartition("-")[0]].append(part)
    for name, parts in shared.items():
        yield _tell(
            "designator-not-unique",
            "warning",
            board,
            f"{len(parts)} parts are called {name}: the file keeps six characters of a name",
            [(parts[0], None)],
            f"they are called {parts[0].name}, {parts[1].name} and so on here, from the upper left on; "
            "shorter designators in the design give them back their names",
        )


def _loose_switches(board: Board) -> Iterator[Diagnostic]:
    for contact in board.loose:
        first, second = contact.ends
        if first is not None and first == second:
            message = f"both sides of {contact.name} are on the same net, {board.net_name(first)}"
            help = "the key changes nothing: one of its pads belongs to another net"
            where = [(contact.part, pin) for pin in contact.pins[:2]]
        else:
            open_pins = [pin for pin in contact.pins if contact.part.nets[pin] is None]
            message = f"{contact.name} isn't connected: nothing else is on the net of its pin " + _names(
                open_pins
            )
            help = "join this pad to its line, or to its diode, in the design"
            where = [(contact.part, pin) for pin in open_pins]
        yield _tell("switch-not-connected", "error", board, message, where, help)
    for key in board.keys:
        if None in (key.row, key.column) and not (key.diode and key.diode.line is None):
            pin = contact_pin(key.contact)
            yield _tell(
                "switch-not-connected",
                "error",
                board,
                f"{key.name} isn't connected: nothing else is on the net of its pin {pin}",
                [(key.contact.part, pin)],
                "join this pad to its line in the design",
            )


def contact_pin(contact: Contact) -> str:
    """The pin of a switch that nothing is joined to."""
    return next((pin for pin in contact.pins if contact.part.nets.get(pin) is None), contact.pins[0])


def _loose_diodes(board: Board) -> Iterator[Diagnostic]:
    for key in board.keys:
        if key.diode is not None and key.diode.line is None:
            yield _tell(
                "diode-not-connected",
                "error",
                board,
                f"{key.diode.part.name}, the diode of {key.name}, isn't connected on its other side",
                [(key.diode.part, key.diode.line_pin)],
                "join this pad to the key's line in the design",
            )


def _missing_diodes(board: Board) -> Iterator[Diagnostic]:
    if not any(key.diode for key in board.keys):
        return  # a matrix without diodes is a choice
    for key in _all_keys(board):
        if key.diode is None and key.row is not None and key.column is not None:
            yield _tell(
                "diode-missing",
                "error",
                board,
                f"{key.name} has no diode: it joins {board.net_name(key.row)} and "
                f"{board.net_name(key.column)} directly",
                [(key.contact.part, pin) for pin in key.contact.pins[:2]],
                "with two other keys held, keys will appear that nobody pressed: put a diode between the "
                "switch and its line, as at the other keys",
            )


def _all_keys(board: Board) -> Iterator[Key]:
    for key in board.keys:
        yield key
        yield from key.twins


def _turned_diodes(board: Board) -> Iterator[Diagnostic]:
    with_diode = [key for key in _all_keys(board) if key.cathode is not None]
    if board.is_pointing_guessed:
        yield _direction_unknown(board, with_diode)
        return
    if len(board.turned) == len(with_diode) > 1:
        key = board.turned[0]
        assert key.diode is not None
        yield _tell(
            "diodes-other-way",
            "warning",
            board,
            f"all {len(with_diode)} diodes point against `diodes {board.pointing.value}`",
            [(key.diode.part, key.diode.line_pin)],
            "either the design has them the other way, and the keymap file must say so; or pin 1 of this "
            "diode, taken for the cathode here, is its anode: look at the ring in the design",
        )
        return
    for key in board.turned:
        assert key.diode is not None
        pin = key.diode.line_pin if key.diode.cathode_at_line else key.diode.switch_pin
        yield _tell(
            "diode-reversed",
            "error",
            board,
            f"{key.diode.part.name}, the diode of {key.name}, points against the other diodes",
            [(key.diode.part, pin)],
            f"its cathode, pin {pin}, is at the wrong side: {key.name} will never be seen; turn it in the "
            "design, or solder it the other way round and mark that on the board",
        )


def _direction_unknown(board: Board, with_diode: Sequence[Key]) -> Diagnostic:
    """Nothing tells which way the diodes point, or as many point one way as the other."""
    package = next((key for key in _all_keys(board) if key.common_at is not None), None)
    first = package or next(key for key in board.keys if key.diode is not None)
    assert first.diode is not None
    part, pin = first.diode.part, first.diode.line_pin
    guess = f"`diodes {board.pointing.value}` is a guess: "
    if with_diode:
        message = "as many diodes point to the row as to the column"
        help = guess + "see in the design which way is meant, and say it with --diodes"
    elif package is not None and package.common_at is not None:
        here, there = package.common_at.value, package.common_at.other.value
        message = (
            f"the file can't tell which way the diodes point: {part.name} may hold two with a common "
            "cathode, or two with a common anode"
        )
        help = (
            f"{guess}look in the parts list what {part.name} is. If pin {pin}, which is at the {here}, is "
            f"the cathode of both (as in a BAV70), say --diodes cathode-to-{here}; if it is their anode (as "
            f"in a BAW56), --diodes cathode-to-{there}"
        )
    else:
        message = "the file can't tell which way the diodes point"
        help = guess + (
            "look in the design whether the end with the ring, the cathode, is at the row or at the column, "
            "and say it with --diodes"
        )
    return _tell("diode-direction-unknown", "warning", board, message, [(part, pin)], help)


def _packages_that_differ(board: Board) -> Iterator[Diagnostic]:
    """Packages of two diodes whose common pin is at the other side than that of most."""
    at: dict[Side, dict[Part, list[Key]]] = {side: {} for side in Side}
    for key in _all_keys(board):
        if key.common_at is not None and key.diode is not None:
            at[key.common_at].setdefault(key.diode.part, []).append(key)
    usual = max(Side, key=lambda side: len(at[side]))
    if not all(at.values()):
        return
    for part, keys in at[usual.other].items():
        pin = keys[0].diode.line_pin if keys[0].diode else None
        yield _tell(
            "diode-package-differs",
            "warning",
            board,
            f"pin {pin} of {part.name} is at the {usual.other.value}, that of most other packages of two "
            f"diodes at the {usual.value}",
            [(part, pin)],
            f"{part.name} must be of the other kind then: common anode where the others are common cathode, "
            f"or the other way round. If it is the same, {_names(key.name for key in keys)} will never be "
            f"seen: put its pin {pin} at the {usual.value}",
        )


def _twins(board: Board) -> Iterator[Diagnostic]:
    for key in board.keys:
        if not key.twins or _is_on_cut_line(board, key):
            continue
        every = (key, *key.twins)
        near = all(_distance(a.contact.part, b.contact.part) < _ONE_CAP_MM for a, b in combinations(every, 2))
        names = " and ".join(one.name for one in every)
        yield _tell(
            "switches-at-one-position",
            "warning" if near else "error",
            board,
            f"{names} close the same row and column: they are one key",
            [(one.contact.part, None) for one in every],
            f"they lie side by side, so that only one may be meant to be fitted; {key.name} is written down"
            if near
            else "give each its own row or column in the design",
        )


def _distance(one: Part, other: Part) -> float:
    (x0, y0), (x1, y1) = one.centre_mm, other.centre_mm
    return float(((x0 - x1) ** 2 + (y0 - y1) ** 2) ** 0.5)


def _crowded(board: Board, layout: Layout) -> Iterator[Diagnostic]:
    parts = {key.name: key.contact.part for key in board.keys}
    parts |= {direct.contact.name: direct.contact.part for direct in board.directs}
    if _has_unusual_pitch(layout):
        return  # then no distance is what it seems
    for name, other in layout.crowded:
        yield _tell(
            "switches-too-close",
            "warning",
            board,
            f"{name} lies on {other}: both can't have a cap",
            [(parts[name], None), (parts[other], None)],
            f"{name} is left out; if it is the one to be fitted, change the names over in the text",
        )


# ---- lines ------------------------------------------------------------------------------------


def _odd_keys(board: Board) -> Iterator[Diagnostic]:
    for key in board.odd:
        nets = " and ".join(board.net_name(net) for net in (key.row, key.column) if net is not None)
        yield _tell(
            "line-both-ways",
            "error",
            board,
            f"{key.name} makes its lines, {nets}, rows and columns at once",
            [(key.contact.part, pin) for pin in key.contact.pins[:2]],
            "keyc reads matrices in which each line is either a row or a column: check this switch's nets",
        )


def _lines_without_pin(board: Board) -> Iterator[Diagnostic]:
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
            yield _tell(
                "line-in-two-pieces",
                "error",
                board,
                f"{_line_name(board, line)} reaches no pin, and {board.net_name(whole.net)} "
                f"(GPIO{whole.gpio}) has the rest of that {line.side.value}",
                [*_line_pads(board, line)[:2], *_line_pads(board, whole)[:1]],
                f"they are two pieces of one {line.side.value}: give both the same net name in the design, "
                "or join them with a wire",
            )
        else:
            yield _tell(
                "line-without-pin",
                "error",
                board,
                f"{_line_name(board, line)} reaches no pin of {board.controller.part.name}",
                _line_pads(board, line),
                f"its keys ({_names(key.name for key in line.keys)}) can't be read: "
                "join the line to a free GPIO",
            )
    for part, lines in ends.items():
        keys = {key.name for line in lines for key in line.keys}
        yield _tell(
            "line-on-another-circuit",
            "error",
            board,
            f"{len(lines)} lines end at {part.name}, which isn't the controller",
            [(part, _pin_on(part, lines[0].net)), *_line_pads(board, lines[0])[:1]],
            f"expanders and shift registers aren't supported: {len(keys)} keys on "
            f"{_names(board.net_name(line.net) for line in lines)} are left out; all others are written down",
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


def _lines_on_wrong_pins(board: Board) -> Iterator[Diagnostic]:
    names = board.controller.names
    for line in board.lines.values():
        others = [names.get(pin) or f"pin {pin}" for pin in line.other_pins]
        where: list[tuple[Part, str | None]] = [
            (board.controller.part, pin) for pin in board.controller.pins_on(line.net)
        ] or _line_pads(board, line)[:1]
        if others and not line.gpios:
            yield _tell(
                "line-on-wrong-pin",
                "error",
                board,
                f"{_line_name(board, line)} is on {_names(others)} of {board.controller.part.name}, "
                "which is no GPIO",
                where,
                f"its keys ({_names(key.name for key in line.keys)}) can't be read there: "
                "join it to a free GPIO",
            )
        elif len(line.gpios) > 1 or others:
            listed = [f"GPIO{gpio}" for gpio in line.gpios] + others
            yield _tell(
                "line-on-two-pins",
                "error",
                board,
                f"{_line_name(board, line)} is on {len(listed)} pins: {_names(listed)}",
                where,
                _CUT_HELP
                if _may_be_cut(board, line.net)
                else f"only GPIO{line.gpios[0]} is written down; take the line off the other pin",
            )


_CUT_HELP = (
    "the file's net names may have been cut to 14 characters, so that several nets became one: give nets "
    "names that differ in their first characters, and export again. If not, take the line off the other pin"
)


def _may_be_cut(board: Board, net: str) -> bool:
    """Whether several nets may have become one: its name fills the format's columns, and has no long form.

    pcb-rnd cuts names so, and says it only while it exports.
    """
    return len(net) == _KEPT_OF_A_NET and net not in board.circuit.netlist.long_names and "#" not in net


def _is_on_cut_line(board: Board, key: Key) -> bool:
    lines = [board.lines[net] for net in (key.row, key.column) if net is not None]
    return any(len(line.gpios) > 1 and _may_be_cut(board, line.net) for line in lines)


def _lines_used_otherwise(board: Board) -> Iterator[Diagnostic]:
    """Parts on a line, or on a pin of its own switch or dial, that have no business there."""
    keys = [*_all_keys(board), *board.odd]
    own = {key.diode.part for key in keys if key.diode} | {key.contact.part for key in keys}
    own |= {contact.part for contact in board.loose}
    for line in board.lines.values():
        if line.gpio is not None:
            yield from _strangers(board, line.net, line.gpio, own, _line_name(board, line))
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
        pin = _pin_on(part, net)
        yield _tell(
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


def _dials_not_wired(board: Board) -> Iterator[Diagnostic]:
    for dial in board.dials:
        for pin, gpio in zip("AB", dial.gpios, strict=True):
            if gpio is None:
                yield _tell(
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
    yield _tell(
        "pitch-unusual",
        "warning",
        board,
        f"the keys are {across:g} mm by {down:g} mm from one another",
        [(key.contact.part, None)],
        "19.05 mm is usual, 17 and 18 occur: if the board isn't that different, the "
        "file's UNITS line is wrong",
    )


def _beside_supply(board: Board) -> Iterator[Diagnostic]:
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
    yield _tell(
        "line-beside-supply",
        "note",
        board,
        f"a bridge of solder is likely here: {_names(words for _, words in found)}",
        [(board.controller.part, str(pins.package_pin_of_gpio(gpio))) for gpio, _ in found],
        "look at these pins with a lens before the first power-up; the bench's `lines` stage "
        "finds such bridges",
    )
