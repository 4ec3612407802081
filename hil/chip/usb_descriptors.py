"""What a USB device says of itself: its descriptors, taken apart (USB 2.0, chapter 9.6)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum

_INTERFACE, _ENDPOINT = 4, 5


class UsbError(RuntimeError):
    """The device didn't do what USB asks of it."""


class Transfer(Enum):
    """Transfer types as bmAttributes numbers them (9.6.6)."""

    CONTROL = 0
    ISOCHRONOUS = 1
    BULK = 2
    INTERRUPT = 3


@dataclass(frozen=True, slots=True)
class Endpoint:
    address: int  # bit 7: towards the host
    transfer: Transfer
    max_packet: int
    interval_ms: int

    @property
    def number(self) -> int:
        return self.address & 0x0F

    @property
    def is_in(self) -> bool:
        return bool(self.address & 0x80)


@dataclass(frozen=True, slots=True)
class Interface:
    """One interface descriptor with what follows it."""

    number: int
    alternate: int
    class_code: int
    subclass: int
    protocol: int
    name: int
    endpoints: tuple[Endpoint, ...]
    extra: tuple[bytes, ...]  # class-specific descriptors, in order

    def endpoint(self, transfer: Transfer, is_in: bool) -> Endpoint | None:
        found = (e for e in self.endpoints if e.transfer is transfer and e.is_in is is_in)
        return next(found, None)


@dataclass(frozen=True, slots=True)
class Device:
    """What a device said about itself during enumeration."""

    device_descriptor: bytes
    configuration_descriptor: bytes
    interfaces: tuple[Interface, ...]
    strings: tuple[str, str, str]  # maker, product, serial number; "" where there is none
    report_descriptors: dict[int, bytes] = field(default_factory=dict)  # by interface number

    @property
    def vendor(self) -> int:
        return int.from_bytes(self.device_descriptor[8:10], "little")

    @property
    def product(self) -> int:
        return int.from_bytes(self.device_descriptor[10:12], "little")

    @property
    def version(self) -> int:
        """bcdDevice."""
        return int.from_bytes(self.device_descriptor[12:14], "little")

    def interface_of_class(self, class_code: int) -> Interface | None:
        return next((i for i in self.interfaces if i.class_code == class_code), None)


def descriptors_of(configuration: bytes) -> Iterator[bytes]:
    """The descriptors of a configuration, one by one; raises UsbError where the lengths don't fit."""
    at = 0
    while at < len(configuration):
        length = configuration[at]
        if length < 2 or at + length > len(configuration):
            raise UsbError(f"the descriptor at byte {at} of the configuration is {length} bytes long")
        yield configuration[at : at + length]
        at += length


def interfaces_of(configuration: bytes) -> tuple[Interface, ...]:
    """The interfaces of a configuration descriptor, with their endpoints and class descriptors (9.6.5)."""
    found: list[tuple[bytes, list[Endpoint], list[bytes]]] = []
    for each in descriptors_of(configuration):
        if each[1] == _INTERFACE:
            found.append((each, [], []))
        elif each[1] == _ENDPOINT:
            if not found:
                raise UsbError("an endpoint descriptor stands before any interface")
            found[-1][1].append(
                Endpoint(each[2], Transfer(each[3] & 3), int.from_bytes(each[4:6], "little") & 0x7FF, each[6])
            )
        elif found:
            found[-1][2].append(each)
    return tuple(
        Interface(head[2], head[3], head[5], head[6], head[7], head[8], tuple(endpoints), tuple(extra))
        for head, endpoints, extra in found
    )
