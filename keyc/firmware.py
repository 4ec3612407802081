"""Keyboard → C → ELF → UF2: the images that an RP2040 board runs.

`daily` is written to the flash; the chip's ROM runs the others from RAM. `bench` measures and sends no keys
(and needs no keyboard: without one it fits any board), `trial` is the daily keyboard with a console beside
it. The compiler is the one that `pip install "keyc[image]"` brings: its version is pinned, so that the same
keymap gives the same bytes on every machine. `arm-none-eabi-gcc` does as well.

What lies beneath the keyboard is its runtime: `bare` is all of our own, `sdk` Raspberry Pi's Pico SDK and
TinyUSB (see `pico`).
"""

from __future__ import annotations

import builtins
import os
import shutil
import struct
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from keyc import __version__
from keyc.diagnostics import UserError
from keyc.files import shipped
from keyc.keyboard import Keyboard, Wiring

if TYPE_CHECKING:
    from keyc.tables import Fingerprints

Image = Literal["daily", "bench", "trial"]
Runtime = Literal["bare", "sdk"]
IMAGES: tuple[Image, ...] = ("daily", "bench", "trial")
ANY_BOARD_IMAGES: tuple[Image, ...] = ("bench",)  # those that can do without a keyboard
Progress = Callable[[str], None]

FLASH_ORIGIN = 0x10000000
RAM_ORIGIN = 0x20000000
STACKS_ORIGIN = 0x20040000  # the two small banks behind the large ones: nothing but stacks lies there
# RP2040 datasheet 2.8.1.3.1: 252 bytes and their check sum.
BOOT2_BYTES = 252
# What an image may put on its stack, on either runtime; it has a bank of 4 KB to itself with a mark at its
# end. The tests look how deep it really goes: at most 748 bytes, in a trial image with everything on 104
# keys. A daily image of keys and layers alone needs half of what is said here, but not on the Pico SDK, whose
# interrupts take more.
STACK_BYTES = 1024

# https://github.com/microsoft/uf2, README: block layout; the RP2040's family from its utils/uf2families.json.
UF2_BLOCK_BYTES = 512
UF2_PAYLOAD_BYTES = 256
UF2_FAMILY = 0xE48BFF56
_UF2_MAGIC = (0x0A324655, 0x9E5D5157, 0x0AB16F30)
_UF2_FAMILY_GIVEN = 0x2000

# The first of the device version's four digits.
_FIRST_DIGITS = {"daily": 1, "bench": 2, "trial": 3}
# What follows the keyboard's title in the product string.
_TITLE_ENDINGS = {"daily": "", "bench": " (bench)", "trial": " (trial, with a console)"}
# What the keyboard is to USB: [second_reports].
_DEVICES = ("keyc_usb_keyboard", "keyc_usb_keyboard_and_controls", "keyc_usb_keyboard_and_pointer")
# The header that knows the device, and its class.
_USB_CLASSES: dict[Image, tuple[str, str]] = {
    "daily": ("engine_usb_keys", "KEYC_USB_KEYS_CLASS"),
    "bench": ("engine_usb_console", "KEYC_USB_CONSOLE_CLASS"),
    "trial": ("engine_usb_trial", "KEYC_USB_TRIAL_CLASS"),
}
_TEST_ID = (0x1209, 0x0001)  # pid.codes: the open test id
_LONGEST_STRING = 126  # UTF-16 units: a descriptor's length is one byte

_COMMON_SOURCES = (
    "engine/engine_usb.c",
    "port/rp2040/start.c",
    "port/rp2040/runtime.c",
    "port/rp2040/rp2040_clocks.c",
    "port/rp2040/rp2040_pins.c",
    "port/rp2040/rp2040_time.c",
    "port/rp2040/rp2040_usb.c",
    "port/rp2040/rp2040_erratum_5.c",
    "port/rp2040/rp2040_rom.c",
)
# Real keys.
_KEYS_SOURCES = (
    "port/rp2040/main_keys.c",
    "engine/engine_usb_keys.c",
    "engine/engine_scan.c",
    "engine/engine_settle.c",
    "engine/engine_layers.c",
    "engine/engine_reports.c",
    "engine/engine_further.c",
    "engine/engine_decide.c",
    "engine/engine_chords.c",
    "engine/engine_taps.c",
    "engine/engine_modes.c",
    "engine/engine_typing.c",
    "engine/engine_pointer.c",
    "engine/engine_dials.c",
    "engine/engine_lights.c",
)
# What only images that live in RAM have.
_CONSOLE_SOURCES = (
    "port/rp2040/enter_ram.S",
    "port/rp2040/rp2040_console.c",
    "port/rp2040/rp2040_flash_id.c",
    "engine/engine_usb_console.c",
    "engine/bench_wire.c",
)
_SOURCES: dict[Image, tuple[str, ...]] = {
    "daily": ("port/rp2040/boot2.S", *_COMMON_SOURCES, *_KEYS_SOURCES),
    "bench": (
        *_CONSOLE_SOURCES,
        *_COMMON_SOURCES,
        "port/rp2040/main_bench.c",
        "port/rp2040/rp2040_edges.c",
        "engine/bench_lines.c",
        "engine/bench_edges.c",
        "engine/bench_work.c",
    ),
    "trial": (
        *_CONSOLE_SOURCES,
        *_COMMON_SOURCES,
        *_KEYS_SOURCES,
        "port/rp2040/rp2040_trial.c",
        "engine/engine_usb_trial.c",
        "engine/trial.c",
    ),
}
_FLASH_LINK, _RAM_LINK = ("flash.ld", "keyc_boot2"), ("ram.ld", "keyc_enter_ram")
_LINKS: dict[Image, tuple[str, str]] = {"daily": _FLASH_LINK, "bench": _RAM_LINK, "trial": _RAM_LINK}

WARNINGS = (
    "-Wall",
    "-Wextra",
    "-Wpedantic",
    "-Wconversion",
    "-Wsign-conversion",
    "-Wshadow",
    "-Wundef",
    "-Wmissing-prototypes",
    "-Werror",
)
_FLAGS = (
    "-std=c11",
    "-mthumb",
    "-ffreestanding",
    "-fno-builtin",
    "-fno-jump-tables",  # gcc would call a helper of its own library
    "-ffunction-sections",
    "-fdata-sections",
    "-fno-common",
    *WARNINGS,
)
_LINK_FLAGS = ("-nostdlib", "-static", "-Wl,--gc-sections", "-Wl,--build-id=none")


@dataclass(frozen=True, slots=True)
class Compiler:
    """A C compiler for the chip: what it is called in messages, the command, flags of its own, and more
    of them for the smallest code, and for small code that is quicker."""

    name: str
    command: tuple[str, ...]
    flags: tuple[str, ...]
    smallest: tuple[str, ...]
    small: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Segment:
    """Bytes of the linked image at the address where they are stored."""

    address: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Sizes:
    """Bytes of one image. `flash` is what lies in the flash chip (nothing of a RAM image), `ram` what the
    image occupies in RAM without its stack, for which `stack` are set aside (code that a user adds on the
    Pico SDK puts its own on top)."""

    flash: int
    ram: int
    stack: int


@dataclass(frozen=True, slots=True)
class Uf2:
    """A finished image. `elf` is what it was made from, for debuggers and tests. One that was linked
    elsewhere has no `chosen_compiler`, and is called daily or bench by where it goes."""

    bytes: builtins.bytes
    elf: builtins.bytes
    image: Image
    chosen_compiler: str
    sizes: Sizes

    @property
    def summary(self) -> str:
        """One line for people: what it is, where it goes, how large it is, what made it."""
        place = (
            f"{self.sizes.flash:,} bytes of flash, "
            if self.image == "daily"
            else "runs from RAM, leaves the flash alone, "
        )
        ram = f"{self.sizes.ram:,} bytes of RAM"
        if not self.chosen_compiler:
            return f"an image of your own, {place}{ram}"
        return f"{self.image} image, {place}{ram}, compiled with {self.chosen_compiler}"


def build_uf2(
    keyboard: Keyboard | None,
    image: Image = "daily",
    compiler: str | None = None,
    progress: Progress | None = None,
    runtime: Runtime = "bare",
) -> Uf2:
    """Compile and link one image. Only a bench image can do without a keyboard.

    `compiler` is `zig`, `gcc` or the path of an arm-none-eabi-gcc; None takes the first that is there. The
    Pico SDK finds its own. UserError (exit status 3) if there is none, (2) for a daily image of nothing.
    """
    if keyboard is None and image != "bench":
        raise UserError(
            f"an image of kind `{image}` needs a keymap file",
            "only `--image bench` works without one: it fits any RP2040 board",
            exit_status=2,
        )
    if runtime == "sdk" and compiler is not None:
        raise UserError(
            "`--compiler` doesn't go with `--runtime sdk`",
            "the Pico SDK finds its compiler itself, on the PATH or at PICO_TOOLCHAIN_PATH",
            exit_status=2,
        )
    tell = progress or (lambda _: None)
    stack = stack_bytes(image, keyboard, runtime)
    with tempfile.TemporaryDirectory(prefix="keyc-") as folder:
        if runtime == "sdk":
            from keyc.pico import find_sdk, linked_on_sdk

            sdk = find_sdk()
            return _of_elf(linked_on_sdk(sdk, keyboard, image, Path(folder), tell), image, sdk.name, stack)
        chosen = find_compiler(compiler)
        return _of_elf(_linked(chosen, keyboard, image, Path(folder), tell), image, chosen.name, stack)


def stack_bytes(image: Image, keyboard: Keyboard | None, runtime: Runtime = "bare") -> int:
    """What this image's stack grows to at most."""
    from keyc.tables import tables_of

    if image != "daily" or keyboard is None or runtime == "sdk":
        return STACK_BYTES
    return STACK_BYTES if tables_of(keyboard).further else STACK_BYTES // 2


def elf_in(file: str) -> bytes | None:
    """What is in a file that is an ELF file; None for any other, and for what can't be read."""
    try:
        with open(file, "rb") as opened:
            begins = opened.read(4)
            return begins + opened.read() if begins == b"\x7fELF" else None
    except OSError:
        return None


def uf2_of_elf(elf: bytes, name: str) -> Uf2:
    """An image that was linked elsewhere, as a project on the Pico SDK does. UserError (2) if `elf`, which
    is called `name`, isn't one for this chip."""
    try:
        first = min((segment.address for segment in _segments(elf)), default=0)
        if first not in (FLASH_ORIGIN, RAM_ORIGIN):
            raise ValueError("it begins neither where the flash does nor where the RAM does")
        return _of_elf(elf, "daily" if first == FLASH_ORIGIN else "bench", "", STACK_BYTES)
    except (ValueError, struct.error) as error:
        raise UserError(
            f"{name} isn't an image for the RP2040: {error}",
            "give a keymap file, or the ELF file of a program for this chip",
            exit_status=2,
        ) from None


def _of_elf(elf: bytes, image: Image, made_by: str, stack: int) -> Uf2:
    segments = _segments(elf)
    if image == "daily":
        segments = _with_boot2_sum(segments)
    return Uf2(uf2_of(segments), elf, image, made_by, _sizes(elf, stack))


def chosen_runtime(environment: Mapping[str, str] = os.environ) -> tuple[Runtime, str]:
    """What images are built on where nobody says, and why: one line for people.

    The bare runtime is smaller, quicker to build and needs less; the Pico SDK is taken only where its
    toolchain is the only compiler.
    """
    from keyc.pico import find_sdk

    try:
        sdk = find_sdk(environment)
    except UserError:
        sdk = None
    try:
        compiler = find_compiler()
    except UserError:
        if sdk is None:
            raise
        return "sdk", f"on the Pico SDK {sdk.version}: there is no compiler but its own (`--runtime sdk`)"
    also = f"; the Pico SDK {sdk.version} is there too: `--runtime sdk`" if sdk else ""
    return "bare", f"on the bare chip with {compiler.name}, which is all it needs (`--runtime bare`{also})"


def find_compiler(wanted: str | None = None) -> Compiler:
    """The compiler that `wanted` names, or the first of pip's zig and the system's arm-none-eabi-gcc."""
    if wanted in (None, "zig") and find_spec("ziglang") is not None:
        return Compiler(
            "zig",
            (sys.executable, "-m", "ziglang", "cc"),
            (
                "-target",
                "thumb-freestanding-eabi",
                "-mcpu=cortex_m0plus",
                "-fno-sanitize=all",
            ),
            ("-Os", "-Xclang", "-Oz", "-flto"),  # zig itself takes -Oz for -Os
            ("-Os", "-flto"),
        )
    if wanted in (None, "gcc") or wanted not in (None, "zig", "gcc"):
        found = shutil.which("arm-none-eabi-gcc" if wanted in (None, "gcc") else wanted or "")
        if found:
            return Compiler(
                "arm-none-eabi-gcc",
                (found,),
                ("-mcpu=cortex-m0plus", "-masm-syntax-unified"),
                (
                    "-Os",
                    "-fno-inline-functions-called-once",
                    "-fno-ipa-cp",
                    "-fno-move-loop-invariants",
                    "-fno-thread-jumps",
                    "-fno-tree-loop-optimize",
                    "-fno-tree-slsr",
                    "-fno-if-conversion",
                    "-fno-tree-dominator-opts",
                    "-flto",
                ),
                ("-O1", "-flto"),
            )
    raise UserError(
        f"there is no C compiler called `{wanted}` for the chip"
        if wanted
        else "there is no C compiler for the chip",
        'install one with `pip install "keyc[image]"`, or arm-none-eabi-gcc from your system',
        exit_status=3,
    )


def optimised(image: Image, keyboard: Keyboard | None, compiler: Compiler) -> tuple[str, ...]:
    """Flags. What is loaded into RAM has to be quick, what lies in the flash small, but not at any price
    where a step has more to do than to find keys on layers."""
    if image != "daily":
        return ("-O2",)
    from keyc.tables import tables_of

    return compiler.smallest if keyboard is None or tables_of(keyboard).further is None else compiler.small


def crc32_mpeg2(data: bytes) -> int:
    """The check sum that the boot ROM expects behind its second stage (RP2040 datasheet 2.8.1.3.1).

    Polynomial 04C11DB7, initial value FFFFFFFF, nothing reflected, nothing inverted at the end.
    """
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ (0x04C11DB7 if crc & 0x80000000 else 0)) & 0xFFFFFFFF
    return crc


def uf2_of(segments: Sequence[Segment]) -> bytes:
    """UF2 blocks of 256 bytes each, by rising address; what no segment covers in a block is 0."""
    pages: dict[int, bytearray] = {}
    for segment in segments:
        for offset, byte in enumerate(segment.data):
            page, place = divmod(segment.address + offset, UF2_PAYLOAD_BYTES)
            pages.setdefault(page, bytearray(UF2_PAYLOAD_BYTES))[place] = byte
    blocks = []
    for number, (page, payload) in enumerate(sorted(pages.items())):
        head = struct.pack(
            "<8I",
            *_UF2_MAGIC[:2],
            _UF2_FAMILY_GIVEN,
            page * UF2_PAYLOAD_BYTES,
            UF2_PAYLOAD_BYTES,
            number,
            len(pages),
            UF2_FAMILY,
        )
        padding = bytes(UF2_BLOCK_BYTES - len(head) - UF2_PAYLOAD_BYTES - 4)
        blocks.append(head + bytes(payload) + padding + struct.pack("<I", _UF2_MAGIC[2]))
    return b"".join(blocks)


def image_source(keyboard: Keyboard | None, image: Image) -> str:
    """The C file that says who an image is: USB identity, lines, fingerprints."""
    from keyc.emit import template_text
    from keyc.tables import Fingerprints, engine_fingerprint, fingerprints, tables_of

    header, device_class = _USB_CLASSES[image]
    device = "keyc_usb_console"
    if keyboard is not None and image != "bench":
        device = _DEVICES[tables_of(keyboard).second_reports]
    if keyboard is None:
        vendor, product = _TEST_ID
        maker, title = "keyc", "any RP2040 board"
        prints = Fingerprints("0" * 12, "0" * 12, engine_fingerprint())
        cathodes = anodes = directs = dials = lit_high = 0
        made_from = "no keymap"
    else:
        vendor, product = usb_id_of(keyboard, image)
        maker, title = keyboard.maker, keyboard.title
        prints = fingerprints(keyboard)
        cathodes, anodes, directs, dials = _line_masks(keyboard.wiring)
        lit_high = sum(1 << light.pin for light in keyboard.wiring.lights if not light.lit_low)
        made_from = f"keymap {prints.keymap}, wiring {prints.wiring}"
    return template_text(
        "image.c.j2",
        {
            "banner": f"Made by keyc {__version__}: image {image}, {made_from}",
            "device": device,
            "device_class": device_class,
            "device_header": f"{header}.h",
            "maker": _hex_bytes(_string_descriptor(maker)),
            "title": _hex_bytes(_string_descriptor(title, _TITLE_ENDINGS[image])),
            "vendor": f"0x{vendor:04X}",
            "product": f"0x{product:04X}",
            "version": f"0x{device_version(image, prints):04X}",
            "cathode_lines": f"0x{cathodes:08X}u",
            "anode_lines": f"0x{anodes:08X}u",
            "direct_lines": f"0x{directs:08X}u",
            "dial_lines": f"0x{dials:08X}u",
            "lit_high_lines": f"0x{lit_high:08X}u",
            "wiring": _hex_bytes(bytes.fromhex(prints.wiring)),
            "keymap": _hex_bytes(bytes.fromhex(prints.keymap)),
            "engine": _hex_bytes(bytes.fromhex(prints.engine)),
        },
    )


def device_version(image: Image, prints: Fingerprints) -> int:
    """bcdDevice, four decimal digits (USB 2.0, 9.6.1): the first says which image it is, the others are made
    of its three fingerprints.

    So a computer can tell one keymap from another without asking a keyboard that answers nothing: of two
    that differ, one pair in 1000 has the same digits. It sees a changed keyboard as changed, too.
    """
    digits = sum(int(one, 16) for one in (prints.wiring, prints.keymap, prints.engine)) % 1000
    return int(f"{_FIRST_DIGITS[image]}{digits:03}", 16)


def tells_keymap(version: int) -> bool:
    """Whether a bcdDevice is laid out as `device_version` does it; that of most other devices isn't."""
    return f"{version:04x}".isdecimal() and version >> 12 in _FIRST_DIGITS.values()


def usb_id_of(keyboard: Keyboard, image: Image) -> tuple[int, int]:
    """Vendor and product of an image: its own where the keymap file gives it one."""
    own = {"bench": keyboard.bench_usb, "trial": keyboard.trial_usb}.get(image)
    return own or (keyboard.usb_vendor, keyboard.usb_product)


def _line_masks(wiring: Wiring) -> tuple[int, int, int, int]:
    return (
        sum(1 << pin for pin in wiring.driven),
        sum(1 << pin for pin in wiring.sensed),
        sum(1 << pin for pin in wiring.direct_pins),
        sum(1 << pin for dial in wiring.dials for pin in (dial.pin_a, dial.pin_b)),
    )


def _string_descriptor(text: str, ending: str = "") -> bytes:
    """A USB string descriptor (USB 2.0, 9.6.7); a text that is too long for one loses its end."""
    units = text.encode("utf-16-le")
    room = 2 * _LONGEST_STRING - len(ending.encode("utf-16-le"))
    units = units[:room].decode("utf-16-le", "ignore").encode("utf-16-le") + ending.encode("utf-16-le")
    return bytes([2 + len(units), 3]) + units


def _hex_bytes(data: bytes) -> str:
    return ", ".join(f"0x{byte:02X}" for byte in data)


def _linked(
    compiler: Compiler, keyboard: Keyboard | None, image: Image, folder: Path, progress: Progress
) -> bytes:
    """The ELF file. Everything is named relative to `folder`, so that no path gets into the bytes."""
    for part in ("engine", "port/rp2040"):
        shutil.copytree(shipped("templates", *part.split("/")), folder / part)
    sources = [*_SOURCES[image], "image.c"]
    (folder / "image.c").write_text(image_source(keyboard, image), encoding="utf-8", newline="\n")
    if image != "bench" and keyboard is not None:
        from keyc.emit import files_of
        from keyc.tables import tables_of

        for name, text in files_of(keyboard, tables_of(keyboard)).items():
            if name.startswith(f"{keyboard.stem}_tables."):
                (folder / name).write_text(text, encoding="utf-8", newline="\n")
        sources.append(f"{keyboard.stem}_tables.c")
    script, entry = _LINKS[image]
    progress(f"compiling {len(sources)} files with {compiler.name}")
    _run(
        compiler,
        [
            *_FLAGS,
            *optimised(image, keyboard, compiler),
            f"-DKEYC_IMAGE_HAS_CONSOLE={int(image != 'daily')}",
            *([] if keyboard is None or keyboard.wiring.lights else ["-DKEYC_IMAGE_WITHOUT_LIGHTS"]),
            *compiler.flags,
            "-I.",
            "-Iengine",
            "-Iport/rp2040",
            *_LINK_FLAGS,
            f"-Wl,-T,port/rp2040/{script}",
            f"-Wl,-e,{entry}",
            *sources,
            "-o",
            "image.elf",
        ],
        folder,
    )
    return (folder / "image.elf").read_bytes()


def _run(compiler: Compiler, arguments: Sequence[str], folder: Path) -> None:
    from keyc.cache import cache_folder

    environment = dict(os.environ)
    # zig keeps what it compiled; without a place for that it refuses to work.
    cache = cache_folder()
    for name in ("ZIG_GLOBAL_CACHE_DIR", "ZIG_LOCAL_CACHE_DIR"):
        environment.setdefault(name, str(cache / "zig" if cache else folder / "zig"))
    environment["SOURCE_DATE_EPOCH"] = "0"
    try:
        done = subprocess.run(
            [*compiler.command, *arguments],
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    except OSError as error:
        raise UserError(
            f"the C compiler {compiler.name} can't be started: {error.strerror or error}",
            'install it again: `pip install --force-reinstall "keyc[image]"`',
            exit_status=3,
        ) from error
    if done.returncode:
        raise UserError(
            f"the C compiler {compiler.name} could not make the image: {_first_lines(done.stderr)}",
            "if there is room on the disk, this is a fault of keyc or of that compiler: "
            "try the other one (`--compiler zig` or `--compiler gcc`) and tell us",
            exit_status=3,
        )


def _first_lines(text: str, count: int = 5) -> str:
    lines = [line for line in text.splitlines() if line.strip()]
    return " / ".join(lines[:count]) or "it said nothing"


# --- ELF (System V ABI, chapters 4 and 5; 32 bits, little-endian)


@dataclass(frozen=True, slots=True)
class _Loaded:
    """One PT_LOAD program header."""

    offset: int
    runs_at: int
    stored_at: int
    file_bytes: int
    memory_bytes: int


def _program_headers(elf: bytes) -> Iterator[_Loaded]:
    if elf[:6] != b"\x7fELF\x01\x01":
        raise ValueError("it isn't a 32-bit little-endian ELF file")
    (first,) = struct.unpack_from("<I", elf, 28)
    entry_bytes, count = struct.unpack_from("<2H", elf, 42)
    for index in range(count):
        kind, *numbers = struct.unpack_from("<6I", elf, first + index * entry_bytes)
        if kind == 1 and numbers[4]:
            yield _Loaded(*numbers)


def _segments(elf: bytes) -> list[Segment]:
    return [
        Segment(part.stored_at, elf[part.offset : part.offset + part.file_bytes])
        for part in _program_headers(elf)
        if part.file_bytes
    ]


def _with_boot2_sum(segments: Sequence[Segment]) -> list[Segment]:
    """The segments of a flash image, the first one filled up to the check sum of the second stage."""
    first, *others = sorted(segments, key=lambda segment: segment.address)
    if first.address != FLASH_ORIGIN:
        raise ValueError("a flash image begins with its second stage")
    boot2 = first.data[:BOOT2_BYTES].ljust(BOOT2_BYTES, b"\0")
    summed = boot2 + struct.pack("<I", crc32_mpeg2(boot2)) + first.data[BOOT2_BYTES + 4 :]
    return [Segment(FLASH_ORIGIN, summed), *others]


def _sizes(elf: bytes, stack: int) -> Sizes:
    flash = [
        part.stored_at + part.file_bytes - FLASH_ORIGIN
        for part in _program_headers(elf)
        if part.file_bytes and part.stored_at < RAM_ORIGIN
    ]
    ram = [
        part.runs_at + part.memory_bytes - RAM_ORIGIN
        for part in _program_headers(elf)
        if RAM_ORIGIN <= part.runs_at < STACKS_ORIGIN
    ]
    return Sizes(max(flash, default=0), max(ram, default=0), stack)
