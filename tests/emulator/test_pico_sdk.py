"""What is the SDK's own in the images on the Pico SDK, and that the rest is as without it.

Most of what these images do is tested where the others are: the fixtures there run on both. Registers are
compared with the RP2040 datasheet; sections are named beside each check.
"""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from hil.chip.chip_board import ChipBoard
from keyc.image.firmware import build_uf2, uf2_of_elf
from keyc.image.identity import Image
from keyc.image.pico import find_sdk, linked_on_sdk, project_files
from keyc.image.toolchain import WARNINGS
from keyc.image.uf2 import BOOT2_BYTES, crc32_mpeg2
from keyc.keyboard import UsbBoot
from keyc.write import write_files
from tests.emulator.test_images import FIRST_KEY, KEYBOARD, LINES, ROWS, WIRING, board_with, finger, held_in
from tests.keyc.hand_made import key, keyboard_of, wiring_of
from tests.pico_sdk import WHY_NOT, image_of

if WHY_NOT:
    pytest.skip(f"the whole group of --runtime sdk: {WHY_NOT}", allow_module_level=True)
IMAGES: tuple[Image, ...] = ("daily", "bench", "trial")
UNUSED_PIN = 20
# Lit while both rows are driven: at rest.
LAMP = """#include "own.h"
#include "hardware/gpio.h"

void keyc_own_begin(void)
{
    gpio_init(PIN);
    gpio_set_dir(PIN, true);
}

void keyc_own_step(void)
{
    gpio_put(PIN, !gpio_get(2) && !gpio_get(3));
}
"""


@pytest.mark.parametrize("image", IMAGES)
def test_clocks_and_pads(image: Image) -> None:
    board = board_with(image_of(image, "sdk"))
    chip = board.chip
    assert (chip.clock_hz("ref"), chip.clock_hz("sys")) == (12_000_000, 125_000_000)
    assert chip.clock_hz("usb") == 48_000_000
    for pin in range(30):
        if image == "bench" or LINES >> pin & 1:
            assert chip.pad(pin) == 0x4A, "2.19.6.3: input on, pull-up, Schmitt trigger, 2 mA, slow slew"
        else:
            assert not chip.pad(pin) & 0x08, "no pull-up was switched on"
    assert chip.warnings == []
    assert chip.drives.violations == []


@pytest.mark.parametrize("image", IMAGES)
def test_the_host_reads_the_same_bytes_as_without_the_sdk(image: Image) -> None:
    bare, sdk = (board_with(image_of(image, runtime)) for runtime in ("bare", "sdk"))
    assert bare.host.device == sdk.host.device, "every descriptor, and every string"
    if image == "daily":
        told: list[list[tuple[str, bytes]]] = []
        for board in (bare, sdk):
            board.reports()
            for switches in (
                ("SW1",),
                ("SW1", "SW2"),
                ("SW2",),
                (),
                ("SW13",),
                ("SW13", "SW1"),
                ("SW13",),
                (),
            ):
                board.set_closed(frozenset(switches))
                board.advance(12_000)
            told.append([(which, payload) for _, which, payload in board.reports()])
        assert told[0] == told[1]
        assert len(told[0]) == 6


def test_a_line_may_fall_while_the_lines_are_being_armed() -> None:
    """Every request wakes the chip out of its rest, and it arms them anew: looked at in steps of 6 us."""
    board = board_with(image_of("daily", "sdk"))
    for after_us in range(0, 180, 6):
        board.host.control(0xA1, 2, 0, 0, 1)
        board.chip.run_us(after_us)
        assert held_in(finger(board, "SW1")[-1]) == {FIRST_KEY}, after_us
        assert held_in(finger(board)[-1]) == set(), after_us


def test_usb_boot_and_back() -> None:
    keyboard = keyboard_of(WIRING, [key(FIRST_KEY), key(FIRST_KEY + 1), UsbBoot()])
    board = board_with(build_uf2(keyboard, "daily", runtime="sdk").bytes)
    finger(board, "SW3")
    finger(board)
    board.advance(1_000_000)
    assert board.shows_drive
    restarts = board.chip.restarts
    board.chip.run_us(12_000_000)
    assert board.shows_drive, "4.7: no watchdog was left behind"
    assert board.chip.restarts == restarts
    board.copy_image()
    assert held_in(finger(board, "SW1")[-1]) == {FIRST_KEY}


def test_a_b1_enumerates_behind_a_busy_hub_and_gets_gpio15_back() -> None:
    """Erratum E5: PICO_RP2040_USB_DEVICE_ENUMERATION_FIX, which the SDK leaves off, is on."""
    wiring = wiring_of(rows=(2, 15), columns=(6, 7), direct=())
    keyboard = keyboard_of(wiring, [key(FIRST_KEY + n) for n in range(4)])
    board = ChipBoard(build_uf2(keyboard, "daily", runtime="sdk").bytes, wiring)
    board.chip.revision = 1
    board.power_on()
    board.chip.busy_hub = True
    board.plug()
    assert board.connected
    board.reports()
    assert held_in(finger(board, "SW3")[-1]) == {FIRST_KEY + 2}, "its row works as before"
    assert board.chip.drives.violations == []


def test_the_second_stage_is_the_one_that_every_flash_chip_understands() -> None:
    first = image_of("daily", "sdk")[32 : 32 + 256]
    assert crc32_mpeg2(first[:BOOT2_BYTES]) == int.from_bytes(first[BOOT2_BYTES:], "little")
    assert bytes.fromhex("18020003") in first, "4.10.13: command 03h, 8 bits, an address of 24"


def test_the_same_bytes_wherever_it_is_built(tmp_path: Path) -> None:
    built = []
    for name in ("here", "some other place"):
        folder = tmp_path / name
        folder.mkdir()
        elf = linked_on_sdk(find_sdk(), KEYBOARD, "daily", folder, lambda _: None)
        built.append(uf2_of_elf(elf, name).bytes)
    assert built[0] == built[1] == image_of("daily", "sdk")


def test_what_a_user_adds(tmp_path: Path) -> None:
    """Code and a pin of one's own: it runs, and the keyboard works beside it."""
    sdk = find_sdk()
    source = tmp_path / "source"
    source.mkdir()
    (source / "own.cmake").write_text("target_sources(handmade_daily PRIVATE lamp.c)\n")
    (source / "lamp.c").write_text(LAMP.replace("PIN", str(UNUSED_PIN)))
    assert KEYBOARD.stem == "handmade"
    elf = linked_on_sdk(sdk, KEYBOARD, "daily", tmp_path, lambda _: None)
    board = board_with(uf2_of_elf(elf, "own").bytes)
    board.advance(20_000)
    # The emulator's pins note whatever is driven high; nothing but this lamp may be.
    assert {(one.pin, one.what) for one in board.chip.drives.violations} == {(UNUSED_PIN, "driven high")}
    assert board.chip.gpio_state.driven_low & ROWS == ROWS
    assert held_in(finger(board, "SW1")[-1]) == {FIRST_KEY}
    assert held_in(finger(board)[-1]) == set()


def test_the_port_is_clean_under_the_houses_warnings(tmp_path: Path) -> None:
    """With the headers of the SDK and TinyUSB taken for the system's."""
    sdk, build = find_sdk(), tmp_path / "build"
    write_files(tmp_path, project_files(KEYBOARD))
    arguments = ["-G", sdk.generator, "-S", str(tmp_path), "-B", str(build)]
    options = [f"-DPICO_SDK_PATH={sdk.folder}", "-DCMAKE_EXPORT_COMPILE_COMMANDS=1", "-DKEYC_PROGRAM=OFF"]
    subprocess.run([sdk.cmake, *arguments, *options], check=True, capture_output=True)
    checked = set()
    for entry in json.loads((build / "compile_commands.json").read_text()):
        file = Path(entry["file"])
        if file.parent != tmp_path or file.suffix != ".c" or file.name in checked:
            continue
        checked.add(file.name)
        command = re.sub(r"-I(?=\S*(?:build|sdk)/)", "-isystem ", entry["command"])
        done = subprocess.run(
            f"{command} {' '.join(WARNINGS)} -fsyntax-only",
            shell=True,
            cwd=entry["directory"],
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, ""), file.name
    own = {"main_keys.c", "main_bench.c", "bench_work.c", "rp2040_trial.c"}
    assert {"sdk_chip.c", "sdk_usb.c", *own} <= checked
