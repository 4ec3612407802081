"""What sort of part each is, by its designator and what its pins are called; which may be switches."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

from keyc.netlist.circuit import Circuit, Part
from keyc.netlist.wired_board import Contact

# What the letters of a designator stand for (common practice; IEEE 315 has most of them). Whatever else joins
# two nets may be a switch.
_PASSIVE = ("R", "C", "L", "F", "FB", "RN", "RV", "Y", "X", "BT", "BAT")
_ACTIVE = ("U", "IC", "Q", "LED")
_MECHANICAL = ("J", "JP", "CN", "CON", "CONN", "USB", "P", "TP", "H", "MH", "FID")
_NO_SWITCHES = frozenset((*_PASSIVE, *_ACTIVE, *_MECHANICAL))
_TEST_POINTS = frozenset({"TP", "FID"})
_CIRCUITS = frozenset({"U", "IC"})
OFTEN_SWITCHES = frozenset({"SW", "S", "K", "KEY", "MX", "SWITCH"})
_DIODE_ARRAYS = frozenset({"D", "CR", "DA", "DN"})
_PINS_OF_TWO_DIODES = 3
_MOST_PINS_OF_DIODES = 16
_DIAL_PINS = frozenset("AB")
_PUSH_PINS = ("S1", "S2")


def is_circuit(part: Part) -> bool:
    """Whether a part is an integrated circuit, by its designator."""
    return part.prefix in _CIRCUITS


def is_test_point(part: Part) -> bool:
    return part.prefix in _TEST_POINTS


def is_resistor(part: Part) -> bool:
    return part.prefix == "R" and len(part.nets) == 2


def is_capacitor(part: Part) -> bool:
    return part.prefix == "C"


def nets_beyond(part: Part, net: str) -> list[str]:
    """The net on the other side of a resistor."""
    return [other for other in part.joined if other != net] if is_resistor(part) else []


def is_diode(part: Part) -> bool:
    """Whether a part is a diode, or several in one package."""
    pins = len(part.nets)
    if pins <= _PINS_OF_TWO_DIODES:
        is_called_so = part.prefix.startswith("D") or part.prefix == "CR"
    else:  # displays, delay lines and the like have more pins
        is_called_so = part.prefix in _DIODE_ARRAYS and pins <= _MOST_PINS_OF_DIODES
    return is_called_so and pins > 1 and not is_dial(part)


def is_dial(part: Part) -> bool:
    if len(part.nets) <= len(_DIAL_PINS):
        return False
    pins = {pin.upper() for pin in part.nets}
    return pins >= _DIAL_PINS and bool(pins & {"C", "COM", "GND", *_PUSH_PINS})


def contacts_of(circuit: Circuit) -> Iterator[Contact]:
    for part in circuit.parts.values():
        if is_dial(part):
            if all(pin in part.nets for pin in _PUSH_PINS):
                first, second = (part.nets[pin] for pin in _PUSH_PINS)
                yield Contact(f"{part.name}-push", part, (first, second), _PUSH_PINS)
            continue
        if (
            part.prefix in _NO_SWITCHES
            or part.prefix.startswith("LED")
            or is_diode(part)
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


def leads_of(circuit: Circuit, contacts: Mapping[Part, Contact]) -> dict[str, int]:
    """For each part the nets that it shares with what may belong to a key."""
    leads: Counter[str] = Counter()
    for net in circuit.nets:
        parts = circuit.on(net)
        if any(part in contacts or is_diode(part) for part in parts):
            leads.update(
                part.name
                for part in parts
                if part not in contacts and not is_diode(part) and len(part.nets) > 2
            )
    return leads
