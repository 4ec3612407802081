"""A circuit → the keyboard in it: keys, lines and their pins, direct switches, dials, lights.

Facts only: what is wrong with them is `findings.py`'s. A switch and its diode meet on a net that never
reaches the controller and that no other part is on; without diodes a switch joins two lines.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

from keyc.keyboard import Diodes
from keyc.netlist.circuit import Circuit, Part
from keyc.netlist.controllers import controllers_of, ground_net
from keyc.netlist.diode_packages import DiodePackages
from keyc.netlist.part_kinds import (
    OFTEN_SWITCHES,
    contacts_of,
    is_dial,
    is_diode,
    is_test_point,
    leads_of,
    nets_beyond,
)
from keyc.netlist.rows_columns import oriented, with_twins
from keyc.netlist.wired_board import (
    Board,
    Contact,
    DialPart,
    Diode,
    DirectKey,
    ForkedSwitch,
    Key,
    LightPart,
    Line,
    Side,
)


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
        self._contacts = list(contacts_of(circuit))
        self._by_part = {contact.part: contact for contact in self._contacts}
        leads = leads_of(circuit, self._by_part)
        self._controller, self._others = controllers_of(circuit, leads, controller, pin_map)
        self._ground = ground_net(circuit, self._controller)
        self._power = self._controller.supply | ({self._ground} if self._ground else frozenset())

    def board(self) -> Board:
        keys = list(self._keys_with_diodes())
        used = {key.contact for key in keys}
        keys += self._keys_without(keys, used)
        keys, foreign = self._own(keys)
        used |= {key.contact for key in keys}
        told_apart, odd = oriented(keys, self._towards_row, keeps_words=bool(self._called))
        in_matrix = with_twins(told_apart)
        pointing, guessed, turned = self._pointing(in_matrix)
        lines = self._lines(in_matrix)
        foreign_contacts = [key.contact for key in foreign]
        left = [one for one in self._contacts if one not in used and one not in foreign_contacts]
        directs = list(self._directs(left, lines))
        taken = {direct.contact for direct in directs}
        left = [one for one in left if one not in taken]
        prefixes = {one.part.prefix for one in (*used, *taken)} | OFTEN_SWITCHES
        loose = [
            one
            for one in left
            if (None in one.ends or one.ends[0] == one.ends[1]) and one.part.prefix in prefixes
        ]
        forked = list(self._forked([one for one in left if one not in loose], lines))
        no_others = {*loose, *(one.contact for one in forked)}
        return Board(
            self._circuit,
            self._controller,
            self._ground,
            tuple(in_matrix),
            lines,
            tuple(directs),
            tuple(self._dials()),
            tuple(self._lights({key.diode.part for key in keys if key.diode}, lines)),
            tuple(loose),
            tuple(odd),
            tuple(forked),
            tuple(one for one in left if one not in no_others),
            tuple(foreign_contacts),
            pointing,
            guessed,
            tuple(turned),
        )

    # ---- keys

    def _keys_with_diodes(self) -> Iterator[Key]:
        middles = list(self._middles())
        nets_of: dict[Part, set[str]] = defaultdict(set)
        for net, part, _ in middles:
            nets_of[part].add(net)
        packages = DiodePackages({part: frozenset(nets) for part, nets in nets_of.items()})
        for net, part, contacts in middles:
            diode = packages.diode(part, net)
            if diode is None:
                continue
            for contact in contacts:
                # Which side is the row is found out later; until then the diode's is.
                yield Key(contact, diode, diode.line, _far_end(contact, net), _cathode(diode, Side.ROW))

    def _middles(self) -> Iterator[tuple[str, Part, list[Contact]]]:
        """The nets on which a switch, or several side by side, meets its diode and nothing else."""
        for net in self._circuit.nets:
            if net in self._power or self._controller.pins_on(net):
                continue
            parts = [part for part in self._circuit.on(net) if not is_test_point(part)]
            diodes = [part for part in parts if is_diode(part)]
            contacts = [self._by_part[part] for part in parts if part in self._by_part]
            if len(diodes) != 1 or not contacts or len(parts) != 1 + len(contacts):
                continue
            if len({_far_end(contact, net) for contact in contacts}) == 1:
                yield net, diodes[0], contacts

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

    def _towards_row(self, net: str, keys: list[Key]) -> float:
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
            common = Counter(key.cathode_if_known for key in keys)
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
            for beyond in nets_beyond(part, net):
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

    def _forked(self, left: Iterable[Contact], lines: Mapping[str, Line]) -> Iterator[ForkedSwitch]:
        """Switches from whose pad diodes lead to several lines: one press would be read at each."""
        for contact in left:
            for net in contact.ends:
                if net is None or net in self._power or net in lines or self._controller.pins_on(net):
                    continue
                pads = {
                    beyond: (part, pin)
                    for part in self._circuit.on(net)
                    if is_diode(part)
                    for pin, beyond in part.nets.items()
                    if beyond is not None and beyond != net and (beyond in lines or self._gpios(beyond))
                }
                if len(pads) > 1:
                    yield ForkedSwitch(contact, tuple(pads), tuple(pads.values()))

    def _dials(self) -> Iterator[DialPart]:
        for part in self._circuit.parts.values():
            if is_dial(part):
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
            is_light = part.prefix.startswith("LED") or (is_diode(part) and part not in of_keys)
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
        return {net, *(beyond for part in self._circuit.on(net) for beyond in nets_beyond(part, net))}


def _refuse_unjoined(circuit: Circuit) -> None:
    if len(circuit.parts) >= 2 and not any(len(circuit.on(net)) > 1 for net in circuit.nets):
        from keyc.diagnostics import UserError

        raise UserError(
            f"{circuit.netlist.source.name} joins nothing: every pad in it is a net of its own",
            "some PCB programs write such files when the nets weren't asked for, or when the board has no "
            "tracks yet: export it again with nets, or from the schematic's side",
        )


def _middle_mm(keys: Sequence[Key]) -> tuple[float, float]:
    places = [key.contact.part.centre_mm for key in keys]
    return sum(x for x, _ in places) / len(places), sum(y for _, y in places) / len(places)


def _far_end(contact: Contact, net: str) -> str | None:
    first, second = contact.ends
    return second if first == net else first


def _cathode(diode: Diode, line: Side) -> Side | None:
    if diode.cathode_at_line is None:
        return None
    return line if diode.cathode_at_line else line.other
