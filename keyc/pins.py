"""GPIO numbers and the pins of the RP2040's package and of the common 40-pin module.

From `keyc/data/rp2040-*.tsv`; the RP2040 datasheet (section "Pinout") is the authority.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from keyc.files import data_rows

GPIO_COUNT = 30  # GPIO0 to GPIO29 are bonded out
_PINS_A_SIDE = 14  # QFN-56; pin 57 is the ground pad beneath


@dataclass(frozen=True, slots=True)
class PackagePin:
    """One pin: its number, the datasheet's name (`GPIO16`, `RUN`, `IOVDD`), its GPIO if it is one."""

    number: int
    name: str
    gpio: int | None


def _pins(file: str) -> Mapping[int, PackagePin]:
    return MappingProxyType(
        {
            int(number): PackagePin(
                int(number), name.partition("_ADC")[0] if gpio else name, int(gpio) if gpio else None
            )
            for number, name, gpio in data_rows(file)
        }
    )


@cache
def package_pins() -> Mapping[int, PackagePin]:
    """The QFN-56 package's pins by number, 1 to 56, and 57, the ground pad."""
    return _pins("rp2040-qfn56.tsv")


@cache
def module_pins() -> Mapping[int, PackagePin]:
    """The 40-pin module's pins by number, 1 to 40, and 41 to 43, the debug pads."""
    return _pins("rp2040-module40.tsv")


@cache
def _package_pin_by_gpio() -> Mapping[int, int]:
    return {pin.gpio: pin.number for pin in package_pins().values() if pin.gpio is not None}


@cache
def _module_pin_by_gpio() -> Mapping[int, int]:
    return {pin.gpio: pin.number for pin in module_pins().values() if pin.gpio is not None}


def is_gpio(number: int) -> bool:
    """Whether the chip has a GPIO of that number."""
    return 0 <= number < GPIO_COUNT


def package_pin_of_gpio(gpio: int) -> int:
    """The package pin of a GPIO. Raises KeyError if the chip has no such GPIO."""
    return _package_pin_by_gpio()[gpio]


def module_pin_of_gpio(gpio: int) -> int | None:
    """The 40-pin module's header pin of a GPIO; None where the module keeps that GPIO for itself."""
    return _module_pin_by_gpio().get(gpio)


def neighbours(gpio: int) -> list[PackagePin]:
    """The package pins beside a GPIO's, lower number first: those that solder can bridge it to.

    Only on the same side of the package: around a corner the gap is many times as wide.
    """
    pins, number = package_pins(), package_pin_of_gpio(gpio)
    side = (number - 1) // _PINS_A_SIDE
    return [pins[n] for n in (number - 1, number + 1) if n >= 1 and (n - 1) // _PINS_A_SIDE == side]
