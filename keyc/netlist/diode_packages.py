"""The ways through parts that hold diodes: one diode, two in a SOT-23, arrays in a SOT-363 and the like.

A netlist names pins, and nothing else. Where they are called A and K that tells which diode lies between
which of them, and which way it points. Where they are only numbered, the pins' nets tell which of the usual
arrangements it is, and nothing tells the direction.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from enum import Enum
from itertools import permutations, product

from keyc.netlist.circuit import Part
from keyc.netlist.wired_board import Diode

# What a diode's pin is called that is an anode and a cathode at once.
_BOTH_ENDS = re.compile(r"(?:A\d?[KC]|[KC]\d?A)\d?")
_FEW_PINS = 3  # one diode, or two that share a pin

_Pairs = frozenset[tuple[str, str]]


class Arrangement(Enum):
    """How a package with numbered pins may hold its diodes (common practice, after makers' data sheets)."""

    TWO_PAIRS = "two pairs"  # pins 1 and 2 share pin 6, 4 and 5 share 3, as in a BAV70S or a BAW56S
    APART = "apart"  # each between pins that lie opposite: 1 and 6, 2 and 5, 3 and 4, as in a BAS16VY
    ONE_COMMON = "one common pin"  # the only one at a line


class DiodePackages:
    """The diodes of a board, read with the nets on which each of their parts meets switches."""

    def __init__(self, middles: Mapping[Part, frozenset[str]]) -> None:
        self._middles = middles
        self._usual: dict[int, Counter[Arrangement]] = defaultdict(Counter)
        for part, nets in middles.items():
            if _is_numbered_array(part):
                for arrangement in Arrangement:
                    used = _used_pins(_pairs(part, arrangement, nets), part, nets)
                    self._usual[len(part.nets)][arrangement] += len(used)

    def diode(self, part: Part, switch_net: str) -> Diode | None:
        """The way through a part from a switch's net to a line; None if it has none, or more than one."""
        near = [pin for pin, net in part.nets.items() if net == switch_net]
        if not near:
            return None
        if len(part.nets) == 2:
            return _single(part, near[0])
        if len(part.nets) <= _FEW_PINS:
            return _of_two(part, near, switch_net)
        return self._of_array(part, near, switch_net)

    def _of_array(self, part: Part, near: list[str], switch_net: str) -> Diode | None:
        middles = self._middles.get(part, frozenset((switch_net,)))
        if is_numbered := _is_numbered_array(part):
            arrangement = self._arrangement(part, middles)
            pairs = _pairs(part, arrangement, middles)
        else:
            arrangement = Arrangement.APART
            pairs = _lettered_pairs(part)
        ways = [
            (pin, other, telling)
            for pin in near
            for first, telling in sorted(pairs)
            if pin in (first, telling)
            and part.nets[other := first if pin == telling else telling] not in middles
        ]
        joined = [way for way in ways if part.nets[way[1]] is not None]
        if not ways or len({part.nets[far] for _, far, _ in joined}) > 1:
            return None
        pin, far, telling = (joined or ways)[0]
        return Diode(
            part,
            pin,
            far,
            part.nets[far],
            None if is_numbered else _ends_at(part, pin, far),
            telling if is_numbered else None,
            is_common=arrangement is not Arrangement.APART,
        )

    def _arrangement(self, part: Part, middles: frozenset[str]) -> Arrangement:
        """What most packages with as many pins are, unless this one is in full use and can't be that."""
        usual = self._usual[len(part.nets)]
        ranked = sorted(Arrangement, key=lambda one: -usual[one])
        full = [
            one for one in ranked if _used_pins(_pairs(part, one, middles), part, middles) == set(part.nets)
        ]
        return (full or ranked)[0]


# ---- one diode, or two ------------------------------------------------------------------------


def _single(part: Part, near: str) -> Diode | None:
    far = next((pin for pin in part.nets if pin != near), None)
    if far is None:
        return None
    near_end, far_end = _end(near), _end(far)
    cathode_at_line: bool | None
    if {near, far} == {"1", "2"}:
        cathode_at_line = far == "1"
    elif near_end is None and far_end is None:
        cathode_at_line = None
    else:
        cathode_at_line = far_end if far_end is not None else not near_end
    return Diode(part, near, far, part.nets[far], cathode_at_line)


def _of_two(part: Part, near: list[str], switch_net: str) -> Diode | None:
    common = _common_pin(part)
    others = [pin for pin in part.nets if pin != common]
    if common is None:
        return None
    if common not in near:
        told = _ends_at(part, near[0], common)
        return Diode(
            part, near[0], common, part.nets[common], told, common if told is None else None, is_common=True
        )
    # Its common pin at the switch: one of its diodes is used, or both side by side.
    lines = {net for pin in others if (net := part.nets[pin]) not in (None, switch_net)}
    far = next((pin for pin in others if part.nets[pin] in lines), others[0])
    if len(lines) > 1:
        return None
    away = _ends_at(part, far, common)
    told = None if away is None else not away
    return Diode(part, common, far, part.nets[far], told, common if told is None else None, is_common=True)


def _common_pin(part: Part) -> str | None:
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


# ---- arrays -----------------------------------------------------------------------------------


def _is_numbered_array(part: Part) -> bool:
    return len(part.nets) > _FEW_PINS and all(pin.isascii() and pin.isdigit() for pin in part.nets)


def _pairs(part: Part, arrangement: Arrangement, middles: frozenset[str]) -> _Pairs:
    """The pins between which a package with numbered pins has diodes if it is arranged so.

    The second of each two would tell, if it were known for a cathode or an anode, which way the diode points.
    Pins that are joined to nothing may be missing from a netlist: the last number tells how many there are.
    """
    count = max(int(pin) for pin in part.nets)
    count += count % 2
    match arrangement:
        case Arrangement.TWO_PAIRS:
            pairs = [("1", "6"), ("2", "6"), ("4", "3"), ("5", "3")] if count == 6 else []
        case Arrangement.APART:
            pairs = [(str(pin), str(count + 1 - pin)) for pin in range(1, count // 2 + 1)]
        case Arrangement.ONE_COMMON:
            at_lines = [pin for pin, net in part.nets.items() if net is not None and net not in middles]
            common = at_lines[0] if len(at_lines) == 1 else None
            pairs = [(pin, common) for pin in part.nets if common is not None and pin != common]
    return frozenset(pair for pair in pairs if all(pin in part.nets for pin in pair))


def _lettered_pairs(part: Part) -> _Pairs:
    """Anode and cathode of one number (`A1` and `K1`); what has no such mate goes to a common pin.

    A common pin has no number (`K`), those of its mates (`K12`), or neither name (`COM`).
    """
    ends = {pin: _numbered_ends(pin) for pin in part.nets}
    opposite = [
        (one, other, ends[one][here], ends[other][there])
        for one, other in permutations(part.nets, 2)
        for here, there in ("AK", "KA")
        if here in ends[one] and there in ends[other]
    ]
    pairs = {tuple(sorted((one, other))) for one, other, here, there in opposite if here == there}
    alone = set(part.nets) - {pin for pair in pairs for pin in pair}
    pairs |= {
        (one, other)
        for one, other, here, there in opposite
        if one in alone and (not here or not there or set(here) & set(there))
    }
    alone = set(part.nets) - {pin for pair in pairs for pin in pair}
    commons = {pin for pin in part.nets if pin.upper().startswith("COM")}
    return frozenset((one, other) for one, other in (*pairs, *product(alone - commons, commons)))


def _numbered_ends(pin: str) -> dict[str, str]:
    """Which ends of which diodes a pin is: `A1` is {A: 1}, `K1A2` {K: 1, A: 2}, `COM` and `NC` are none."""
    name = pin.upper()
    if name.startswith("COM") or not re.fullmatch(r"(?:[AKC]\d*)+", name):
        return {}
    return {"A" if end == "A" else "K": number for end, number in re.findall(r"([AKC])(\d*)", name)}


def _used_pins(pairs: Iterable[tuple[str, str]], part: Part, middles: frozenset[str]) -> set[str]:
    """The pins at switches from which just one line is reached, each with one pin at that line."""
    listed = sorted(pairs)
    used: set[str] = set()
    for pin, net in part.nets.items():
        if net not in middles:
            continue
        far = [
            other
            for pair in listed
            if pin in pair
            and part.nets[other := pair[pair[0] == pin]] is not None
            and part.nets[other] not in middles
        ]
        if len({part.nets[other] for other in far}) == 1:
            used |= {pin, far[0]}
    return used


# ---- ends -------------------------------------------------------------------------------------


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
