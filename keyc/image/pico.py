"""The images on Raspberry Pi's Pico SDK and TinyUSB: a CMake project, and building it.

The keyboard's part is the same C as without the SDK: engine, USB descriptors and requests, the main programs.
`templates/port/sdk/` puts the SDK beneath it. The SDK is found as its own projects find it: at
`PICO_SDK_PATH`, with the compiler on the PATH or at `PICO_TOOLCHAIN_PATH`. Nothing is downloaded.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from keyc import __version__
from keyc.diagnostics import UserError
from keyc.files import shipped
from keyc.keyboard import Keyboard

_ENGINE_FILES = (
    "engine_usb_console.h",
    "engine_usb_console.c",
    "bench.h",
    "bench_internal.h",
    "bench_lines.c",
    "bench_wire.c",
    "bench_edges.c",
    "bench_work.c",
    "engine_usb_trial.h",
    "engine_usb_trial.c",
    "trial.h",
    "trial.c",
)
# From beside the port without the SDK: what doesn't know what lies beneath it.
_CHIP_FILES = (
    "keyc_image.h",
    "rp2040.h",
    "rp2040_registers.h",
    "rp2040_flash_id.c",
    "rp2040_console.h",
    "rp2040_console.c",
    "rp2040_trial.h",
    "rp2040_trial.c",
    "rp2040_edges.c",
    "core_cycles.h",
    "main_keys.c",
    "main_bench.c",
)
_SDK_FILES = (
    "keyc_pico.cmake",
    "own.h",
    "rp2040_quick.h",
    "sdk_chip.c",
    "sdk_usb.c",
    "tusb_config.h",
)
_FOLDERS = {"engine": _ENGINE_FILES, "port/rp2040": _CHIP_FILES, "port/sdk": _SDK_FILES}
_PLACES = {
    "daily": "into flash",
    "bench": "into RAM, for bring-up",
    "trial": "into RAM, keys and a console",
}
_OLDEST = (2, 0, 0)
_COMPILER = "arm-none-eabi-gcc"
# How it says that the C library, or that of C++, isn't installed beside it.
_NO_LIBRARY = re.compile(
    r"nosys\.specs|cannot find -l(?:c|g|m|stdc\+\+|nosys)(?!\w)|(?:string|stdlib|assert)\.h: No such"
)


@dataclass(frozen=True, slots=True)
class Sdk:
    """What is installed: the SDK's folder and version, the programs that build with it."""

    folder: Path
    version: str
    cmake: str
    generator: str
    compiler: str

    @property
    def name(self) -> str:
        return f"{_COMPILER} on the Pico SDK {self.version}"


@dataclass(frozen=True, slots=True)
class _Target:
    """One image in the project."""

    target: str
    name: str
    place: str
    sources: list[str]


def shipped_files() -> list[Path]:
    """What every project is made from, beside what `emit` takes."""
    copied = [
        shipped("templates", *folder.split("/"), name) for folder, names in _FOLDERS.items() for name in names
    ]
    return [*copied, shipped("templates", "project.cmake.j2"), shipped("templates", "image.c.j2")]


def project_files(keyboard: Keyboard | None) -> dict[str, str]:
    """Every file of the CMake project, by name. Without a keyboard: of the bench image for any board."""
    from keyc.emit import files_of, template_text
    from keyc.fingerprints import fingerprints
    from keyc.image.identity import ANY_BOARD_IMAGES, IMAGES, image_source
    from keyc.tables import tables_of

    stem = keyboard.stem if keyboard else "any_board"
    files = files_of(keyboard, tables_of(keyboard)) if keyboard else {}
    parts = dict(_FOLDERS)
    if not keyboard:  # those that come with the tables else
        parts["engine"] += ("engine_usb.h", "engine_usb.c", "keyc_engine.h", "engine_internal.h")
    for folder, names in parts.items():
        for name in names:
            files[name] = shipped("templates", *folder.split("/"), name).read_text(encoding="utf-8")
    targets = []
    for image in IMAGES if keyboard else ANY_BOARD_IMAGES:
        source = f"image_{image}.c"
        files[source] = image_source(keyboard, image)
        tables = [f"{stem}_tables.c"] if image != "bench" else []
        targets.append(_Target(f"{stem}_{image}", image, _PLACES[image], [source, *tables]))
    made_from = f"keymap {fingerprints(keyboard).keymap}" if keyboard else "no keymap"
    files["CMakeLists.txt"] = template_text(
        "project.cmake.j2",
        {"banner": f"Made by keyc {__version__} from {made_from}", "stem": stem, "images": targets},
    )
    return files


def find_sdk(environment: Mapping[str, str] = os.environ) -> Sdk:
    """The SDK and what builds with it. UserError (exit status 3) says what is missing, and how to get it."""
    named = environment.get("PICO_SDK_PATH", "")
    if not named:
        raise _missing(
            "the Pico SDK can't be found: PICO_SDK_PATH isn't set",
            "set it to the SDK's folder, with pico_sdk_init.cmake in it, or leave out `--runtime sdk`",
        )
    folder = Path(named)
    if not (folder / "pico_sdk_init.cmake").is_file():
        raise _missing(
            f"there is no Pico SDK at {named}",
            "PICO_SDK_PATH has to name the folder with pico_sdk_init.cmake in it",
        )
    version = _version(folder)
    if version < _OLDEST:
        raise _missing(
            f"the Pico SDK at {named} is {_dotted(version)}",
            f"it has to be {_dotted(_OLDEST)} or newer: `git pull` in it, then `git submodule update --init`",
        )
    tinyusb = Path(environment.get("PICO_TINYUSB_PATH") or folder / "lib" / "tinyusb")
    if not (tinyusb / "src" / "tusb.h").is_file():
        raise _missing(
            f"TinyUSB isn't there: {tinyusb} is empty",
            f"run `git submodule update --init lib/tinyusb` in {named}, or set PICO_TINYUSB_PATH",
        )
    cmake = _found("cmake", environment)
    if cmake is None:
        raise _missing("the Pico SDK is built with CMake, which isn't there", "install cmake")
    generators = {"ninja": "Ninja", "make": "Unix Makefiles"}
    there = [name for program, name in generators.items() if _found(program, environment)]
    if not there:
        raise _missing("CMake needs Ninja or make, and neither is there", "install ninja (ninja-build)")
    return Sdk(folder, _dotted(version), cmake, there[0], _compiler(environment))


def _found(program: str, environment: Mapping[str, str]) -> str | None:
    return shutil.which(program, path=environment.get("PATH", ""))


def _compiler(environment: Mapping[str, str]) -> str:
    """As the SDK looks for it."""
    named = environment.get("PICO_TOOLCHAIN_PATH", "")
    where = os.pathsep.join(part for part in (named, str(Path(named, "bin")) if named else "") if part)
    compiler = shutil.which(_COMPILER, path=where) if where else None
    compiler = compiler or _found(_COMPILER, environment)
    if compiler is None:
        raise _missing(
            f"the Pico SDK needs {_COMPILER}, which isn't there",
            "install gcc-arm-none-eabi, libnewlib-arm-none-eabi and libstdc++-arm-none-eabi-newlib, or set "
            "PICO_TOOLCHAIN_PATH",
        )
    return compiler


def _version(folder: Path) -> tuple[int, ...]:
    """From the file in which the SDK itself says it; (0,) if it doesn't."""
    try:
        text = (folder / "pico_sdk_version.cmake").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return (0,)
    parts = (
        re.search(rf"^\s*set\(PICO_SDK_VERSION_{part} (\d+)\)", text, re.MULTILINE)
        for part in ("MAJOR", "MINOR", "REVISION")
    )
    return tuple(int(part[1]) if part else 0 for part in parts)


def _dotted(version: Sequence[int]) -> str:
    return ".".join(map(str, version))


def _missing(what: str, mend: str) -> UserError:
    return UserError(what, mend, exit_status=3)


def linked_on_sdk(
    sdk: Sdk, keyboard: Keyboard | None, image: str, folder: Path, progress: Callable[[str], None]
) -> bytes:
    """The ELF file of one image, built in `folder`. UserError (3) with what CMake or the compiler said."""
    from keyc.write import write_files

    source, build = folder / "source", folder / "build"
    write_files(source, project_files(keyboard))
    target = f"{keyboard.stem if keyboard else 'any_board'}_{image}"
    progress(f"compiling with {sdk.name}, which takes a little longer")
    _run(
        sdk,
        [
            *("-G", sdk.generator, "-S", str(source), "-B", str(build)),
            f"-DPICO_SDK_PATH={sdk.folder.absolute()}",
            "-DKEYC_PROGRAM=OFF",  # the UF2 file is made here
        ],
    )
    _run(sdk, ["--build", str(build), "--target", target, "--parallel"])
    return (build / f"{target}.elf").read_bytes()


def _run(sdk: Sdk, arguments: Sequence[str]) -> None:
    try:
        done = subprocess.run(
            [sdk.cmake, *arguments],
            env=dict(os.environ) | {"SOURCE_DATE_EPOCH": "0"},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    except OSError as error:
        raise _missing(f"CMake can't be started: {error.strerror or error}", "install cmake again") from error
    if done.returncode:
        said = done.stdout + done.stderr
        raise _missing(
            f"the image couldn't be built on the Pico SDK {sdk.version}: {_told(said)}", _mend_of(said)
        )


def _mend_of(said: str) -> str:
    if _NO_LIBRARY.search(said):
        return (
            f"{_COMPILER} has no libraries: install libnewlib-arm-none-eabi and "
            "libstdc++-arm-none-eabi-newlib"
        )
    return (
        "see whether one of the SDK's own examples builds; if so, this is a fault of keyc: tell us, and "
        "build without `--runtime sdk` meanwhile"
    )


def _told(text: str, count: int = 4) -> str:
    """The lines that say what went wrong."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    told = [line for line in lines if re.search(r"error|Error|undefined|cannot", line)]
    return " / ".join((told or lines[-count:])[:count]) or "it said nothing"
