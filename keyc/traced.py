"""A circuit → the keyboard in it: keys, lines and their pins, direct switches, dials, lights.

Facts only: what is wrong with them is `board_findings.py`'s. A switch and its diode meet on a net that never
reaches the controller and that no other part is on; without diodes a switch joins two lines.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from keyc.circuit import Circuit, Part
from keyc.controllers import Controller, controllers_of, ground_net
from keyc.keyboard import Diodes

# What the letters of a designator stand for (common practice; IEEE 315 has most of them). Whatever else joins
# two nets may be a switch.
_PASSIVE = ("R", "C", "L", "F", "FB", "RN", "RV", "Y", "X", "BT", "BAT")
_ACTIVE = ("U", "IC", "Q", "LED")
_MECHANICAL = ("J", "JP", "CN", "CON", "CONN", "USB", "P", "TP", "H", "MH", "FID")
_NO_SWITCHES = frozenset((*_PASSIVE, *_ACTIVE, *_MECHANICAL))
_TEST_POINTS = frozenset({"TP", "FID"})
_CIRCUITS = frozenset({"U", "IC"})
_OFTEN_SWITCHES = frozenset({"SW", "S", "K", "KEY", "MX", "SWITCH"})
_DIAL_PINS = frozenset("AB")
_PUSH_PINS = ("S1", "S2")

# What a diode's pin is called that is an anode and a cathode at once.
_BOTH_ENDS = re.compile(r"(?:A\d?[KC]|[KC]\d?A)\d?")
_SEARCHED_MOST = 400  # keys; 30 pins make a matrix of 225 at most


class Side(Enum):
    """Which of a key's two lines: the one written as its row, or as its column."""

    ROW = "row"
    COLUMN = "column"

    @property
    def other(self) -> Side:
        return Side.COLUMN if self is Side.ROW else Side.ROW


@dataclass(frozen=True, eq=False, slots=True)
class Contact:
    """Something that closes when it is pressed: a switch, or a dial's push switch. Its ends are nets.

    An end is None where nothing is joined to it.
    """

    name: str
    part: Part
    ends: tuple[str | None, str | None]
    pins: tuple[str, ...]

    def pin_on(self, net: str | None) -> str:
        return next((pin for pin in self.pins if self.part.nets.get(pin) == net), self.pins[0])


@dataclass(frozen=True, eq=False, slots=True)
class Diode:
    """A diode of a key: its part, the pins at the switch and at the line, the line's net.

    `cathode_at_line` is None where the file can't tell.
    """

    part: Part
    switch_pin: str
    line_pin: str
    line: str | None
    cathode_at_line: bool | None


@dataclass(frozen=True, eq=False, slots=True)
class Key:
    """A switch of the matrix. `twins` close the same two lines, each beside this one."""

    contact: Contact
    diode: Diode | None
    row: str | None
    column: str | None
    cathode: Side | None
    twins: tuple[Key, ...] = ()

    @property
    def name(self) -> str:
        return self.contact.name

    def line(self, side: Side) -> str | None:
        return self.row if side is Side.ROW else self.column

    @property
    def common_at(self) -> Side | None:
        """Where the common pin of a package is of which the file doesn't tell what it holds."""
        if self.diode is None or self.diode.line is None or self.cathode is not None:
            return None
        if len(self.diode.part.nets) != 3 or self.diode.line_pin != common_pin(self.diode.part):
            return None
        return Side.ROW if self.diode.line == self.row else Side.COLUMN


@dataclass(frozen=True, eq=False, slots=True)
class Line:
    """A net of the matrix: its keys, the GPIOs and the other pins of the controller that it reaches.

    `middle_mm` is the middle of its keys, y upwards.
    """

    net: str
    side: Side
    keys: tuple[Key, ...]
    middle_mm: tuple[float, float]
    gpios: tuple[int, ...]
    other_pins: tuple[str, ...]

    @property
    def gpio(self) -> int | None:
        return self.gpios[0] if self.gpios else None


@dataclass(frozen=True, eq=False, slots=True)
class DirectKey:
    contact: Contact
    net: str
    gpio: int


@dataclass(frozen=True, eq=False, slots=True)
class DialPart:
    part: Part
    gpios: tuple[int | None, int | None]


@dataclass(frozen=True, eq=False, slots=True)
class LightPart:
    part: Part
    net: str
    gpio: int
    lit_low: bool


@dataclass(frozen=True, eq=False, slots=True)
class Board:
    """What a netlist says about a keyboard.

    `loose` are switches with an end that nothing is joined to; `odd` are keys whose lines are rows and
    columns at once; `others` close something that is no key, such as RUN; `foreign` belong to
    another controller.
    `pointing` is which way the diodes are taken to point, `turned` the keys that point the other way.
    """

    circuit: Circuit
    controller: Controller
    ground: str | None
    keys: tuple[Key, ...]
    lines: Mapping[str, Line]
    directs: tuple[DirectKey, ...]
    dials: tuple[DialPart, ...]
    lights: tuple[LightPart, ...]
    loose: tuple[Contact, ...]
    odd: tuple[Key, ...]
    others: tuple[Contact, ...]
    foreign: tuple[Contact, ...]
    pointing: Diodes
    is_pointing_guessed: bool
    turned: tuple[Key, ...]

    def lines_of(self, side: Side) -> list[Line]:
        """The lines of one side in the order of their keys' places: from the top, or from the left."""
        return sorted(
            (line for line in self.lines.values() if line.side is side),
            key=lambda line: -line.middle_mm[1] if side is Side.ROW else line.middle_mm[0],
        )

    def gpio(self, net: str | None) -> int | None:
        line = self.lines.get(net) if net is not None else None
        return line.gpio if line else None

    def is_whole(self, key: Key) -> bool:
        """Whether both of a key's lines reach a GPIO of the controller, so that it can be written down."""
        return self.gpio(key.row) is not None and self.gpio(key.column) is not None

    def net_name(self, net: str) -> str:
        return self.circuit.netlist.net_name(net)


def traced(
    circuit: Circuit,
    *,
    controller: str | None = None,
    pin_map: Mapping[str, str] | None = None,
    intended: Diodes | None = None,
    called: Mapping[int, Side] | None = None,
) -> Board:
    """The keyboard in a circuit. `controller` and `pin_map` are the user's.

    `intended`: how the diodes should point. `called`: which GPIOs a file calls rows, and which columns.

    Raises UserError if the file joins nothing, or no part can be taken for the controller.
    """
    return _Tracer(circuit, controller, pin_map, intended, called or {}).board()


class _Tracer:
    def __init__(
        self,
        circuit: Circuit,
        controller: str | None,
        pin_map: Mapping[str, str] | None,
        intended: Diodes | None,
        called: Mapping[int, Side],
    ) -> None:
        _refuse_unjoined(circuit)
        self._circuit = circuit
        self._intended = intended
        self._called = called
        self._contacts = list(_contacts(circuit))
        self._by_part = {contact.part: contact for contact in self._contacts}
        leads = _leads(circuit, self._by_part)
        self._controller, self._others = controllers_of(circuit, leads, controller, pin_map)
        self._ground = ground_net(circuit, self._controller)
        self._power = self._controller.supply | ({self._ground} if self._ground else frozenset())

    def board(self) -> Board:
        keys = list(self._keys_with_diodes())
        used = {key.contact for key in keys}
        keys += self._keys_without(keys, used)
        keys, foreign = self._own(keys)
        used |= {key.contact for key in keys}
        oriented, odd = self._oriented(keys)
        oriented = _grouped(oriented)
        pointing, guessed, turned = self._pointing(oriented)
        lines = self._lines(oriented)
        foreign_contacts = [key.contact for key in foreign]
        left = [one for one in self._contacts if one not in used and one not in foreign_contacts]
        directs = list(self._directs(left, lines))
        taken = {direct.contact for direct in directs}
        left = [one for one in left if one not in taken]
        prefixes = {one.part.prefix for one in (*used, *taken)} | _OFTEN_SWITCHES
        loose = [
            one
            for one in left
            if (None in one.ends or one.ends[0] == one.ends[1]) and one.part.prefix in prefixes
        ]
        return Board(
            self._circuit,
            self._controller,
            self._ground,
            tuple(oriented),
            lines,
            tuple(directs),
            tuple(self._dials()),
            tuple(self._lights({key.diode.part for key in keys if key.diode}, lines)),
            tuple(loose),
            tuple(odd),
            tuple(one for one in left if one not in loose),
            tuple(foreign_contacts),
            pointing,
            guessed,
            tuple(turned),
        )

    # ---- keys

    def _keys_with_diodes(self) -> Iterator[Key]:
        for net in self._circuit.nets:
            if net in self._power or self._controller.pins_on(net):
                continue
            parts = [part for part in self._circuit.on(net) if part.prefix not in _TEST_POINTS]
            diodes = [part for part in parts if _is_diode(part)]
            contacts = [self._by_part[part] for part in parts if part in self._by_part]
            if len(diodes) != 1 or not contacts or len(parts) != 1 + len(contacts):
                continue
            far = {_far_end(contact, net) for contact in contacts}
            diode = _diode(diodes[0], net)
            if diode is None or len(far) != 1:
                continue
            for contact in contacts:
                # Which side is the row is found out later; until then the diode's is.
                yield Key(contact, diode, diode.line, _far_end(contact, net), _cathode(diode, Side.ROW))

    def _keys_without(self, keys: Iterable[Key], used: set[Contact]) -> Iterator[Key]:
        """Switches that join two lines with no diode between."""
        lines = {net for key in keys for net in (key.row, key.column) if net is not None}
        left = [
            contact
            for contact in self._contacts
            if contact not in used
            and contact.ends[0] != contact.ends[1]
            and not any(end is None or end in self._power for end in contact.ends)
        ]
        shared = Counter(end for contact in left for end in contact.ends)
        for contact in left:
            known = [end in lines or bool(end and self._gpios(end)) for end in contact.ends]
            is_line = [here or shared[end] > 1 for here, end in zip(known, contact.ends, strict=True)]
            if any(known) and all(is_line):
                yield Key(contact, None, *contact.ends, None)

    def _own(self, keys: list[Key]) -> tuple[list[Key], list[Key]]:
        """The keys of this controller, and those of another one on the same board."""
        elsewhere = {net for other in self._others for net in other.part.joined} - self._power
        own: list[Key] = []
        foreign: list[Key] = []
        for key in keys:
            nets = [net for net in (key.row, key.column) if net is not None]
            here = any(self._controller.pins_on(net) for net in nets)
            (foreign if not here and any(net in elsewhere for net in nets) else own).append(key)
        return own, foreign

    # ---- rows and columns

    def _oriented(self, keys: list[Key]) -> tuple[list[Key], list[Key]]:
        """The keys with rows and columns told apart, and those whose lines can't be."""
        oriented: list[list[Key]] = []
        odd: list[Key] = []
        single: list[Key] = []
        for members in _hanging_together(keys):
            if not any(key.row is not None and key.column is not None for key in members):
                single += members
                continue
            sides = _two_sides(members)
            if sides is None:
                bad = _spoilers(members)
                odd += bad
                members = [key for key in members if key not in bad]
                sides = _two_sides(members) or {}
            oriented.append(self._component(members, sides))
        # A file's own words aren't turned round, whatever the diodes do.
        agreed = [key for keys in oriented for key in keys] if self._called else _agreed(oriented)
        return [*agreed, *single], odd

    def _component(self, keys: list[Key], colour: Mapping[str, int]) -> list[Key]:
        """Keys whose lines hang together, their rows being what is called so, or lies so."""
        by_colour: tuple[dict[str, list[Key]], dict[str, list[Key]]] = (defaultdict(list), defaultdict(list))
        for key in keys:
            for net in (key.row, key.column):
                if net is not None:
                    by_colour[colour.get(net, 1)][net].append(key)
        score = 0.0
        for number, lines in enumerate(by_colour):
            for net, members in lines.items():
                towards = self._looks_like_row(net, members)
                score += towards if number == 0 else -towards
        row_colour = 0 if score >= 0 else 1
        return [
            key
            if (key.row is not None and colour.get(key.row, -1) == row_colour)
            or (key.row is None and colour.get(key.column or "", -1) != row_colour)
            else _flipped(key)
            for key in keys
        ]

    def _looks_like_row(self, net: str, keys: list[Key]) -> float:
        name = self._circuit.netlist.net_name(net).upper()
        called = 3.0 * (("ROW" in name) - ("COL" in name))
        for gpio in self._gpios(net) if self._called else ():
            side = self._called.get(gpio)
            called += 100.0 * ((side is Side.ROW) - (side is Side.COLUMN))
        if len(keys) < 2:
            return called
        places = [key.contact.part.centre_mm for key in keys]
        wide = max(x for x, _ in places) - min(x for x, _ in places)
        high = max(y for _, y in places) - min(y for _, y in places)
        return called + (1.0 if wide > high else -1.0)

    def _pointing(self, keys: list[Key]) -> tuple[Diodes, bool, list[Key]]:
        """Which way the diodes point, whether that is a guess, and the keys whose diodes don't."""
        if not any(key.diode for key in keys):
            return Diodes.NONE, False, []
        count = Counter(key.cathode for key in keys if key.cathode is not None)
        rows, columns = count[Side.ROW], count[Side.COLUMN]
        guessed = rows == columns
        if not count:  # packages with a common cathode are the usual ones (common practice)
            common = Counter(key.common_at for key in keys)
            rows, columns = common[Side.ROW], common[Side.COLUMN]
        side = Side.ROW if rows >= columns else Side.COLUMN
        if self._intended in (Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN):
            side = Side.ROW if self._intended is Diodes.CATHODE_TO_ROW else Side.COLUMN
            guessed = False
        pointing = Diodes.CATHODE_TO_ROW if side is Side.ROW else Diodes.CATHODE_TO_COLUMN
        turned = [] if guessed else [key for key in keys if key.cathode not in (None, side)]
        return pointing, guessed, turned

    # ---- pins

    def _lines(self, keys: list[Key]) -> dict[str, Line]:
        members: dict[tuple[str, Side], list[Key]] = defaultdict(list)
        for key in keys:
            for side in Side:
                net = key.line(side)
                if net is not None:
                    members[net, side].append(key)
        return {
            net: Line(net, side, tuple(on_it), _middle_mm(on_it), self._gpios(net), self._other_pins(net))
            for (net, side), on_it in members.items()
        }

    def _pins(self, net: str) -> list[str]:
        """The controller's pins that a net reaches, itself or through a resistor of its own."""
        pins = self._controller.pins_on(net)
        if pins:
            return pins
        for part in self._circuit.on(net):
            for beyond in _beyond(part, net):
                if set(self._circuit.on(beyond)) == {part, self._controller.part}:
                    pins += self._controller.pins_on(beyond)
        return pins

    def _gpios(self, net: str) -> tuple[int, ...]:
        found = (self._controller.gpio(pin) for pin in self._pins(net))
        return tuple(gpio for gpio in found if gpio is not None)

    def _other_pins(self, net: str) -> tuple[str, ...]:
        return tuple(pin for pin in self._pins(net) if self._controller.gpio(pin) is None)

    def _directs(self, left: Iterable[Contact], lines: Mapping[str, Line]) -> Iterator[DirectKey]:
        for contact in left:
            if self._ground in contact.ends and self._ground is not None:
                net = _far_end(contact, self._ground)
                gpios = self._gpios(net) if net is not None else ()
                if net is not None and gpios and net not in lines:
                    yield DirectKey(contact, net, gpios[0])

    def _dials(self) -> Iterator[DialPart]:
        for part in self._circuit.parts.values():
            if _is_dial(part):
                first, second = (
                    next(iter(self._gpios(net)), None) if net is not None else None
                    for net in (part.nets.get("A"), part.nets.get("B"))
                )
                nets = [net for pin in "AB" if (net := part.nets.get(pin)) is not None]
                elsewhere = {net for other in self._others for net in other.part.joined}
                if first is None and second is None and any(net in elsewhere for net in nets):
                    continue
                yield DialPart(part, (first, second))

    def _lights(self, of_keys: set[Part], lines: Mapping[str, Line]) -> Iterator[LightPart]:
        for part in self._circuit.parts.values():
            is_light = part.prefix.startswith("LED") or (_is_diode(part) and part not in of_keys)
            if not is_light or len(part.nets) != 2 or len(part.joined) != 2:
                continue
            for near, far in (part.joined, part.joined[::-1]):
                ends = self._reach(far) & self._power
                for net in sorted(self._reach(near) - self._power):
                    gpios = [
                        gpio
                        for pin in self._controller.pins_on(net)
                        if (gpio := self._controller.gpio(pin)) is not None
                    ]
                    if gpios and ends and net not in lines:
                        yield LightPart(part, net, gpios[0], self._ground not in ends)

    def _reach(self, net: str) -> set[str]:
        """A net and those behind one resistor."""
        return {net, *(beyond for part in self._circuit.on(net) for beyond in _beyond(part, net))}


# ---- parts ------------------------------------------------------------------------------------


def _refuse_unjoined(circuit: Circuit) -> None:
    if len(circuit.parts) >= 2 and not any(len(circuit.on(net)) > 1 for net in circuit.nets):
        from keyc.diagnostics import UserError

        raise UserError(
            f"{circuit.netlist.source.name} joins nothing: every pad in it is a net of its own",
            "some PCB programs write such files when the nets weren't asked for, or when the board has no "
            "tracks yet: export it again with nets, or from the schematic's side",
        )


def is_circuit(part: Part) -> bool:
    """Whether a part is an integrated circuit, by its designator."""
    return part.prefix in _CIRCUITS


def is_test_point(part: Part) -> bool:
    return part.prefix in _TEST_POINTS


def is_resistor(part: Part) -> bool:
    return part.prefix == "R" and len(part.nets) == 2


def is_capacitor(part: Part) -> bool:
    return part.prefix == "C"


def _beyond(part: Part, net: str) -> list[str]:
    """The net on the other side of a resistor."""
    return [other for other in part.joined if other != net] if is_resistor(part) else []


def _is_diode(part: Part) -> bool:
    return (
        (part.prefix.startswith("D") or part.prefix == "CR")
        and len(part.nets) in (2, 3)
        and not _is_dial(part)
    )


def _is_dial(part: Part) -> bool:
    pins = {pin.upper() for pin in part.nets}
    return pins >= _DIAL_PINS and bool(pins & {"C", "COM", "GND", *_PUSH_PINS})


def _contacts(circuit: Circuit) -> Iterator[Contact]:
    for part in circuit.parts.values():
        if _is_dial(part):
            if all(pin in part.nets for pin in _PUSH_PINS):
                first, second = (part.nets[pin] for pin in _PUSH_PINS)
                yield Contact(f"{part.name}-push", part, (first, second), _PUSH_PINS)
            continue
        if (
            part.prefix in _NO_SWITCHES
            or part.prefix.startswith("LED")
            or _is_diode(part)
            or len(part.nets) < 2
        ):
            continue
        joined = part.joined
        pins = tuple(part.nets)
        if len(joined) == 2:
            yield Contact(part.name, part, (joined[0], joined[1]), pins)
        elif len(joined) == 1:
            is_short = all(net is not None for net in part.nets.values())
            yield Contact(part.name, part, (joined[0], joined[0] if is_short else None), pins)
        elif not joined:
            yield Contact(part.name, part, (None, None), pins)


def _leads(circuit: Circuit, contacts: Mapping[Part, Contact]) -> dict[str, int]:
    """For each part the nets that it shares with what may belong to a key."""
    leads: Counter[str] = Counter()
    for net in circuit.nets:
        parts = circuit.on(net)
        if any(part in contacts or _is_diode(part) for part in parts):
            leads.update(
                part.name
                for part in parts
                if part not in contacts and not _is_diode(part) and len(part.nets) > 2
            )
    return leads


def _middle_mm(keys: Sequence[Key]) -> tuple[float, float]:
    places = [key.contact.part.centre_mm for key in keys]
    return sum(x for x, _ in places) / len(places), sum(y for _, y in places) / len(places)


def _far_end(contact: Contact, net: str) -> str | None:
    first, second = contact.ends
    return second if first == net else first


def _diode(part: Part, switch_net: str) -> Diode | None:
    """The way through a diode from the switch's net to a line; None if it has none."""
    near = [pin for pin, net in part.nets.items() if net == switch_net]
    if not near:
        return None
    if len(part.nets) == 2:
        far = next((pin for pin in part.nets if pin not in near), None)
        if far is None:
            return None
        near_end, far_end = _end(near[0]), _end(far)
        cathode_at_line: bool | None
        if {near[0], far} == {"1", "2"}:
            cathode_at_line = far == "1"
        elif near_end is None and far_end is None:
            cathode_at_line = None
        else:
            cathode_at_line = far_end if far_end is not None else not near_end
        return Diode(part, near[0], far, part.nets[far], cathode_at_line)
    common = common_pin(part)
    others = [pin for pin in part.nets if pin != common]
    if common is None:
        return None
    if common not in near:
        return Diode(part, near[0], common, part.nets[common], _ends_at(part, near[0], common))
    # Its common pin at the switch: one of its diodes is used, or both side by side.
    lines = {net for pin in others if (net := part.nets[pin]) not in (None, switch_net)}
    far = next((pin for pin in others if part.nets[pin] in lines), others[0])
    if len(lines) > 1:
        return None
    away = _ends_at(part, far, common)
    return Diode(part, common, far, part.nets[far], None if away is None else not away)


def common_pin(part: Part) -> str | None:
    """The pin that two diodes in one package share, or the middle of two in series; None if none can be told.

    Where letters tell no more it is pin 3, as in SOT-23 packages (common practice: BAV70, BAW56 and BAV99).
    """
    ends = {pin: _end(pin) for pin in part.nets}
    nameless = [pin for pin, end in ends.items() if end is None]
    if not nameless:
        return next((pin for pin, end in ends.items() if list(ends.values()).count(end) == 1), None)
    if len(nameless) > 1:
        return "3" if "3" in part.nets else None
    cathodes = [pin for pin, end in ends.items() if end]
    # `A`, `K` and a pin that is joined to nothing: one diode in a package of three pins.
    is_single = part.nets[nameless[0]] is None and len(cathodes) == 1
    return cathodes[0] if is_single else nameless[0]


def _ends_at(part: Part, pin: str, common: str) -> bool | None:
    """Whether the diode from a pin to the common one has its cathode at the common one.

    Numbers don't tell: in a BAV70 pin 3 is the cathode of both, in a BAW56 it is their anode.
    """
    own, shared = _end(pin), _end(common)
    return not own if own is not None else shared


def _end(pin: str) -> bool | None:
    """Whether a diode's pin is called as a cathode (True) or as an anode (False).

    Names of both ends (`AK`, `K1A2`) are the middle of two diodes, and `CA` or `COM` are the pin of both.
    """
    name = pin.upper()
    if name.startswith("COM") or _BOTH_ENDS.fullmatch(name):
        return None
    if name[:1] in ("K", "C", "-"):
        return True
    return False if name[:1] in ("A", "+") else None


def _cathode(diode: Diode, line: Side) -> Side | None:
    if diode.cathode_at_line is None:
        return None
    return line if diode.cathode_at_line else line.other


def _hanging_together(keys: Iterable[Key]) -> list[list[Key]]:
    """The keys in groups that share no line with one another."""
    by_net: dict[str, list[Key]] = defaultdict(list)
    listed = list(keys)
    for key in listed:
        for net in (key.row, key.column):
            if net is not None:
                by_net[net].append(key)
    groups: list[list[Key]] = []
    seen: set[Key] = set()
    for first in listed:
        if first in seen:
            continue
        group: list[Key] = []
        waiting = [first]
        seen.add(first)
        while waiting:
            key = waiting.pop()
            group.append(key)
            for net in (key.row, key.column):
                for other in by_net.pop(net, []) if net is not None else []:
                    if other not in seen:
                        seen.add(other)
                        waiting.append(other)
        groups.append(group)
    return groups


def _two_sides(keys: Sequence[Key]) -> dict[str, int] | None:
    """0 or 1 for each line, so that every key joins a 0 and a 1; None if that can't be."""
    joined: dict[str, list[str]] = defaultdict(list)
    for key in keys:
        if key.row is not None and key.column is not None:
            joined[key.row].append(key.column)
            joined[key.column].append(key.row)
    side: dict[str, int] = {}
    for first in joined:
        if first in side:
            continue
        side[first] = 0
        waiting = [first]
        while waiting:
            net = waiting.pop()
            for other in joined[net]:
                if other not in side:
                    side[other] = 1 - side[net]
                    waiting.append(other)
                elif side[other] == side[net]:
                    return None
    return side


def _spoilers(keys: list[Key]) -> list[Key]:
    """The keys without which the lines fall into rows and columns: one if one will do, else as they come.

    Where any of several would do, it's the one whose switch is on a line with others' diodes, or the like.
    """
    if len(keys) <= _SEARCHED_MOST:
        at_row = Counter(key.row for key in keys)
        at_column = Counter(key.column for key in keys)
        alone = [key for key in keys if _two_sides([other for other in keys if other is not key]) is not None]
        if alone:
            return [max(alone, key=lambda key: at_column[key.row] + at_row[key.column])]
    kept: list[Key] = []
    bad: list[Key] = []
    for key in keys:
        fits = _two_sides([*kept, key]) is not None if len(keys) <= _SEARCHED_MOST else False
        (kept if fits else bad).append(key)
    return bad


def _flipped(key: Key) -> Key:
    return replace(key, row=key.column, column=key.row, cathode=key.cathode and key.cathode.other)


def _agreed(components: list[list[Key]]) -> list[Key]:
    """All keys, with groups flipped whose diodes all point against those of the others.

    Which line of a group is the row is a matter of words; which way all diodes point isn't.
    """

    is_told = any(key.cathode is not None for keys in components for key in keys)

    def leaning(key: Key) -> Side | None:
        """Where packages lie with their common pin tells as much, if nothing is known of any diode."""
        return key.cathode if is_told else key.common_at

    def balance(keys: Iterable[Key]) -> int:
        return sum((leaning(key) is Side.ROW) - (leaning(key) is Side.COLUMN) for key in keys)

    whole = balance(key for keys in components for key in keys)
    agreed: list[Key] = []
    for keys in components:
        own = balance(keys)
        known = sum(leaning(key) is not None for key in keys)
        flip = whole * own < 0 and abs(own) > known / 2
        agreed += [_flipped(key) for key in keys] if flip else keys
    return agreed


def _grouped(keys: list[Key]) -> list[Key]:
    """The keys, those that join the same two lines put together as twins of the first."""
    at: dict[tuple[str, str], list[Key]] = defaultdict(list)
    alone: list[Key] = []
    for key in keys:
        if key.row is None or key.column is None:
            alone.append(key)
        else:
            at[key.row, key.column].append(key)
    grouped = []
    for members in at.values():
        first, *others = sorted(members, key=lambda key: natural(key.name))
        grouped.append(replace(first, twins=tuple(others)) if others else first)
    return [*grouped, *alone]


def natural(name: str) -> list[tuple[int, str]]:
    """A key that sorts D2 before D10."""
    return [(int(word), "") if word.isdecimal() else (-1, word) for word in re.split(r"(\d+)", name)]
