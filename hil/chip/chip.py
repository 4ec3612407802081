"""An emulated RP2040 behind one adapter: nothing but `chip`, `powered`, `blocks` and `lines` knows
of `rp2040py`.

An image meets registers, timer, USB and pins as in the datasheet: `powered` and `blocks` mend what
the emulator does otherwise, in `lines` the board answers. What nobody models stays unproven by any test
here: clock start-up, flash timing, the USB transceiver, the input synchroniser, the second core, and
electricity beyond `hil/board.py`.

Power comes on at the boot ROM's reset vector, with junk in RAM. Any complaint of the emulator about an
access stops the run with `ChipWarning`, because on the chip such an access does something else.
"""

from __future__ import annotations

import random
from math import inf, nextafter

from hil.board import ALL_PINS, Table
from hil.chip.lines import DriveLog, GpioState
from hil.chip.powered import DPRAM_BYTES, FLASH_BYTES, RAM_BYTES, Make, PoweredChip, Tells
from hil.chip.usb_controller import UsbController


class ChipWarning(RuntimeError):
    """The image did something that the chip would not have taken as meant."""


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
        self._powered: PoweredChip | None = None
        self._off_ns = 0.0  # what the time was when the running emulator's clock read 0
        self.warnings: list[str] = []
        self._told = 0  # so many of them have been raised
        self.drives = DriveLog()

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
        self._ram = random.Random(f"{self._seed} {self._power_ons}").randbytes(RAM_BYTES + DPRAM_BYTES)
        self._leave_reset()

    def power_off(self) -> None:
        """Pull the plug. A ROM that something wrote to is found out here."""
        self._enter_reset()
        self._plugged = False

    def _leave_reset(self) -> None:
        if self._table is not None and self._table.resets == ALL_PINS:
            return  # RUN is tied low
        # A new emulator each time: its own reset() leaves the watchdog alone, and its ROM is writable.
        self._powered = PoweredChip(
            Make(self.revision, self.flash_id, self.has_flash, self.busy_hub and self.revision == 1),
            self._flash,
            self._ram,
            Tells(self.drives, lambda: self.now_us, self._complain),
        )
        self._powered.hold_bootsel(self._bootsel)
        if self._table is not None:
            self._powered.lines.set_table(self._table)

    def _enter_reset(self) -> None:
        if self._powered is None:
            return
        self._powered.lines.end_drives()
        powered, self._powered = self._powered, None
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

    def _on(self) -> PoweredChip:
        if self._powered is None:
            raise RuntimeError("the chip has no power, or is held in reset")
        return self._powered

    def _complain(self, what: str) -> None:
        self.warnings.append(what)
