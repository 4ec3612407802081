"""The emulated chip's blocks as they are on the chip, where `rp2040py` leaves something out or errs."""

from __future__ import annotations

from collections.abc import Callable

from rp2040py.peripherals import reset as blocks
from rp2040py.peripherals.peripheral import Peripheral
from rp2040py.peripherals.reset import RPReset
from rp2040py.peripherals.ssi import RPSSI
from rp2040py.peripherals.timer import RPTimer
from rp2040py.rp2040 import RP2040

_ROM_BYTES = 16 * 1024


class Block:
    """Stands between the bus and a block: more registers, and who is told of a write."""

    def __init__(
        self,
        name: str,
        inner: Peripheral,
        resets: Resets,
        reset_bit: int,
        stored: dict[int, int],
        written: Callable[[int], None] | None,
    ) -> None:
        self._name = name
        self._inner = inner
        self._resets = resets
        self._reset_bit = reset_bit
        self.stored = stored
        self._written = written

    def reset(self) -> None:
        self._inner.reset()

    def read_uint32(self, offset: int) -> int:
        if self._resets.held & self._reset_bit:
            self._resets.complain(self._name, "read")
            return 0
        offset &= 0xFFF  # all four aliases read the same
        return self.stored[offset] if offset in self.stored else self._inner.read_uint32(offset)

    def write_uint32(self, offset: int, value: int) -> None:
        self.write_uint32_atomic(offset, value, 0)

    def write_uint32_atomic(self, offset: int, value: int, atomic_type: int) -> None:
        if self._resets.held & self._reset_bit:
            self._resets.complain(self._name, "write")
            return
        if offset in self.stored:
            old = self.stored[offset]
            new = (value, old ^ value, old | value, old & ~value)[atomic_type]
            self.stored[offset] = new & 0xFFFFFFFF
        else:
            self._inner.write_uint32_atomic(offset, value, atomic_type)
        if self._written:
            self._written(offset)


class Resets(RPReset):
    """RESETS, with the blocks that matter here behind it."""

    def __init__(self, emulator: RP2040, reset_blocks: Callable[[int], None]) -> None:
        super().__init__(emulator, "RESETS")
        self._reset_blocks = reset_blocks
        self.held = 0

    def complain(self, name: str, access: str) -> None:
        """A block was used while it is held: on the chip a write is lost and a read means nothing.

        The ROM does so too, and is left to it: after `reset_to_usb_boot` its drive reads TIMER for an id.
        """
        if self.rp2040.core.pc >= _ROM_BYTES:
            self.rp2040.logger.warning(name, f"{access} while RESETS holds it")

    def hold_all(self) -> None:
        self._hold(blocks.RESETS_BITS_MASK)

    def read_uint32(self, offset: int) -> int:
        offset &= 0xFFF
        if offset == blocks.RESET:
            return self.held
        if offset == blocks.RESET_DONE:
            return blocks.RESETS_BITS_MASK & ~self.held
        return super().read_uint32(offset)

    def write_uint32(self, offset: int, value: int) -> None:
        if offset == blocks.RESET:
            self._hold(value & blocks.RESETS_BITS_MASK)
        else:
            super().write_uint32(offset, value)

    def _hold(self, held: int) -> None:
        taken = held & ~self.held
        self.held = held
        self._reset_blocks(taken)


class Timer(RPTimer):
    """TIMER, whose alarms fire when the count reaches them."""

    def __init__(self, emulator: RP2040, resets: Resets) -> None:
        super().__init__(emulator, "TIMER")
        self._resets = resets
        self._started_ns = self.clock.nanos

    def reset(self) -> None:
        super().reset()
        self._started_ns = self.clock.nanos

    def read_uint32(self, offset: int) -> int:
        if self._resets.held & blocks.RESET_TIMER:
            self._resets.complain("TIMER", "read")
            return 0
        if offset == 0x28:  # TIMERAWL: read so often that it is worth a short way
            return int((self.clock.nanos - self._started_ns) // 1000) & 0xFFFFFFFF
        return super().read_uint32(offset & 0xFFF)

    def write_uint32(self, offset: int, value: int) -> None:
        if self._resets.held & blocks.RESET_TIMER:
            self._resets.complain("TIMER", "write")
            return
        if not 0x10 <= offset <= 0x1C:
            super().write_uint32(offset, value)
            return
        count, part_ns = divmod(self.clock.nanos - self._started_ns, 1000)
        ticks = (value - int(count)) & 0xFFFFFFFF
        alarm = self.alarms[(offset - 0x10) // 4]
        alarm.armed = True
        alarm.target_micros = value
        alarm.clock_alarm.schedule(ticks * 1000 - part_ns if ticks else 0)


class FlashChip(RPSSI):
    """The flash behind SSI, with the unique id that its maker gave it (command 4Bh, four dummy bytes)."""

    def __init__(self, emulator: RP2040, unique_id: bytes) -> None:
        super().__init__(emulator, "SSI")
        self._unique_id = unique_id

    def _shift_byte(self, byte_out: int) -> int:
        answer = super()._shift_byte(byte_out)
        at = len(self._tx_buffer) - 6
        return self._unique_id[at] if self._tx_buffer[0] == 0x4B and 0 <= at < 8 else answer


class Pll:
    """PLL_SYS or PLL_USB: CS 0, PWR 4, FBDIV_INT 8, PRIM c (datasheet 2.18.4). It locks at once."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        self._registers = {0x0: 0x1, 0x4: 0x2D, 0x8: 0, 0xC: 0x77000}

    @property
    def running(self) -> bool:
        """VCO and main power on, and a feedback divider that can lock."""
        return not self._registers[0x4] & 0x21 and 16 <= self._registers[0x8] <= 320

    def output_hz(self, crystal_hz: float) -> float:
        """What comes out behind the post dividers; 0 when stopped, powered down or bypassed."""
        control, power = self._registers[0x0], self._registers[0x4]
        reference_divider = control & 0x3F
        if not self.running or power & 0x08 or control & 0x100 or not reference_divider:
            return 0.0
        primary = self._registers[0xC]
        dividers = (primary >> 16 & 7) * (primary >> 12 & 7)
        return crystal_hz / reference_divider * self._registers[0x8] / dividers if dividers else 0.0

    def read_uint32(self, offset: int) -> int:
        value = self._registers.get(offset, 0)
        return value | (1 << 31 if offset == 0 and self.running else 0)

    def write_uint32(self, offset: int, value: int) -> None:
        if offset in self._registers:
            self._registers[offset] = value & 0x7FFFFFFF

    def write_uint32_atomic(self, offset: int, value: int, atomic_type: int) -> None:
        old = self._registers.get(offset, 0)
        self.write_uint32(offset, (value, old ^ value, old | value, old & ~value)[atomic_type])


class XipSram:
    """The flash cache's 16 KB as plain memory, which it is while the cache is off."""

    def __init__(self) -> None:
        self._words = [0] * 4096

    def reset(self) -> None:
        pass

    def read_uint32(self, offset: int) -> int:
        return self._words[offset >> 2]

    def write_uint32(self, offset: int, value: int) -> None:
        self._words[offset >> 2] = value & 0xFFFFFFFF

    def write_uint32_atomic(self, offset: int, value: int, atomic_type: int) -> None:
        # The bus has split the address as if aliases lay here. A single byte can't be told from a word
        # that repeats it; the ROM writes words only.
        self.write_uint32(atomic_type << 12 | offset, value)
