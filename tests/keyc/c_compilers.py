"""The C compilers that the tests find here, and CMake. All of our C must be free of an image's warnings."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path
from shutil import which

from keyc.image.toolchain import WARNINGS

COMMON = ["-std=c11", "-Os", "-ffreestanding", *WARNINGS]
CHIP = ["-mcpu=cortex-m0plus", "-mthumb"]
ZIG = [sys.executable, "-m", "ziglang", "cc"]


def host_compilers() -> dict[str, list[str]]:
    found = {name: [path] for name in ("gcc", "clang") if (path := which(name))}
    if find_spec("ziglang"):
        found["zig"] = ZIG
    return found


def chip_compilers() -> dict[str, list[str]]:
    found = {}
    if path := which("arm-none-eabi-gcc"):
        found["arm-none-eabi-gcc"] = [path, *CHIP]
    if find_spec("ziglang"):
        found["zig for the chip"] = [*ZIG, "-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus"]
    return found


def every_compiler() -> dict[str, list[str]]:
    return host_compilers() | chip_compilers()


def compile_objects(compiler: list[str], folder: Path, files: Iterable[str], *more: str) -> str:
    """Compiles files into objects in the folder; returns what the compiler said, "" if nothing.

    One call a file: zig makes only the first object of several.
    """
    said = ""
    for file in files:
        made = f"{Path(file).stem}.o"
        command = [*compiler, *COMMON, *more, f"-I{folder}", "-c", file, "-o", made]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
        if done.returncode and not done.stderr:
            said += f"{file}: exit status {done.returncode}\n"
        said += done.stderr
    return said


def cmake(folder: Path, *arguments: str) -> str:
    """What CMake says, run in a folder; the test fails where it does."""
    done = subprocess.run(["cmake", *arguments], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout
