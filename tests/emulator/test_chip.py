"""The adapter over the emulator: what it mends, and what the board does to the pins.

A chip that sleeps in an image of five instructions is played like an instrument: registers are written
from outside, as a debugger would. Register addresses and bits: RP2040 datasheet, chapters 2.3.1 (SIO),
2.14 (RESETS), 2.15 (CLOCKS), 2.18 (PLL), 2.19 (GPIO) and 4.6 (TIMER).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.board import Reading, Table
from hil.chip.chip import Chip, ChipWarning
from hil.chip.mass_storage import MassStorage
from hil.chip.usb_host import UsbHost
from keyc.pins import GPIO_COUNT
from tests.emulator import assembled

RESETS, SET, CLEAR = 0x4000C000, 0x2000, 0x3000
IO_BANK0, PADS_BANK0, TIMER, SIO = 0x40014000, 0x4001C000, 0x40054000, 0xD0000000
GPIO_IN, OUT_SET, OE_SET, OE_CLR = SIO + 0x04, SIO + 0x14, SIO + 0x24, SIO + 0x28
TIMERAWL, INTR = TIMER + 0x28, TIMER + 0x34
PULLED_UP, PULLED_DOWN, FLOATING, KEEPER = 0x4A, 0x46, 0x42, 0x4E  # input on, Schmitt trigger
RISE_US = 7


def table(**changes: object) -> Table:
    """A bare board: a driven line reads low, all others high; rises take 7 us."""
    bare = Table(
        at_rest=Reading(0),
        pulled_down=Reading((1 << GPIO_COUNT) - 1),
        driven=tuple(Reading(1 << pin) for pin in range(GPIO_COUNT)),
        held_high=0,
        rise_ns=(1000 * RISE_US,) * GPIO_COUNT,
    )
    return replace(bare, **changes)  # type: ignore[arg-type]


def driven(rows: dict[int, int]) -> tuple[Reading, ...]:
    return tuple(Reading(rows.get(pin, 1 << pin)) for pin in range(GPIO_COUNT))


@pytest.fixture
def chip() -> Chip:
    """Asleep, every block out of reset, every pin an input on SIO with its pull-up."""
    chip = Chip()
    chip.hold_bootsel(True)
    chip.power_on()
    host = UsbHost(chip)
    host.enumerate()
    chip.hold_bootsel(False)
    MassStorage(host).write_uf2(assembled.uf2(0x20000000, assembled.MARK_AND_SLEEP))
    host.wait_detached()
    chip.set_table(table())
    chip.run_us(1000)
    chip.write_register(RESETS, 0)
    for pin in range(GPIO_COUNT):
        chip.write_register(IO_BANK0 + 8 * pin + 4, 5)
        chip.write_register(PADS_BANK0 + 4 + 4 * pin, PULLED_UP)
    chip.run_us(100)
    return chip


def levels(chip: Chip) -> int:
    return chip.read_register(GPIO_IN)


ALL = (1 << GPIO_COUNT) - 1


# --- power and reset


def test_ram_holds_other_junk_at_every_power_on() -> None:
    chip = Chip()
    seen = set()
    for _ in range(3):
        chip.power_on()
        seen.add(tuple(chip.read_register(0x20000000 + 4 * word) for word in range(64)))
    assert len(seen) == 3
    assert all(len(set(words)) > 60 for words in seen)


def test_blocks_come_out_of_power_on_in_reset() -> None:
    chip = Chip()
    chip.power_on()
    assert chip.blocks_in_reset == 0x01FFFFFF  # 2.14.3: reset value of RESETS.RESET


def test_a_block_in_reset_takes_nothing(chip: Chip) -> None:
    chip.write_register(RESETS + SET, 1 << 21)
    assert chip.read_register(RESETS + 8) & 1 << 21 == 0
    chip.write_register(TIMER + 0x10, 5)
    with pytest.raises(ChipWarning, match="RESETS"):
        chip.run_us(1)
    chip.run_us(1)  # told once


def test_reset_gives_pads_their_reset_value(chip: Chip) -> None:
    chip.write_register(RESETS + SET, 1 << 8)
    chip.write_register(RESETS + CLEAR, 1 << 8)
    assert chip.pad(3) == 0x56  # 2.19.6.3
    assert chip.read_register(PADS_BANK0 + 4 + 4 * 3) == 0x56


def test_the_power_can_go_and_time_goes_on(chip: Chip) -> None:
    before = chip.now_us
    chip.power_off()
    chip.run_us(5000)
    assert chip.now_us == pytest.approx(before + 5000, abs=1)
    with pytest.raises(RuntimeError, match="no power"):
        chip.read_register(0)
    chip.power_on()
    assert chip.now_us == pytest.approx(before + 5000, abs=1)


def test_a_pin_bridged_to_run_restarts_the_chip(chip: Chip) -> None:
    chip.set_table(table(resets=1 << 16))
    chip.write_register(OE_SET, 1 << 15)
    chip.run_us(100)
    assert chip.gpio_state.driven_low == 1 << 15
    chip.write_register(OE_SET, 1 << 16)
    chip.run_us(100)
    assert chip.gpio_state.driven_low == 0
    assert chip.blocks_in_reset != 0
    assert chip.read_register(assembled.MARKER_ADDRESS) == assembled.MARKER, "RAM outlives RUN"


def test_run_tied_low_never_starts() -> None:
    chip = Chip()
    chip.set_table(table(resets=ALL))
    chip.power_on()
    chip.run_us(1000)
    assert not chip.running
    chip.set_table(table())
    assert chip.running


# --- timer


@pytest.mark.parametrize("part_ns", [0, 8, 248, 504, 992])
def test_an_alarm_never_fires_early(chip: Chip, part_ns: int) -> None:
    # 4.6.3: the alarm fires when the count matches, so the count is there when the interrupt is.
    since_tick = chip.now_ns % 1000
    chip.run_us((1000 - since_tick + part_ns) / 1000)
    now = chip.read_register(TIMERAWL)
    target = now + 12
    chip.write_register(TIMER + 0x10, target)
    while not chip.read_register(INTR) & 1:
        assert chip.read_register(TIMERAWL) < target
        chip.run_us(0.008)
    assert chip.read_register(TIMERAWL) == target


def test_the_timer_counts_microseconds(chip: Chip) -> None:
    first = chip.read_register(TIMERAWL)
    chip.run_us(123_456)
    assert chip.read_register(TIMERAWL) - first in (123_455, 123_456, 123_457)


# --- clocks


def test_clocks_are_what_the_registers_ask_for(chip: Chip) -> None:
    # Datasheet 2.18.2.1, worked example: 12 MHz / 1 * 125 / (6 * 2) = 125 MHz.
    assert chip.clock_hz("usb") == 0
    chip.write_register(0x40024000, 0x00FABAA0)  # XOSC on
    for base, feedback, dividers in ((0x40028000, 125, 0x62000), (0x4002C000, 100, 0x55000)):
        chip.write_register(base + 0x8, feedback)
        assert chip.read_register(base) >> 31 == 0, "not locked while powered down"
        chip.write_register(base + 0x4, 0x04)  # all on but the delta-sigma modulator
        assert chip.read_register(base) >> 31 == 1
        chip.write_register(base + 0xC, dividers)
    chip.write_register(0x40008030, 2)
    chip.write_register(0x4000803C, 1)
    chip.write_register(0x40008054, 1 << 11)
    chip.run_us(1)
    assert chip.clock_hz("ref") == 12_000_000
    assert chip.clock_hz("sys") == 125_000_000
    assert chip.clock_hz("usb") == 48_000_000
    with pytest.raises(ValueError, match="no clock"):
        chip.clock_hz("tide")


# --- lines


def test_at_rest_every_line_follows_its_pull(chip: Chip) -> None:
    assert levels(chip) == ALL
    chip.write_register(PADS_BANK0 + 4 + 4 * 9, PULLED_DOWN)
    chip.run_us(RISE_US + 1)
    assert levels(chip) == ALL & ~(1 << 9)


@pytest.mark.parametrize("pads", [FLOATING, KEEPER])
def test_without_one_pull_a_line_keeps_its_level(chip: Chip, pads: int) -> None:
    # 2.19.4.1: both pulls are the bus keeper.
    chip.write_register(PADS_BANK0 + 4 + 4 * 9, pads)
    chip.write_register(PADS_BANK0 + 4 + 4 * 8, PULLED_DOWN)
    chip.run_us(RISE_US + 1)
    chip.write_register(PADS_BANK0 + 4 + 4 * 8, pads)
    chip.run_us(100)
    assert levels(chip) == ALL & ~(1 << 8)


def test_a_driven_line_takes_along_what_the_board_joins_to_it(chip: Chip) -> None:
    chip.set_table(table(driven=driven({2: 0b1100, 3: 0b1100, 10: 1 << 10 | 1 << 20})))
    chip.write_register(OE_SET, 1 << 2)
    assert levels(chip) == ALL & ~0b1100, "at once"
    chip.write_register(OE_SET, 1 << 10)
    assert levels(chip) == ALL & ~(0b1100 | 1 << 10 | 1 << 20), "several at a time: the union"
    assert chip.gpio_state.driven_low == 1 << 2 | 1 << 10


def test_a_line_that_is_let_go_rises_after_its_time(chip: Chip) -> None:
    chip.write_register(OE_SET, 1 << 2)
    chip.run_us(10)
    chip.write_register(OE_CLR, 1 << 2)
    chip.run_us(RISE_US - 0.1)
    assert not levels(chip) & 1 << 2
    chip.run_us(0.2)
    assert levels(chip) & 1 << 2


def test_a_rise_that_is_interrupted_begins_anew(chip: Chip) -> None:
    chip.write_register(OE_SET, 1 << 2)
    chip.write_register(OE_CLR, 1 << 2)
    chip.run_us(RISE_US - 1)
    chip.write_register(OE_SET, 1 << 2)
    chip.run_us(5)
    assert not levels(chip) & 1 << 2
    chip.write_register(OE_CLR, 1 << 2)
    chip.run_us(RISE_US - 1)
    assert not levels(chip) & 1 << 2
    chip.run_us(2)
    assert levels(chip) & 1 << 2


def test_a_line_that_is_held_high_reads_high_although_driven(chip: Chip) -> None:
    chip.set_table(table(held_high=1 << 4, driven=driven({4: 0})))
    chip.write_register(OE_SET, 1 << 4)
    chip.run_us(20)
    assert levels(chip) & 1 << 4


def test_a_line_tied_high_stays_high_against_its_pull_down(chip: Chip) -> None:
    chip.set_table(table(held_high=1 << 4, pulled_down=Reading(ALL & ~(1 << 4))))
    for pin in (4, 5):
        chip.write_register(PADS_BANK0 + 4 + 4 * pin, PULLED_DOWN)
    chip.run_us(RISE_US + 1)
    assert levels(chip) & 0b110000 == 0b010000


def test_a_switch_to_ground_reads_low_with_nothing_driven(chip: Chip) -> None:
    chip.set_table(table(at_rest=Reading(1 << 22)))
    assert levels(chip) == ALL & ~(1 << 22)


def test_inputs_that_are_off_read_low(chip: Chip) -> None:
    chip.write_register(PADS_BANK0 + 4 + 4 * 26, 0x0A)  # the ADC pins start like this after the ROM
    assert levels(chip) == ALL & ~(1 << 26)


def test_a_pad_with_its_output_off_drives_nothing(chip: Chip) -> None:
    chip.write_register(PADS_BANK0 + 4 + 4 * 6, PULLED_UP | 0x80)
    chip.write_register(OE_SET, 1 << 6)
    assert levels(chip) == ALL
    assert chip.gpio_state.driven_low == 0


def test_edges_and_levels_reach_the_interrupt_registers_once(chip: Chip) -> None:
    # 2.19.3: INTR0 has four bits a pin: level low, level high, edge low, edge high.
    chip.write_register(IO_BANK0 + 0xF0, 0xFFFFFFFF)
    assert chip.read_register(IO_BANK0 + 0xF0) >> 8 & 0xF == 0b0010
    chip.set_table(table())  # the same again is no edge
    chip.run_us(100)
    assert chip.read_register(IO_BANK0 + 0xF0) >> 8 & 0xF == 0b0010
    chip.set_table(table(at_rest=Reading(1 << 2)))
    assert chip.read_register(IO_BANK0 + 0xF0) >> 8 & 0xF == 0b0101
    chip.set_table(table())
    chip.run_us(RISE_US + 1)
    assert chip.read_register(IO_BANK0 + 0xF0) >> 8 & 0xF == 0b1110


def test_a_reset_of_the_pins_leaves_no_edge_behind(chip: Chip) -> None:
    chip.write_register(RESETS + SET, 1 << 5)
    chip.write_register(RESETS + CLEAR, 1 << 5)
    assert chip.read_register(IO_BANK0 + 0xF0) == 0x22222222, "levels only: eight lines high"


def test_what_no_image_may_do_is_noted(chip: Chip) -> None:
    chip.drives.limit_us = 20
    assert chip.drives.violations == []
    chip.write_register(OE_SET, 1 << 2)
    chip.run_us(19)
    chip.write_register(OE_CLR, 1 << 2)
    assert chip.drives.violations == []
    assert chip.drives.longest_us[2] == pytest.approx(19, abs=0.1)
    chip.write_register(OE_SET, 1 << 3)
    chip.run_us(25)
    chip.write_register(OE_CLR, 1 << 3)
    chip.write_register(OUT_SET, 1 << 7)
    chip.write_register(OE_SET, 1 << 7)
    chip.write_register(IO_BANK0 + 8 * 11 + 4, 2)
    assert [(v.pin, v.what.split(" for")[0]) for v in chip.drives.violations] == [
        (3, "driven low"),
        (7, "driven high"),
        (11, "given to function 2"),
    ]


def test_the_same_run_gives_the_same_times() -> None:
    def log() -> list[object]:
        chip = Chip(seed=5)
        chip.hold_bootsel(True)
        chip.power_on()
        host = UsbHost(chip)
        host.enumerate()
        moments: list[object] = [chip.now_ns]
        MassStorage(host).write_uf2(assembled.uf2(0x20000000, assembled.MARK_AND_SLEEP))
        moments.append(chip.now_ns)
        host.wait_detached()
        moments += [chip.now_ns, host.naks, chip.read_register(0x20000100)]
        return moments

    assert log() == log()


def test_time_comes_to_an_end_however_it_rounds() -> None:
    """Time runs on over power cycles; no moment may lie between what two sums of floats can say."""
    chip = Chip()
    for off_us in (0.1, 1_234.567, 3_000_000.3):
        chip.power_off()
        chip.run_us(off_us)
        chip.power_on()
        for _ in range(300):
            moment_ns = chip.now_ns + 46_666.6666
            chip.run_until_ns(moment_ns)
            assert chip.now_ns >= moment_ns
    chip.power_off()
