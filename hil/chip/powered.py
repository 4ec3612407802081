"""The emulator between one power-on of the chip and the next, with its mends.

`rp2040py` 0.3.6 is young. What it leaves out or does otherwise than the chip is mended here, each beside
a note of what was seen; `blocks` has the blocks that are put in place of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from rp2040py.clock.simulation_clock import SimulationClock
from rp2040py.device.bootrom import BOOTROM_B1
from rp2040py.execute_batch import execute_batch
from rp2040py.peripherals import reset as blocks
from rp2040py.peripherals.peripheral import Peripheral
from rp2040py.rp2040 import RP2040

from hil.chip.blocks import Block, FlashChip, Pll, Resets, Timer, XipSram
from hil.chip.lines import DriveLog, Lines, Sio
from hil.chip.usb_controller import Surroundings, UsbController

if TYPE_CHECKING:
    from rp2040py.simulator import Simulator

FLASH_BYTES = 2 * 1024 * 1024
RAM_BYTES = 264 * 1024
DPRAM_BYTES = 4096
CRYSTAL_HZ = 12_000_000

_USB_IRQ = 5
_PAD_RESET = 0x56  # datasheet 2.19.6.3: input on, 4 mA, pull-down, Schmitt trigger
_RESET_PLL_SYS, _RESET_PLL_USB = 1 << 12, 1 << 13  # datasheet 2.14.3

# Where a block lies: the bus keeps it under its address without the low 14 bits, shifted by two.
_XIP_SRAM, _SSI, _SYSINFO, _SYSCFG = 0x15000, 0x18000, 0x40000, 0x40004
_CLOCKS, _RESETS = 0x40008, 0x4000C
_IO_BANK0, _PADS_BANK0, _PLL_SYS, _PLL_USB = 0x40014, 0x4001C, 0x40028, 0x4002C
_TIMER, _WATCHDOG, _ROSC, _USB = 0x40054, 0x40058, 0x40060, 0x50110
_PIO0, _PIO1 = 0x50200, 0x50300


@dataclass(frozen=True, slots=True)
class Make:
    """What a chip is, whatever runs on it. Without flash `flash_id` is what nothing answers: ones."""

    revision: int
    flash_id: bytes
    has_flash: bool
    has_erratum_5: bool


@dataclass(frozen=True, slots=True)
class Tells:
    """Where a running chip tells what it does: how it drives its lines, and what the emulator complains of;
    and the time that it says so by."""

    drives: DriveLog
    now_us: Callable[[], int]
    complain: Callable[[str], None]


class PoweredChip:
    """The emulator between one power-on and the next, with its mends."""

    def __init__(self, make: Make, flash: bytes, ram: bytes, tells: Tells) -> None:
        self._make = make
        self._complain = tells.complain
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
            has_erratum_5=make.has_erratum_5,
        )
        self.lines = Lines(emulator, self.clock, tells.drives, tells.now_us, self._stop_now)
        self._mend()
        emulator.watchdog.on_watchdog_trigger = self._restart
        self._after_reset()

    # What `execute_batch` and the emulator's logger need.

    def debug(self, component_name: str, message: str) -> None:
        pass

    info = debug

    def warning(self, component_name: str, message: str) -> None:
        self._complain(f"{component_name}: {message} (pc {self.emulator.core.pc:#x})")
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
        self.resets = Resets(emulator, self._reset_blocks)
        emulator.resets = self.resets
        bus[_RESETS] = self.resets

        # Seen: an alarm fires up to 1 us early.
        emulator.timer = bus[_TIMER] = Timer(emulator, self.resets)

        # Seen: transfers complete by themselves.
        emulator.usb_ctrl = self.usb  # type: ignore[assignment]  # the calls that the bus makes are all there
        bus[_USB] = self._block("USB", self.usb, reset_bit=blocks.RESET_USBCTRL)

        # The board answers what the pins do.
        emulator.sio = Sio(emulator, self.lines)
        bus[_IO_BANK0] = self._block(
            "IO_BANK0", bus[_IO_BANK0], reset_bit=blocks.RESET_IO_BANK0, written=self.lines.control_written
        )
        bus[_PADS_BANK0] = self._block(
            "PADS_BANK0", bus[_PADS_BANK0], reset_bit=blocks.RESET_PADS_BANK0, written=self.lines.pads_written
        )

        # Seen: no PLLs and no ring oscillator, only a complaint at each access.
        self.pll_sys, self.pll_usb = Pll(), Pll()
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
            "SYSINFO", bus[_SYSINFO], stored={0x00: self._make.revision << 28 | 0x2927}
        )
        bus[_SYSCFG] = self._block("SYSCFG", bus[_SYSCFG], stored={0x00: 0, 0x04: 0})  # NMI masks
        # Seen: the flash answers everything but the request for its unique id.
        emulator.ssi = FlashChip(emulator, self._make.flash_id)
        bus[_SSI] = self._block("SSI", emulator.ssi, stored={0x10: 0, 0x48: 0})  # SER, ICR
        # Seen: TICK reads as running whatever was written.
        self.watchdog = self._block("WATCHDOG", bus[_WATCHDOG], stored={0x2C: 0x200})
        bus[_WATCHDOG] = self.watchdog

        # No image of ours uses PIO, and asking two idle ones after every instruction takes a tenth of the
        # time. Without them on the bus an image that tries is found out.
        self._pio, emulator.pio = emulator.pio, []
        del bus[_PIO0], bus[_PIO1]

        # Seen: nothing is mapped at 0x15000000, where the ROM keeps a page while it writes the flash.
        bus[_XIP_SRAM] = XipSram()

    def _block(
        self,
        name: str,
        inner: Peripheral,
        *,
        reset_bit: int = 0,
        stored: Mapping[int, int] | None = None,
        written: Callable[[int], None] | None = None,
    ) -> Block:
        return Block(name, inner, self.resets, reset_bit, dict(stored or {}), written)

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
        if not self._make.has_flash:
            self.emulator.flash[:FLASH_BYTES] = bytes([0xFF]) * FLASH_BYTES
