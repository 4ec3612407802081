"""`python -m tests.meaning CHANGES [--from SEED] [--sanitize]`: the engine against the reference, at length.

`--sanitize` builds the engine with gcc's address and undefined behaviour sanitizers and runs under
them; the first fault ends the run with the compiler's report.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from keyc.engine import library as engine_library
from tests.meaning.engine_runs import difference, shortest
from tests.meaning.reference import QueueOverrun

CHANGES = 200  # of one keymap
_SANITIZE = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def main() -> int:
    arguments = argparse.ArgumentParser(prog="python -m tests.meaning")
    arguments.add_argument("changes", type=int)
    arguments.add_argument("--from", dest="first", type=int, default=1_000_000, metavar="SEED")
    arguments.add_argument("--sanitize", action="store_true")
    given = arguments.parse_args()
    if not given.sanitize:
        return run(engine_library.load(), given.first, given.changes)
    if "libasan" not in os.environ.get("LD_PRELOAD", ""):
        return under_sanitizers()
    with tempfile.TemporaryDirectory() as folder:
        return run(sanitized(Path(folder)), given.first, given.changes)


def run(library: engine_library.EngineLibrary, first: int, changes: int) -> int:
    keymaps = -(-changes // CHANGES)
    started = time.monotonic()
    overrun = 0
    for done in range(keymaps):
        try:
            found = difference(library, first + done, CHANGES)
        except QueueOverrun:
            overrun += 1
            continue
        if found is not None:
            print(shortest(library, found))
            return 1
        if done % 250 == 249:
            seconds = time.monotonic() - started
            print(f"{(done + 1) * CHANGES:,} changes, {seconds:.0f} s", file=sys.stderr, flush=True)
    judged = (keymaps - overrun) * CHANGES
    print(f"{judged:,} changes of {keymaps - overrun:,} keymaps agree; {overrun} keymaps could not be judged")
    return 0


def under_sanitizers() -> int:
    """The same command again, with the sanitizers' libraries loaded before Python."""
    libraries = [
        subprocess.run(
            ["gcc", f"-print-file-name={name}"], capture_output=True, text=True, check=True
        ).stdout.strip()
        for name in ("libasan.so", "libubsan.so")
    ]
    environment = os.environ | {
        "LD_PRELOAD": " ".join(libraries),
        "ASAN_OPTIONS": "detect_leaks=0",  # Python's own
        "PYTHONMALLOC": "malloc",  # so that every block has a fence around it
    }
    command = [sys.executable, "-m", "tests.meaning", *sys.argv[1:]]
    return subprocess.run(command, env=environment, check=False).returncode


def sanitized(folder: Path) -> engine_library.EngineLibrary:
    path = folder / "engine.so"
    include = [f"-I{one}" for one in engine_library.source_folders()]
    sources = [str(one) for one in engine_library.sources() if one.name != "host_memory.c"]
    command = ["gcc", "-std=c11", "-shared", "-fPIC", *_SANITIZE, *include, *sources, "-o", str(path)]
    subprocess.run(command, check=True)
    return engine_library.EngineLibrary(path)


if __name__ == "__main__":
    raise SystemExit(main())
