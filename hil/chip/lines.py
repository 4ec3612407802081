"""The emulated chip's 30 lines: what its pads do to them, what the board answers, and when.

What the image does to a line goes into a `DriveLog`, since no image of ours may drive one high, or for long.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from rp2040py.clock.simulation_clock import ClockAlarm, SimulationClock
from rp2040py.rp2040 import RP2040
from rp2040py.sio import RPSIO

from hil.board import ALL_PINS, Table
from keyc.pins import GPIO_COUNT

_DEBUG_PIN = 15  # which can show the USB controller a D+ of its own (datasheet 2.19.2, erratum E5)
_FUNCTION_SIO, _FUNCTION_NULL = 5, 31
_OUTPUT_OFF = 2  # 2.19.6.1, OEOVER
_DEBUG_CONTROL = 8 | _OUTPUT_OFF << 12 | 3 << 16  # function 8, output off, input high


@dataclass(frozen=True, slots=True)
class Violation:
    """A line was treated as no image of ours may: driven high, or for longer than the limit."""

    t_us: int
    pin: int
    what: str


@dataclass(slots=True)
class DriveLog:
    """How the lines have been driven, over all power-ons: for how long at once, and low and high in all, in
    µs by GPIO; and what no image of ours may do. To drive a line for longer than `limit_us` is such a thing,
    and to drive one high that isn't in the mask `may_be_high`, which is for lights."""

    limit_us: float | None = None
    may_be_high: int = 0
    longest_us: list[float] = field(default_factory=lambda: [0.0] * GPIO_COUNT)
    low_us: list[float] = field(default_factory=lambda: [0.0] * GPIO_COUNT)
    high_us: list[float] = field(default_factory=lambda: [0.0] * GPIO_COUNT)
    violations: list[Violation] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class GpioState:
    """The 30 lines as masks (bit n is GPIO n): what the chip does to them and what it sees."""

    driven_low: int
    driven_high: int
    pulled_up: int
    pulled_down: int
    input_enabled: int
    levels: int


class Lines:
    """The lines' levels, and who moves them.

    A line that something pulls low falls at once. One that is let go, or turned to its pull-down, follows
    its pull after the board's rise time. With both pulls or none the line keeps its level (both is the
    chip's bus keeper, datasheet 2.19.4.1; none is a line that floats).
    """

    def __init__(
        self,
        emulator: RP2040,
        clock: SimulationClock,
        log: DriveLog,
        now_us: Callable[[], int],
        stop: Callable[[], None],
    ) -> None:
        self._log = log
        self._now_us = now_us
        self._stop = stop
        self._resets = 0
        self.run_fell = False
        self._emulator = emulator
        self._clock = clock
        self._rise_ns = [0] * GPIO_COUNT
        self._rest_low = 0
        self._raises: dict[int, int] = {}
        self._down_low = ALL_PINS
        self._driven_low_of: tuple[int, ...] = tuple(1 << pin for pin in range(GPIO_COUNT))
        self._union: dict[int, int] = {}
        self._levels = 0
        self._moving = 0  # lines on their way to the other level
        self._arrivals: list[ClockAlarm] = [
            clock.create_alarm(partial(self._arrive, pin)) for pin in range(GPIO_COUNT)
        ]
        self._drive_began = [0.0] * GPIO_COUNT
        self._low = 0
        self._high = 0
        self._up = 0
        self._down = 0
        self._enabled = 0
        self._outputs_off = 0
        self._on_sio = 0
        self._fixed = 0
        self._fixed_high = 0
        self.inputs = 0

    def set_table(self, table: Table) -> None:
        self._resets = table.resets
        self._rest_low = table.at_rest.low
        self._raises = dict(table.raises)
        self._down_low = table.pulled_down.low
        self._driven_low_of = tuple(reading.low for reading in table.driven)
        self._rise_ns = list(table.rise_ns)
        self._union = {}
        self.refresh()

    def state(self) -> GpioState:
        return GpioState(self._low, self._high, self._up, self._down, self._enabled, self._levels)

    @property
    def debug_input_high(self) -> bool:
        """The USB controller's debugging input is on, drives nothing, and reads high."""
        return bool(self._emulator.gpio[_DEBUG_PIN].ctrl == _DEBUG_CONTROL)

    def control_written(self, offset: int) -> None:
        """IO_BANK0 has a new value: a pin may have changed hands."""
        if offset >= 0xF0 or not offset & 4:
            return
        pin = offset >> 3
        control = self._emulator.gpio[pin].ctrl
        function = control & 0x1F
        self._on_sio &= ~(1 << pin)
        if function == _FUNCTION_SIO:
            self._on_sio |= 1 << pin
        bit, output, enable = 1 << pin, control >> 8 & 3, control >> 12 & 3
        # The way to the debugging input, which shows the USB controller an idle bus: its output is off.
        allowed = pin == _DEBUG_PIN and enable == _OUTPUT_OFF
        if function not in (_FUNCTION_SIO, _FUNCTION_NULL) and not allowed:
            self._note(pin, f"given to function {function}")
        # Both held at a value (2.19.6.1, OUTOVER and OEOVER): the pin is an output that nothing else moves.
        fixed = output & 2 and enable == 3
        self._fixed = self._fixed | bit if fixed else self._fixed & ~bit
        self._fixed_high = self._fixed_high | bit if fixed and output == 3 else self._fixed_high & ~bit
        if control & 0x30033300 and not allowed and not (fixed and not control & 0x30030000):
            self._note(pin, f"overridden in IO_BANK0 (CTRL {control:#x})")
        self.refresh()

    def pads_written(self, offset: int) -> None:
        """PADS_BANK0 has a new value: pulls, input enable or output disable."""
        if 0x04 <= offset <= 0x78:
            self._take_pad((offset - 4) // 4)
            self.refresh()

    def restart(self) -> None:
        """Take up the pads and controls again after the emulator reset them."""
        self._on_sio = self._fixed = self._fixed_high = 0
        for pin in range(GPIO_COUNT):
            self._take_pad(pin)
        self.refresh()
        for line in self._emulator.gpio:
            # The level bits must show the line as it is; seen: the call latches an edge too.
            line.set_input_value(bool(self._levels >> line.index & 1))
            line.update_irq_value(0xC)

    def end_drives(self) -> None:
        """The power goes: what is still driven ends here."""
        self._measure(self._low, 0)
        self._measure(self._high, 0, high=True)

    def refresh(self) -> None:
        """Something changed: work out every line's level and when it gets there."""
        sio = self._emulator.sio
        driving = (sio.gpio_output_enable & self._on_sio | self._fixed) & ~self._outputs_off & ALL_PINS
        high = driving & (sio.gpio_value & ~self._fixed | self._fixed_high)
        low = driving & ~high
        if high != self._high:
            for pin in _bits(high & ~self._high & ~self._log.may_be_high):
                self._note(pin, "driven high")
            self._measure(self._high & ~high, high & ~self._high, high=True)
        if low != self._low:
            self._measure(self._low & ~low, low & ~self._low)
        self._low, self._high = low, high
        if low & self._resets:
            self.run_fell = True
            self._stop()

        pulled_low = self._union.get(low)
        if pulled_low is None:
            pulled_low = self._rest_low
            for pin in _bits(low):
                pulled_low |= self._driven_low_of[pin]
            self._union[low] = pulled_low
        raised = self._raised(high) if high else 0
        pulled_low &= ~raised
        up, down = self._up & ~self._down, self._down & ~self._up
        target = (up | (down & ~self._down_low) | (self._levels & ~up & ~down) | raised) & ~pulled_low
        changing = target ^ self._levels
        stays = self._moving & ~changing
        if stays:
            for pin in _bits(stays):
                self._arrivals[pin].cancel()
            self._moving &= ~stays
        if not changing:
            return
        at_once = changing & (pulled_low | raised)
        for pin in _bits(changing & ~at_once & ~self._moving):
            rise_ns = self._rise_ns[pin]
            if rise_ns:
                self._moving |= 1 << pin
                self._arrivals[pin].schedule(rise_ns)
            else:
                at_once |= 1 << pin
        if at_once:
            for pin in _bits(at_once & self._moving):
                self._arrivals[pin].cancel()
            self._moving &= ~at_once
            self._flip(at_once)

    def _raised(self, high: int) -> int:
        """What reads high with the lines that are driven high."""
        raised = 0
        for pin in _bits(high):
            raised |= self._raises.get(pin, 1 << pin)
        return raised

    def _arrive(self, pin: int) -> None:
        self._moving &= ~(1 << pin)
        self._flip(1 << pin)

    def _flip(self, lines: int) -> None:
        self._levels ^= lines
        self.inputs = self._levels & self._enabled
        # Seen: each call latches an edge, even to the same level, so only changes are told.
        for pin in _bits(lines):
            self._emulator.gpio[pin].set_input_value(bool(self._levels >> pin & 1))

    def _take_pad(self, pin: int) -> None:
        value, bit = self._emulator.gpio[pin].pad_value, 1 << pin
        self._up = self._up | bit if value & 0x08 else self._up & ~bit
        self._down = self._down | bit if value & 0x04 else self._down & ~bit
        self._enabled = self._enabled | bit if value & 0x40 else self._enabled & ~bit
        # Seen: the emulator drives a pin whose output is disabled in its pad.
        self._outputs_off = self._outputs_off | bit if value & 0x80 else self._outputs_off & ~bit
        self.inputs = self._levels & self._enabled

    def _measure(self, ended: int, begun: int, *, high: bool = False) -> None:
        now = self._clock.nanos
        for pin in _bits(begun):
            self._drive_began[pin] = now
        limit_us, longest = self._log.limit_us, self._log.longest_us
        for pin in _bits(ended):
            took_us = (now - self._drive_began[pin]) / 1000
            (self._log.high_us if high else self._log.low_us)[pin] += took_us
            longest[pin] = max(longest[pin], took_us)
            if limit_us is not None and took_us > limit_us:
                self._note(pin, f"driven {'high' if high else 'low'} for {took_us:.1f} us")

    def _note(self, pin: int, what: str) -> None:
        self._log.violations.append(Violation(self._now_us(), pin, what))


class Sio(RPSIO):
    """SIO, whose GPIO registers meet the board."""

    def __init__(self, emulator: RP2040, lines: Lines) -> None:
        super().__init__(emulator)
        self._lines = lines

    def read_uint32(self, offset: int) -> int | float:
        if offset == 0x04:  # GPIO_IN
            return self._lines.inputs
        return super().read_uint32(offset)

    def write_uint32(self, offset: int, value: int) -> None:
        super().write_uint32(offset, value)
        if 0x10 <= offset <= 0x2C:  # GPIO_OUT to GPIO_OE_XOR
            self._lines.refresh()


def _bits(mask: int) -> list[int]:
    """The numbers of the set bits, lowest first."""
    found = []
    while mask:
        lowest = mask & -mask
        found.append(lowest.bit_length() - 1)
        mask ^= lowest
    return found
