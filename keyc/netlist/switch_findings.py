"""What is wrong with a board's switches and diodes as its netlist shows them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations

from keyc.diagnostics import Diagnostic
from keyc.netlist.circuit import Part
from keyc.netlist.line_findings import is_on_cut_line
from keyc.netlist.telling import all_keys, names_of, told_at
from keyc.netlist.wired_board import Board, Contact, Key, Side, natural

_ONE_CAP_MM = 25.0  # switches that can't both have a cap: their middles are nearer than 1.25 u and a bit


def loose_switches(board: Board) -> Iterator[Diagnostic]:
    for contact in board.loose:
        first, second = contact.ends
        if first is not None and first == second:
            message = f"both sides of {contact.name} are on the same net, {board.net_name(first)}"
            help = "the key changes nothing: one of its pads belongs to another net"
            where = [(contact.part, pin) for pin in contact.pins[:2]]
        else:
            open_pins = [pin for pin in contact.pins if contact.part.nets[pin] is None]
            message = f"{contact.name} isn't connected: nothing else is on the net of its pin " + names_of(
                open_pins
            )
            help = "join this pad to its line, or to its diode, in the design"
            where = [(contact.part, pin) for pin in open_pins]
        yield told_at("switch-not-connected", "error", board, message, where, help)
    for key in board.keys:
        if None in (key.row, key.column) and not (key.diode and key.diode.line is None):
            pin = contact_pin(key.contact)
            yield told_at(
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


def loose_diodes(board: Board) -> Iterator[Diagnostic]:
    loose: dict[tuple[Part, str], list[str]] = defaultdict(list)
    for key in board.keys:
        if key.diode is not None and key.diode.line is None:
            loose[key.diode.part, key.diode.line_pin].append(key.name)
    for (part, pin), names in loose.items():
        where = "on its other side" if len(part.nets) == 2 else f"at its pin {pin}"
        several = len(names) > 1
        yield told_at(
            "diode-not-connected",
            "error",
            board,
            f"{part.name}, the diode{'s' if several else ''} of {_and(names)}, isn't connected {where}",
            [(part, pin)],
            f"join this pad to the line of the key{'s' if several else ''} in the design",
        )


def missing_diodes(board: Board) -> Iterator[Diagnostic]:
    if not any(key.diode for key in board.keys):
        return  # a matrix without diodes is a choice
    for key in all_keys(board):
        if key.diode is None and key.row is not None and key.column is not None:
            yield told_at(
                "diode-missing",
                "error",
                board,
                f"{key.name} has no diode: it joins {board.net_name(key.row)} and "
                f"{board.net_name(key.column)} directly",
                [(key.contact.part, pin) for pin in key.contact.pins[:2]],
                "with two other keys held, keys will appear that nobody pressed: put a diode between the "
                "switch and its line, as at the other keys",
            )


def turned_diodes(board: Board) -> Iterator[Diagnostic]:
    with_diode = [key for key in all_keys(board) if key.cathode is not None]
    if board.is_pointing_guessed:
        yield _direction_unknown(board, with_diode)
        return
    if len(board.turned) == len(with_diode) > 1:
        key = board.turned[0]
        assert key.diode is not None
        yield told_at(
            "diodes-other-way",
            "warning",
            board,
            f"all {len(with_diode)} diodes point against `diodes {board.pointing.value}`",
            [(key.diode.part, key.diode.line_pin)],
            "either the design has them the other way, and the keymap file must say so; or pin 1 of this "
            "diode, taken for the cathode here, is its anode: look at the ring in the design",
        )
        return
    turned: dict[Part, list[Key]] = defaultdict(list)
    for key in board.turned:
        assert key.diode is not None
        turned[key.diode.part].append(key)
    for part, keys in turned.items():
        yield _turned_diode(board, part, keys)


def _turned_diode(board: Board, part: Part, keys: Sequence[Key]) -> Diagnostic:
    """One part, however many of the diodes in it point the wrong way."""
    diodes = [key.diode for key in keys if key.diode is not None]
    cathodes = list(
        dict.fromkeys(diode.line_pin if diode.cathode_at_line else diode.switch_pin for diode in diodes)
    )
    names = _and([key.name for key in keys])
    if len(keys) > 1:
        message = f"the diodes of {names} in {part.name} point against the other diodes"
    elif len(part.nets) > 2:
        message = f"the diode of {names} in {part.name} points against the other diodes"
    else:
        message = f"{part.name}, the diode of {names}, points against the other diodes"
    pins = f"pins {_and(cathodes)}, are" if len(cathodes) > 1 else f"pin {cathodes[0]}, is"
    will = f"{names} will never be seen; "
    if len(part.nets) > 2:
        mend = "in the design, change over the nets of its two ends, or take a package of the other kind"
    else:
        mend = "turn it in the design, or solder it the other way round and mark that on the board"
    cathode = "its cathode" if len(cathodes) == 1 else "the cathodes"
    return told_at(
        "diode-reversed",
        "error",
        board,
        message,
        [(part, pin) for pin in cathodes],
        f"{cathode}, {pins} at the wrong side: {will}{mend}",
    )


def _and(names: Sequence[str]) -> str:
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def _direction_unknown(board: Board, with_diode: Sequence[Key]) -> Diagnostic:
    """Nothing tells which way the diodes point, or as many point one way as the other."""
    package = next((key for key in all_keys(board) if key.cathode_if_known is not None), None)
    first = package or next(key for key in board.keys if key.diode is not None)
    diode = first.diode
    assert diode is not None
    guess = f"`diodes {board.pointing.value}` is a guess: "
    pin = diode.line_pin
    if with_diode:
        message = "as many diodes point to the row as to the column"
        help = guess + "see in the design which way is meant, and say it with --diodes"
    elif first.cathode_if_known is not None and diode.unknown_pin is not None:
        pin = diode.unknown_pin
        cathode = first.cathode_if_known
        common = "a common cathode or a common anode" if diode.is_common else ""
        message = f"the file can't tell which way the diodes point: {diode.part.name} may have " + (
            common or f"a cathode or an anode at its pin {pin}"
        )
        kinds = (
            ("the cathode of its diodes (as in a BAV70)", "their anode (as in a BAW56)")
            if diode.is_common
            else ("a cathode", "an anode")
        )
        where = f"the {cathode.value}" if pin == diode.line_pin else "the switch"
        help = (
            f"{guess}look in the parts list what {diode.part.name} is. If pin {pin}, which is at {where}, is "
            f"{kinds[0]}, say --diodes cathode-to-{cathode.value}; if it is {kinds[1]}, "
            f"--diodes cathode-to-{cathode.other.value}"
        )
    else:
        message = "the file can't tell which way the diodes point"
        help = guess + (
            "look in the design whether the end with the ring, the cathode, is at the row or at the column, "
            "and say it with --diodes"
        )
    return told_at("diode-direction-unknown", "warning", board, message, [(diode.part, pin)], help)


def packages_that_differ(board: Board) -> Iterator[Diagnostic]:
    """Packages of several diodes that lie the other way round than most with as many pins."""
    lying: dict[int, dict[Side, dict[Part, list[Key]]]] = defaultdict(lambda: {side: {} for side in Side})
    for key in all_keys(board):
        if key.cathode_if_known is not None and key.diode is not None:
            alike = lying[len(key.diode.part.nets)]
            alike[key.cathode_if_known].setdefault(key.diode.part, []).append(key)
    for alike in lying.values():
        usual = max(Side, key=lambda side: len(alike[side]))
        if all(alike.values()):
            others = [key for keys in alike[usual].values() for key in keys]
            for part, keys in alike[usual.other].items():
                keys = sorted(keys, key=lambda key: natural(key.name))
                pin = keys[0].diode and keys[0].diode.unknown_pin
                same = (key for key in others if key.diode and key.diode.unknown_pin == pin)
                yield _package_that_differs(board, part, keys, next(same, others[0]))


def _package_that_differs(board: Board, part: Part, keys: Sequence[Key], other: Key) -> Diagnostic:
    diode, usual = keys[0].diode, other.diode
    assert diode is not None
    assert usual is not None
    pin = diode.unknown_pin
    theirs = "that" if usual.unknown_pin == pin else f"pin {usual.unknown_pin}"
    kinds = (
        "common anode where the others are common cathode"
        if diode.is_common
        else f"an anode at pin {pin} where the others have a cathode"
    )
    return told_at(
        "diode-package-differs",
        "warning",
        board,
        f"{part.name} lies the other way round than most packages of its size: its pin {pin} is at "
        f"{_end_of(keys[0])}, {theirs} of {usual.part.name} at {_end_of(other)}",
        [(part, pin)],
        f"{part.name} must be of the other kind then: {kinds}, or the other way round. If it is the same, "
        f"{names_of(key.name for key in keys)} will never be seen: in the design, change over the nets of "
        "its two ends",
    )


def _end_of(key: Key) -> str:
    """Where the pin is that would tell which way a diode points."""
    if key.diode is None or key.diode.unknown_pin != key.diode.line_pin:
        return key.name
    return f"the {'row' if key.diode.line == key.row else 'column'}"


def twins(board: Board) -> Iterator[Diagnostic]:
    for key in board.keys:
        if not key.twins or is_on_cut_line(board, key):
            continue
        every = (key, *key.twins)
        near = all(_distance(a.contact.part, b.contact.part) < _ONE_CAP_MM for a, b in combinations(every, 2))
        names = " and ".join(one.name for one in every)
        yield told_at(
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
