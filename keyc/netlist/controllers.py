"""Which part is the controller, and which of its pins is which GPIO.

The chip itself and the common 40-pin module are known by their supply pins; pins that are called after their
GPIO speak for themselves; for any other module the user gives a map.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from keyc import pins
from keyc.diagnostics import UserError
from keyc.netlist.circuit import Circuit, Part, parts_read

_SUPPLY = re.compile(
    r"(GND|AGND|VSS|EP|IOVDD|DVDD|VDD|VCC|VIN|VSYS|VBUS|3V3|3\.3V|5V|VREG_\w+|\w*AVDD|USB_VDD)"
)
_GROUND = re.compile(r"([AD]?GND|VSS|EP|0V)")
_NAMED = re.compile(r"(?:GPIO|GP|IO)([0-9]{1,2})")
_GROUND_NETS = re.compile(r"/?([AD]?GND|VSS|0V|EARTH|GROUND)\w?")

# Pins that a package has on one net, and others that it has on another (RP2040 datasheet, "Pinout";
# the module's data sheet). A board needn't connect all of a module's grounds.
_CHIP_SUPPLY = ("1", "10", "22", "33", "42", "49")
_CHIP_CORE = ("23", "50")
_MODULE_GROUNDS = ("3", "8", "13", "18", "23", "28", "38")
_MODULE_SUPPLY = ("36", "39", "40")
_CHIP_PINS = 57
_MODULE_PINS = 43


@dataclass(frozen=True, eq=False)
class Controller:
    """The part, what it was taken for, its pins' names by pin, and the nets of its supply.

    `package` is `chip`, `module`, `named` (its pins bear the GPIO's names) or `map` (the user's).
    """

    part: Part
    package: str
    names: Mapping[str, str]  # pin: `GPIO4`, `RUN`, `GND` …
    ground: str | None
    supply: frozenset[str]  # the nets of ground and of every voltage

    def gpio(self, pin: str) -> int | None:
        match = _NAMED.fullmatch(self.names.get(pin, ""))
        number = int(match[1]) if match else -1
        return number if pins.is_gpio(number) else None

    def pins_on(self, net: str) -> list[str]:
        return list(self._pins_by_net.get(net, ()))

    @cached_property
    def _pins_by_net(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for pin, net in self.part.nets.items():
            if net is not None:
                found.setdefault(net, []).append(pin)
        return found


def read_pin_map(path: str | os.PathLike[str]) -> dict[str, str]:
    """A module's pins from a text file, a line for each: the pad's name, blanks, then `GPIO4`, `GND`, `RUN`.

    Comments begin with `#`. Raises UserError for what can't be read.
    """
    name = os.fspath(path)
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UserError(f"there is no file {name}", "check the name and the folder", exit_status=2) from None
    except OSError as error:
        raise UserError(f"{name} can't be read: {error.strerror}", exit_status=3) from None
    except UnicodeDecodeError:
        raise UserError(f"{name} is no UTF-8 text", _MAP_HELP) from None
    found: dict[str, str] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        if len(words) != 2 or words[0] in found:
            what = "names a pin for the second time" if words[0] in found else "isn't two words"
            raise UserError(f"{name}: line {number} {what}: {line.strip()[:60]}", _MAP_HELP)
        pin, gpio = words[0], words[1].upper()
        if match := _NAMED.fullmatch(gpio):
            gpio = f"GPIO{int(match[1])}"
            if not pins.is_gpio(int(match[1])):
                raise UserError(
                    f"{name}: line {number}: the chip has no {gpio}", "its pins are GPIO0 to GPIO29"
                )
        found[pin] = gpio
    if not any(_NAMED.fullmatch(gpio) for gpio in found.values()):
        raise UserError(f"{name} names no GPIO", _MAP_HELP)
    return found


_MAP_HELP = (
    "a map has a line for each pin of the module, as its data sheet says: `1 GPIO0`, `3 GND`, `30 RUN`"
)


def controllers_of(
    circuit: Circuit, leads: Mapping[str, int], named: str | None, pin_map: Mapping[str, str] | None
) -> tuple[Controller, tuple[Controller, ...]]:
    """The controller, and other ones on the same board.

    `leads` counts for each part the nets that lead from it to what may be a key. `named` is the user's word.
    Raises UserError where the choice is the user's, or nothing is a controller.
    """
    if named is not None:
        part = _named_part(circuit, named)
        chosen = _as_map(part, pin_map) if pin_map else _recognised(part)
        if chosen is None:
            raise UserError(
                f"the pins of {named} fit no module that is known", f"give --pins MAP: {_MAP_HELP}"
            )
        others = (_recognised(part) for part in circuit.parts.values() if part.name != named)
        return chosen, tuple(one for one in others if one is not None)

    by_leads = sorted(circuit.parts.values(), key=lambda part: -leads.get(part.name, 0))
    leading = [part for part in by_leads if leads.get(part.name, 0) > 0]
    if pin_map:
        if not leading:
            raise _no_controller(circuit)
        return _as_map(leading[0], pin_map), ()
    known = [one for one in map(_recognised, leading) if one is not None]
    if not known:
        if not leading:
            raise _no_controller(circuit)
        part = leading[0]
        if not any(pin.strip("?") for pin in part.nets):
            raise UserError(
                f"{circuit.netlist.source.name} has no names for the pins of {part.name}",
                "without them one pin can't be told from another: take the file that the PCB program itself "
                "exports, not one that another program has written anew",
            )
        raise UserError(
            f"{part.name} seems to be the controller ({leads[part.name]} lines lead from it to keys), but "
            "its pins fit no module that is known",
            f"give --pins MAP, or another part with --controller: {_MAP_HELP}",
        )
    if len(known) > 1:
        names = [one.part.name for one in known]
        raise UserError(
            f"this board has {len(known)} controllers: {', '.join(names)}",
            f"each has a keymap file of its own: run this with --controller {names[0]}, then again with "
            f"--controller {names[1]}",
        )
    return known[0], ()


def _no_controller(circuit: Circuit) -> UserError:
    return UserError(
        "no part of this netlist leads to keys",
        f"{parts_read(circuit)}; name the controller with --controller, for example "
        "--controller U1, if there is one",
    )


def _named_part(circuit: Circuit, name: str) -> Part:
    part = circuit.parts.get(name) or circuit.parts.get(name[:6])
    if part is not None:
        return part
    from difflib import get_close_matches

    near = get_close_matches(name, circuit.parts, n=3, cutoff=0.5)
    several = sorted(circuit.parts.values(), key=lambda one: -len(one.nets))[:3]
    hint = (
        "did you mean " + " or ".join(near)
        if near
        else "the largest parts are " + ", ".join(one.name for one in several)
    )
    raise UserError(f"no part is called {name}", hint, exit_status=2)


def _as_map(part: Part, names: Mapping[str, str]) -> Controller:
    fitting = [pin for pin in part.nets if pin in names]
    if not fitting:
        some = ", ".join(list(part.nets)[:6])
        raise UserError(
            f"no pin of {part.name} is in the map: they are called {some}",
            "the first word of each of its lines is the pin's name in the netlist, cut to four characters",
        )
    return _controller(part, "map", names)


def _recognised(part: Part) -> Controller | None:
    """The part as a controller, if its pins show it to be one."""
    if _is_chip(part):
        return _controller(part, "chip", {str(n): pin.name for n, pin in pins.package_pins().items()})
    if _is_module(part):
        return _controller(part, "module", {str(n): pin.name for n, pin in pins.module_pins().items()})
    named = {pin: pin.upper() for pin in part.nets}
    if sum(bool(_NAMED.fullmatch(name)) for name in named.values()) >= 3:
        return _controller(part, "named", named)
    return None


def _nets(part: Part, wanted: Iterable[str]) -> list[str]:
    return [net for pin in wanted if (net := part.nets.get(pin)) is not None]


def _largest_pin(part: Part) -> int:
    """0 if a pin's name is no number."""
    numbers = [int(pin) if pin.isascii() and pin.isdigit() else 0 for pin in part.nets if pin.strip("?")]
    return max(numbers) if numbers and min(numbers) > 0 else 0


def _is_chip(part: Part) -> bool:
    if not 50 <= _largest_pin(part) <= _CHIP_PINS:
        return False
    supply = _nets(part, _CHIP_SUPPLY)
    core = _nets(part, _CHIP_CORE)
    ground = _nets(part, ("57",))
    return (
        len(supply) >= 4
        and len(set(supply)) == 1
        and len(set(core)) <= 1
        and not set(supply) & {*core, *ground}
    )


def _is_module(part: Part) -> bool:
    if not 20 <= _largest_pin(part) <= _MODULE_PINS:
        return False
    grounds = set(_nets(part, _MODULE_GROUNDS))
    lines = [str(number) for number, pin in pins.module_pins().items() if pin.gpio is not None]
    return len(grounds) == 1 and not grounds & {*_nets(part, _MODULE_SUPPLY), *_nets(part, lines)}


def _controller(part: Part, package: str, names: Mapping[str, str]) -> Controller:
    grounds: list[str] = []
    supply: list[str] = []
    for pin, net in part.nets.items():
        name = names.get(pin, "")
        if net is None or _NAMED.fullmatch(name):
            continue
        if _GROUND.fullmatch(name):
            grounds.append(net)
        elif _SUPPLY.fullmatch(name):
            supply.append(net)
    ground = max(grounds, key=grounds.count) if grounds else None
    return Controller(part, package, names, ground, frozenset([*grounds, *supply]))


def ground_net(circuit: Circuit, controller: Controller) -> str | None:
    """The board's ground: the controller's, or the net that is called so."""
    if controller.ground is not None:
        return controller.ground
    named = [net for net in circuit.nets if _GROUND_NETS.fullmatch(circuit.netlist.net_name(net).upper())]
    return max(named, key=lambda net: len(circuit.nets[net])) if named else None
