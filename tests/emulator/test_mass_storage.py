"""The ROM's own drive, which is the chip maker's code: what it takes, and what comes up afterwards."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from uf2utils import Family, UF2File

from hil.chip.chip import Chip, ChipWarning
from hil.chip.mass_storage import MassStorage, ScsiError
from hil.chip.usb_host import UsbHost
from tests.emulator import assembled

RAM, FLASH = 0x20000000, 0x10000000


def drive_of(chip: Chip) -> tuple[UsbHost, MassStorage]:
    chip.hold_bootsel(True)
    chip.power_on()
    host = UsbHost(chip)
    host.enumerate()
    chip.hold_bootsel(False)
    return host, MassStorage(host)


def marker(chip: Chip) -> int:
    return chip.read_register(assembled.MARKER_ADDRESS)


def test_the_images_are_uf2(tmp_path: Path) -> None:
    # Reference: the PyPI package uf2utils.
    path = tmp_path / "image.uf2"
    payload = random.Random(3).randbytes(600)
    path.write_bytes(assembled.uf2(FLASH, payload))
    blocks = list(UF2File(str(path)))
    assert [block.header.address for block in blocks] == [FLASH, FLASH + 256, FLASH + 512]
    assert {block.header.board_family for block in blocks} == {Family.byName("RP2040").id}
    assert b"".join(bytes(block.payload) for block in blocks)[:600] == payload


def test_the_drive_says_what_it_is() -> None:
    _, drive = drive_of(Chip())
    inquiry = drive.inquiry()
    assert inquiry[0] & 0x1F == 0, "SPC: peripheral device type 0 is a disk"
    assert inquiry[1] & 0x80, "SPC: RMB, the medium is removable"
    assert drive.is_ready()
    assert drive.capacity() == (262144, 512), "128 MB, RP2040 datasheet 2.8.4.1"
    # UF2 specification: INFO_UF2.TXT names the bootloader, the model and the board.
    info = drive.file("INFO_UF2.TXT").decode()
    assert info.startswith("UF2 Bootloader")
    assert "Board-ID: RPI-RP2" in info


def test_an_unknown_command_is_refused_and_the_drive_goes_on() -> None:
    _, drive = drive_of(Chip())
    with pytest.raises(ScsiError):
        drive._command(bytes((0xEE, *bytes(9))), length_in=36)
    assert drive.is_ready()
    assert drive.capacity()[1] == 512


def test_a_ram_image_starts_and_is_gone_without_power() -> None:
    chip = Chip()
    host, drive = drive_of(chip)
    drive.write_uf2(assembled.uf2(RAM, assembled.MARK_AND_SLEEP))
    host.wait_detached()
    chip.run_us(1000)
    assert marker(chip) == assembled.MARKER
    assert chip.restarts == 1
    chip.power_on()
    chip.run_us(50_000)
    assert marker(chip) != assembled.MARKER
    assert chip.flash.count(0xFF) == len(chip.flash), "the flash was left alone"


def test_a_flash_image_starts_and_stays() -> None:
    chip = Chip()
    host, drive = drive_of(chip)
    image = assembled.second_stage(assembled.MARK_AND_SLEEP) + random.Random(7).randbytes(19 * 256)
    drive.write_uf2(assembled.uf2(FLASH, image))
    host.wait_detached()
    chip.run_us(10_000)
    assert marker(chip) == assembled.MARKER
    assert chip.flash[: len(image)] == image
    chip.power_on()
    chip.run_us(10_000)
    assert marker(chip) == assembled.MARKER


def test_a_bad_checksum_brings_the_drive_back() -> None:
    # RP2040 datasheet 2.8.1.3: without a good checksum the ROM falls through to USB boot.
    chip = Chip()
    host, drive = drive_of(chip)
    drive.write_uf2(assembled.uf2(FLASH, assembled.second_stage(assembled.MARK_AND_SLEEP, crc_mask=1)))
    host.wait_detached()
    device = host.enumerate()
    assert (device.vendor, device.product) == (0x2E8A, 0x0003)
    assert marker(chip) != assembled.MARKER


@pytest.mark.parametrize("how", ["backwards", "twice"])
def test_blocks_in_any_order_or_repeated_do(how: str) -> None:
    chip = Chip()
    host, drive = drive_of(chip)
    image = assembled.MARK_AND_SLEEP + random.Random(8).randbytes(6 * 256)
    blocks = assembled.uf2(RAM, image)
    if how == "backwards":
        drive.write_uf2(blocks, backwards=True)
    else:
        drive.write_uf2(blocks, twice=frozenset({0, 3}))
    host.wait_detached()
    chip.run_us(1000)
    assert marker(chip) == assembled.MARKER


def test_a_missing_block_starts_nothing() -> None:
    chip = Chip()
    host, drive = drive_of(chip)
    image = assembled.MARK_AND_SLEEP + random.Random(9).randbytes(6 * 256)
    drive.write_uf2(assembled.uf2(RAM, image), drop=frozenset({4}))
    host.advance(2_000_000)
    assert host.attached
    assert chip.restarts == 0
    drive.write_uf2(assembled.uf2(RAM, image))  # the whole file again mends it
    host.wait_detached()
    chip.run_us(1000)
    assert marker(chip) == assembled.MARKER


def test_without_a_flash_chip_only_ram_images_start() -> None:
    chip = Chip(has_flash=False)
    host, drive = drive_of(chip)
    drive.write_uf2(assembled.uf2(FLASH, assembled.second_stage(assembled.MARK_AND_SLEEP)))
    host.wait_detached()
    assert host.enumerate().product == 0x0003
    MassStorage(host).write_uf2(assembled.uf2(RAM, assembled.MARK_AND_SLEEP))
    host.wait_detached()
    chip.run_us(1000)
    assert marker(chip) == assembled.MARKER


@pytest.mark.parametrize("code", [assembled.WRITE_TO_NULL, assembled.WRITE_TO_NOTHING])
def test_what_the_chip_would_not_take_is_a_failure(code: bytes) -> None:
    chip = Chip()
    host, drive = drive_of(chip)
    drive.write_uf2(assembled.uf2(RAM, code))
    with pytest.raises(ChipWarning):  # noqa: PT012 - the ROM is looked at when the power goes
        host.wait_detached()
        chip.run_us(1000)
        chip.power_off()
    assert chip.warnings
