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
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from keyc.diagnostics import UserError
from keyc.files import shipped
from keyc.image.elf import FLASH_ORIGIN, RAM_ORIGIN, Sizes, segments_of, sizes_of
from keyc.image.identity import Image, image_source
from keyc.image.toolchain import FLAGS, LINK_FLAGS, Compiler, find_compiler, run_compiler
from keyc.image.uf2 import uf2_of, with_boot2_sum
from keyc.keyboard import Keyboard

Runtime = Literal["bare", "sdk"]
Progress = Callable[[str], None]

# What an image may put on its stack, on either runtime; it has a bank of 4 KB to itself with a mark at its
# end. The tests look how deep it really goes: at most 748 bytes, in a trial image with everything on 104
# keys. A daily image of keys and layers alone needs half of what is said here, but not on the Pico SDK, whose
# interrupts take more.
STACK_BYTES = 1024

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
            from keyc.image.pico import find_sdk, linked_on_sdk

            sdk = find_sdk()
            return _of_elf(linked_on_sdk(sdk, keyboard, image, Path(folder), tell), image, sdk.name, stack)
        chosen = find_compiler(compiler)
        return _of_elf(_linked(chosen, keyboard, image, Path(folder), tell), image, chosen.name, stack)


def stack_bytes(image: Image, keyboard: Keyboard | None, runtime: Runtime = "bare") -> int:
    """What this image's stack grows to at most."""
    return STACK_BYTES // 2 if runtime == "bare" and _is_plain(image, keyboard) else STACK_BYTES


def _is_plain(image: Image, keyboard: Keyboard | None) -> bool:
    """Whether this is for daily use, and has nothing to do but to find keys on layers."""
    if image != "daily" or keyboard is None:
        return False
    from keyc.tables import tables_of

    return tables_of(keyboard).further is None


def uf2_of_elf(elf: bytes, name: str) -> Uf2:
    """An image that was linked elsewhere, as a project on the Pico SDK does. UserError (2) if `elf`, which
    is called `name`, isn't one for this chip."""
    try:
        first = min((segment.address for segment in segments_of(elf)), default=0)
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
    segments = segments_of(elf)
    if image == "daily":
        segments = with_boot2_sum(segments)
    return Uf2(uf2_of(segments), elf, image, made_by, sizes_of(elf, stack))


def chosen_runtime(environment: Mapping[str, str] = os.environ) -> tuple[Runtime, str]:
    """What images are built on where nobody says, and why: one line for people.

    The bare runtime is smaller, quicker to build and needs less; the Pico SDK is taken only where its
    toolchain is the only compiler.
    """
    from keyc.image.pico import find_sdk

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


def optimised(image: Image, keyboard: Keyboard | None, compiler: Compiler) -> tuple[str, ...]:
    """Flags. What is loaded into RAM has to be quick, what lies in the flash small, but not at any price
    where a step has more to do than to find keys on layers."""
    if image != "daily":
        return ("-O2",)
    return compiler.smallest if _is_plain(image, keyboard) else compiler.small


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
    run_compiler(
        compiler,
        [
            *FLAGS,
            *optimised(image, keyboard, compiler),
            f"-DKEYC_IMAGE_HAS_CONSOLE={int(image != 'daily')}",
            *([] if keyboard is None or keyboard.wiring.lights else ["-DKEYC_IMAGE_WITHOUT_LIGHTS"]),
            *compiler.flags,
            "-I.",
            "-Iengine",
            "-Iport/rp2040",
            *LINK_FLAGS,
            f"-Wl,-T,port/rp2040/{script}",
            f"-Wl,-e,{entry}",
            *sources,
            "-o",
            "image.elf",
        ],
        folder,
    )
    return (folder / "image.elf").read_bytes()
