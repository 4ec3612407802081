"""Images as files: UF2 blocks read by uf2utils, ELF files by pyelftools, the second stage's check sum."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
from collections import Counter
from importlib.util import find_spec
from pathlib import Path
from shutil import which

import pytest
from elftools.elf.elffile import ELFFile
from uf2utils.family import Family
from uf2utils.file import UF2File

from keyc.diagnostics import UserError
from keyc.files import shipped
from keyc.fingerprints import Fingerprints, fingerprints
from keyc.image.elf import FLASH_ORIGIN, RAM_ORIGIN, Segment
from keyc.image.firmware import build_uf2
from keyc.image.identity import IMAGES, Image, device_version, image_source, tells_keymap, usb_id_of
from keyc.image.toolchain import find_compiler
from keyc.image.uf2 import BOOT2_BYTES, crc32_mpeg2, uf2_of
from keyc.keyboard import LayerHeld
from tests.keyc.c_compilers import every_compiler
from tests.keyc.hand_made import key, keyboard_of, media, wiring_of
from tests.keymaps import keyboard_in_file

KEYBOARD = keyboard_of(wiring_of(), [key(4), media(0xE9), key(5, 0xE1), LayerHeld("upper")], [key(6)])
COMPILERS = [
    name
    for name, there in (("zig", find_spec("ziglang") is not None), ("gcc", bool(which("arm-none-eabi-gcc"))))
    if there
]
needs_a_compiler = pytest.mark.skipif(not COMPILERS, reason="no C compiler for the chip")


def memory_of(uf2: bytes, tmp_path: Path) -> dict[int, bytes]:
    """Payloads by address, as uf2utils reads the file."""
    file = tmp_path / "image.uf2"
    file.write_bytes(uf2)
    return {block.header.address: bytes(block.payload) for block in UF2File(str(file))}


# --- UF2


def test_blocks_as_uf2utils_reads_them(tmp_path: Path) -> None:
    data = bytes(range(256)) * 2 + b"end"
    uf2 = uf2_of([Segment(0x20000000, data), Segment(0x20000400, b"more")])
    file = tmp_path / "some.uf2"
    file.write_bytes(uf2)
    blocks = list(UF2File(str(file)))
    assert len(uf2) == 512 * len(blocks) == 512 * 4
    for number, block in enumerate(blocks):
        header = block.header
        assert (header.block_number, header.total_blocks) == (number, 4)
        assert header.flags == 0x2000
        assert header.family.id == Family.byName("RP2040").id == 0xE48BFF56
        assert len(block.payload) == 256
    payloads = b"".join(bytes(block.payload) for block in blocks)
    assert payloads[:515] == data
    assert payloads[515:768] == bytes(253)
    assert payloads[768:].rstrip(b"\0") == b"more"


def test_segments_that_share_a_block_share_it() -> None:
    uf2 = uf2_of([Segment(0x10000000, b"a" * 200), Segment(0x100000F0, b"b" * 16)])
    assert len(uf2) == 512
    assert uf2[32:288] == b"a" * 200 + bytes(40) + b"b" * 16


# --- the second stage's check sum


def test_crc_check_value() -> None:
    # CRC-32/MPEG-2 in the catalogue of parametrised CRC algorithms (reveng): check 0x0376E6E7.
    assert crc32_mpeg2(b"123456789") == 0x0376E6E7


def test_crc_of_a_message_with_its_crc_is_zero() -> None:
    # True of every CRC without a final inversion: the remainder is appended, highest byte first.
    message = b"any bytes at all"
    assert crc32_mpeg2(message + struct.pack(">I", crc32_mpeg2(message))) == 0


# --- images


@needs_a_compiler
@pytest.mark.parametrize("compiler", COMPILERS)
def test_the_demo_keyboards_daily_image_is_small(compiler: str, tmp_path: Path) -> None:
    (file,) = shipped("data", "demo").glob("*.keys")
    keyboard = keyboard_in_file(file)
    assert 20 <= len(keyboard.wiring.switches) <= 30
    built = build_uf2(keyboard, "daily", compiler)
    assert built.sizes.flash <= 8192
    assert built.sizes.ram + built.sizes.stack <= 2048
    # The same from the ELF file's sections, read by pyelftools.
    elf = ELFFile(io.BytesIO(built.elf))
    sections = [section for section in elf.iter_sections() if section["sh_flags"] & 2]
    in_flash = [s for s in sections if s["sh_type"] != "SHT_NOBITS" and s["sh_addr"] < RAM_ORIGIN]
    assert built.sizes.flash == max(s["sh_addr"] + s["sh_size"] for s in in_flash) - FLASH_ORIGIN
    in_ram = [s for s in sections if s["sh_addr"] >= RAM_ORIGIN]
    assert built.sizes.ram == max(s["sh_addr"] + s["sh_size"] for s in in_ram) - RAM_ORIGIN
    memory = memory_of(built.bytes, tmp_path)
    assert min(memory) == FLASH_ORIGIN
    assert len(memory) == -(-built.sizes.flash // 256)


@needs_a_compiler
@pytest.mark.parametrize("compiler", COMPILERS)
def test_a_daily_image_begins_with_a_second_stage_that_the_rom_takes(compiler: str, tmp_path: Path) -> None:
    first = memory_of(build_uf2(KEYBOARD, "daily", compiler).bytes, tmp_path)[FLASH_ORIGIN]
    boot2, (crc,) = first[:BOOT2_BYTES], struct.unpack("<I", first[BOOT2_BYTES:])
    assert crc == crc32_mpeg2(boot2)
    assert any(boot2)
    assert struct.pack("<I", 0x03000218) in boot2, "command 03h, 8 bits, an address of 24: datasheet 4.10.13"


@needs_a_compiler
@pytest.mark.parametrize("compiler", COMPILERS)
def test_a_bench_image_begins_with_code_and_its_vectors_are_aligned(compiler: str, tmp_path: Path) -> None:
    for keyboard in (None, KEYBOARD):
        built = build_uf2(keyboard, "bench", compiler)
        memory = memory_of(built.bytes, tmp_path)
        assert min(memory) == RAM_ORIGIN
        assert max(memory) < 0x20040000
        stack, start = struct.unpack("<2I", memory[RAM_ORIGIN + 256][:8])
        assert stack == 0x20042000
        assert start & 1, "Thumb"
        assert RAM_ORIGIN < start < RAM_ORIGIN + built.sizes.ram
        assert built.sizes.flash == 0


@needs_a_compiler
@pytest.mark.parametrize("image", ["daily", "bench", "trial"])
def test_each_image_carries_its_fingerprints_and_identity(image: Image, tmp_path: Path) -> None:
    whole = b"".join(memory_of(build_uf2(KEYBOARD, image).bytes, tmp_path).values())
    prints = fingerprints(KEYBOARD)
    assert bytes.fromhex(prints.wiring + prints.keymap + prints.engine) in whole
    titles = {"daily": "Handmade", "bench": "Handmade (bench)", "trial": "Handmade (trial, with a console)"}
    title = titles[image]
    assert bytes([2 + 2 * len(title), 3]) + title.encode("utf-16-le") in whole
    other = build_uf2(KEYBOARD.replaced(title="Another"), image).bytes
    assert whole != b"".join(memory_of(other, tmp_path).values())


@needs_a_compiler
def test_the_daily_image_has_nothing_of_a_console(tmp_path: Path) -> None:
    built = build_uf2(KEYBOARD, "daily")
    names = {s.name for s in ELFFile(io.BytesIO(built.elf)).iter_sections()}
    assert ".boot2" in names
    whole = b"".join(memory_of(built.bytes, tmp_path).values())
    assert bytes.fromhex("05 24 00 20 01") not in whole, "the header descriptor of CDC 1.2, 5.2.3.1"
    bench = b"".join(memory_of(build_uf2(KEYBOARD, "bench").bytes, tmp_path).values())
    assert bytes.fromhex("05 24 00 20 01") in bench
    assert bytes.fromhex("05 01 09 06 a1 01") not in bench, "a report descriptor of a keyboard"


@needs_a_compiler
@pytest.mark.parametrize("compiler", COMPILERS)
def test_the_same_bytes_on_every_run(compiler: str, tmp_path: Path) -> None:
    script = (
        "import sys\n"
        "from keyc.image.firmware import build_uf2\nfrom tests.keyc.test_firmware import KEYBOARD\n"
        "built = [build_uf2(KEYBOARD, image, sys.argv[1]) for image in ('daily', 'bench', 'trial')]\n"
        "sys.stdout.buffer.write(b''.join(one.bytes for one in built))"
    )
    builds = set()
    for seed in ("1", "2"):
        folder = tmp_path / seed
        folder.mkdir()
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TMPDIR": str(folder), "KEYC_CACHE": str(folder)}
        environment.pop("ZIG_GLOBAL_CACHE_DIR", None)
        done = subprocess.run(
            [sys.executable, "-c", script, compiler], env=environment, capture_output=True, check=True
        )
        assert str(folder).encode() not in done.stdout
        builds.add(done.stdout)
    assert len(builds) == 1


@needs_a_compiler
@pytest.mark.parametrize(
    "title",
    [
        '"quoted" \\',
        "*/ #error no",
        "{{ 7 * 7 }}",
        "x" * 300,
        "☂" * 126,
        "\N{KEYBOARD}\N{MUSICAL SYMBOL G CLEF}" * 90,
    ],
)
def test_titles_stay_titles(title: str, tmp_path: Path) -> None:
    keyboard = KEYBOARD.replaced(title=title, maker=title)
    whole = b"".join(memory_of(build_uf2(keyboard, "bench").bytes, tmp_path).values())
    kept = title.encode("utf-16-le")[: 2 * (126 - len(" (bench)"))].decode("utf-16-le", "ignore")
    text = (kept + " (bench)").encode("utf-16-le")
    assert bytes([2 + len(text), 3]) + text in whole


def test_the_image_source_names_no_path_and_no_date() -> None:
    source = image_source(KEYBOARD, "daily")
    assert "keyc_usb_keyboard_and_controls" in source, "this keymap has a consumer key"
    assert source.splitlines()[0].startswith("/* Made by keyc ")
    assert "/" not in source.splitlines()[0].strip("/* ")
    plain = keyboard_of(wiring_of(), [key(4)])
    assert "keyc_usb_keyboard_and_controls" not in image_source(plain, "daily")
    assert "0x00000000u" in image_source(None, "bench")


def test_each_image_may_have_an_id_of_its_own() -> None:
    own = KEYBOARD.replaced(bench_usb=(0x1209, 0x5A18), trial_usb=(0x1209, 0x5A19))
    assert [usb_id_of(own, image)[1] for image in ("daily", "bench", "trial")] == [
        KEYBOARD.usb_product,
        0x5A18,
        0x5A19,
    ]
    assert "0x1209, 0x5A19, 0x3" in image_source(own, "trial")
    assert len({usb_id_of(KEYBOARD, image) for image in ("daily", "bench", "trial")}) == 1


def test_the_device_version_tells_image_and_keymap() -> None:
    """Four decimal digits (USB 2.0, 9.6.1); three are the sum of the fingerprints, modulo 1000."""
    prints = Fingerprints("0000000003e7", "0000000007d0", "00000000000a")  # 999, 2000, 10
    versions = [device_version(image, prints) for image in IMAGES]
    assert versions == [0x1009, 0x2009, 0x3009]
    assert all(map(tells_keymap, versions))
    assert not any(map(tells_keymap, (0x0100, 0x0200, 0x100A, 0x4100, 0xFFFF)))


def test_keymaps_and_wirings_that_differ_have_the_same_digits_once_in_1000() -> None:
    """900 keyboards make 404,550 pairs: 405 alike, with a spread of 20 (binomial, from memory); were one
    digit fewer of use it would be ten times as many."""
    keymaps = [keyboard_of(wiring_of(), [key(a), key(b)]) for a in range(4, 34) for b in range(4, 34)]
    pins = range(30)
    wirings = [keyboard_of(wiring_of((a,), (b,), direct=()), [key(4)]) for a in pins for b in pins if a != b]
    for keyboards in (keymaps, wirings):
        counts = Counter(device_version("daily", fingerprints(one)) for one in keyboards)
        alike = sum(count * (count - 1) // 2 for count in counts.values())
        assert 200 < alike < 600, alike


# --- compilers


def test_a_daily_image_of_nothing_is_refused() -> None:
    with pytest.raises(UserError) as raised:
        build_uf2(None, "daily")
    assert raised.value.exit_status == 2


def test_no_compiler_is_said_with_the_mend(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("keyc.image.toolchain.find_spec", lambda _: None)
    monkeypatch.setenv("PATH", "")
    for wanted in (None, "zig", "gcc", "/nowhere/arm-none-eabi-gcc"):
        with pytest.raises(UserError) as raised:
            find_compiler(wanted)
        assert raised.value.exit_status == 3
        assert 'pip install "keyc[image]"' in str(raised.value.help)


@pytest.mark.skipif(not which("arm-none-eabi-gcc"), reason="no arm-none-eabi-gcc")
def test_the_systems_compiler_is_found_when_there_is_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("keyc.image.toolchain.find_spec", lambda _: None)
    assert find_compiler().name == "arm-none-eabi-gcc"


def test_a_compiler_that_fails_is_told_with_what_it_said(tmp_path: Path) -> None:
    fake = tmp_path / "broken-gcc"
    fake.write_text("#!/bin/sh\necho 'no room left' >&2\nexit 1\n", encoding="utf-8")
    fake.chmod(0o755)
    with pytest.raises(UserError) as raised:
        build_uf2(None, "bench", str(fake))
    assert raised.value.exit_status == 3
    assert "no room left" in raised.value.message


@pytest.mark.parametrize("name", list(every_compiler()))
def test_the_usb_logic_is_clean_under_every_compiler(name: str, tmp_path: Path) -> None:
    """It runs on this computer too, so every compiler has to take it; house rules name the warnings."""
    from tests.keyc.c_compilers import compile_objects

    folder = shipped("templates", "engine")
    files = [str(path) for path in sorted(folder.glob("engine_usb*.c"))]
    assert len(files) == 4
    assert compile_objects(every_compiler()[name], tmp_path, files, f"-I{folder}") == ""
