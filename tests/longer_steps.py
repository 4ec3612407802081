"""Looks for hands that make a step of the engine longer: `python -m tests.longer_steps [SECONDS] [SEED]`.

The engine runs on this computer, built so that it counts the blocks of code that it goes through (the
compiler's `-fsanitize-coverage=trace-pc`): on the chip a block is 7 to 9 cycles. Hands are changed at random,
and what makes the longest step longer is kept. What is found is then measured on the emulated core.
"""

from __future__ import annotations

import ctypes
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from random import Random
from time import monotonic

from keyc.emit import files_of
from keyc.keyboard import Keyboard
from keyc.tables import tables_of
from keyc.write import write_files
from tests.perf import worst_step
from tests.perf.chip import heavy
from tests.perf.worst_step import COLUMNS, FRAME_US, KEYS, ROWS, SCAN_US

Script = list[tuple[frozenset[int], int]]  # switches that are closed, and for how many us

_LONGEST_US = 400_000
_KEPT = 12
_USB_BOOT = 50
_WAITS_US = (122, 122, 244, 366, 500, 1000, 2000, 5000, 6500, 7000, 8000, 20_000, 40_000, 60_000, 90_000)
_COUNTER = """
#include <stdint.h>
uint32_t keyc_blocks;
void __sanitizer_cov_trace_pc(void);
__attribute__((no_sanitize_coverage)) void __sanitizer_cov_trace_pc(void) { ++keyc_blocks; }
"""


class _Step(ctypes.Structure):
    """`struct keyc_step` of `worst_step.c`."""

    _fields_ = (
        ("now_us", ctypes.c_uint32),
        ("row", ctypes.c_uint32),
        ("low_at_rest", ctypes.c_uint32),
        ("low", ctypes.c_uint32 * 30),
    )


_CALL = ctypes.CFUNCTYPE(None, ctypes.c_void_p)


class _Parts(ctypes.Structure):
    _fields_ = (
        ("advance", _CALL),
        ("report_sent", _CALL),
        ("keyboard", ctypes.c_void_p),
        ("step", ctypes.POINTER(_Step)),
    )


class Counted:
    """The engine with a keyboard's tables, on this computer, counting blocks."""

    def __init__(self, keyboard: Keyboard, folder: Path) -> None:
        write_files(folder, files_of(keyboard, tables_of(keyboard)))
        (folder / "counter.c").write_text(_COUNTER, "utf-8")
        sources = [*map(str, folder.glob("*.c")), str(Path(worst_step.__file__).with_suffix(".c"))]
        flags = ["-std=c11", "-O1", "-fPIC", "-shared", "-fsanitize-coverage=trace-pc", f"-I{folder}"]
        made = folder / "counted.so"
        subprocess.run(["gcc", *flags, *sources, "-o", str(made)], check=True)
        library = ctypes.CDLL(str(made))
        self._begin = library.keyc_step_begin
        self._begin.restype = ctypes.POINTER(_Parts)
        self._blocks = ctypes.c_uint32.in_dll(library, "keyc_blocks")
        self._keys = [(switch.row or 0, switch.column or 0) for switch in keyboard.wiring.switches]

    def longest(self, script: Script) -> tuple[int, int]:
        """Blocks of the longest step, and during which part of the script it comes."""
        parts = self._begin().contents
        now_us = frame_us = until_us = 0
        found = (0, 0)

        def took(function: Callable[[object], None], part: int) -> tuple[int, int]:
            parts.step.contents.now_us = now_us
            self._blocks.value = 0
            function(parts.keyboard)
            return max(found, (self._blocks.value, part), key=lambda one: one[0])

        for part, (closed, for_us) in enumerate(script):
            low = [0] * 30
            for switch in closed:
                row, column = self._keys[switch]
                low[row] |= 1 << ROWS + column
            parts.step.contents.low[:] = low
            until_us += for_us
            while now_us < until_us:
                found = took(parts.advance, part)
                now_us += SCAN_US
                if now_us >= frame_us:
                    frame_us = now_us + FRAME_US
                    found = took(parts.report_sent, part)
        return found


def some_keys(random: Random) -> frozenset[int]:
    """Mostly those of chords, with two roles, or that do something special."""
    pools = (range(1, 24), [*range(1, 9), *range(40, 58)], range(COLUMNS, 2 * COLUMNS), range(KEYS))
    pool = [key for key in random.choices(pools, (5, 3, 1, 3))[0] if key != _USB_BOOT]
    return frozenset(random.sample(pool, min(len(pool), random.choice((1, 1, 1, 2, 2, 3, 4, 6, 10, 20)))))


def changed(random: Random, script: Script) -> Script:
    """Other keys for a while, another time, something more, something less."""
    script = list(script)
    for _ in range(random.choice((1, 1, 2, 3, 6))):
        at = random.randrange(len(script) + 1)
        keys, wait_us = some_keys(random), random.choice(_WAITS_US)
        match random.choices(("keys", "time", "more", "less", "again"), (3, 2, 3, 1, 1))[0]:
            case "keys":
                until = at + random.choice((1, 1, 2, 4, 8, 99))
                script[at:until] = [(closed ^ keys, for_us) for closed, for_us in script[at:until]]
            case "time" if at < len(script):
                script[at] = (script[at][0], wait_us)
            case "less":
                del script[at : at + random.choice((1, 1, 2, 4))]
            case "again":
                script[at:at] = script[: random.choice((1, 2, 4))]
            case _:
                before = script[at - 1][0] if at else frozenset[int]()
                script.insert(at, (before ^ keys, wait_us))
    while sum(for_us for _, for_us in script) > _LONGEST_US:
        del script[0]
    return script


def climbed(engine: Counted, random: Random, seconds: float) -> list[tuple[int, Script]]:
    """The scripts with the longest steps, longest first, each with the blocks of it."""
    best = [
        (engine.longest(script)[0], script)
        for script in (list(hands()) for hands in worst_step.HANDS.values())
    ]
    best.sort(key=lambda one: -one[0])
    ends = monotonic() + seconds
    while monotonic() < ends:
        script = changed(random, random.choice(best)[1])
        blocks, part = engine.longest(script)
        if len(best) < _KEPT or blocks > best[-1][0]:
            best = [one for one in best if one[0] != blocks] + [(blocks, script[: part + 1])]
            best = sorted(best, key=lambda one: -one[0])[:_KEPT]
    return best


def main(arguments: list[str]) -> int:
    seconds = float(arguments[0]) if arguments else 60.0
    random = Random(int(arguments[1]) if len(arguments) > 1 else 1)
    keyboard = heavy()
    with tempfile.TemporaryDirectory() as folder:
        best = climbed(Counted(keyboard, Path(folder)), random, seconds)
    for blocks, script in best[:3]:
        cycles = worst_step.cycles_under(keyboard, iter(script))
        print(f"{blocks} blocks, {cycles} cycles: {[(sorted(closed), for_us) for closed, for_us in script]}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
