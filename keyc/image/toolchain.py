"""The C compilers for the chip: finding one, its flags, running it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from keyc.diagnostics import UserError

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
FLAGS = (
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
LINK_FLAGS = ("-nostdlib", "-static", "-Wl,--gc-sections", "-Wl,--build-id=none")


@dataclass(frozen=True, slots=True)
class Compiler:
    """A C compiler for the chip: what it is called in messages, the command, flags of its own, and more
    of them for the smallest code, and for small code that is quicker."""

    name: str
    command: tuple[str, ...]
    flags: tuple[str, ...]
    smallest: tuple[str, ...]
    small: tuple[str, ...]


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


def run_compiler(compiler: Compiler, arguments: Sequence[str], folder: Path) -> None:
    """Run it in `folder`. UserError (exit status 3) with its first words if it can't do what it should."""
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
