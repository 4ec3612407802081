"""`python -m tests.usb.fuzz [STEPS [SEED]]`: the USB code under the sanitizers against a host gone mad.

Steps are for each device: three keyboards, the console, and the trial image's keyboard with a console, with
the fewest and with the most interfaces; 10^6 by default. See `fuzz.c` for what a step is.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from keyc.files import shipped
from keyc.image.toolchain import WARNINGS

_SANITIZED = ("-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def sanitizing_compiler() -> str | None:
    """A compiler with the sanitizers' libraries (zig's clang has none)."""
    return shutil.which("gcc") or shutil.which("clang")


def build_fuzzer(folder: Path, engine: Path | None = None) -> Path:
    """Compiles the fuzzer with the USB code of `engine` (ours unless a test gives another) into `folder`."""
    engine = engine or shipped("templates", "engine")
    compiler = sanitizing_compiler()
    if compiler is None:
        raise RuntimeError("neither gcc nor clang is here")
    program = folder / "fuzz"
    sources = [*sorted(map(str, engine.glob("engine_usb*.c"))), str(Path(__file__).with_name("fuzz.c"))]
    command = [compiler, "-std=c11", *_SANITIZED, *WARNINGS, f"-I{engine}", *sources, "-o", str(program)]
    subprocess.run(command, check=True)
    return program


def fuzzed(program: Path, steps: int, seed: int) -> subprocess.CompletedProcess[str]:
    """One run; its stdout says how many requests there were, its stderr what went wrong."""
    command = [str(program), str(steps), str(seed)]
    return subprocess.run(command, capture_output=True, text=True, timeout=30 + steps // 10_000, check=False)


def main(arguments: list[str]) -> int:
    steps, seed = (*map(int, arguments), *(1_000_000, 1)[len(arguments) :])
    with tempfile.TemporaryDirectory() as folder:
        done = fuzzed(build_fuzzer(Path(folder)), steps, seed)
    print(done.stdout or done.stderr, end="")
    if done.returncode:
        print(f"again: python -m tests.usb.fuzz {steps} {seed}", file=sys.stderr)
    return done.returncode


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
