"""Reading saved dumps: lines a second of one core, and whether memory stays the same for a longer one."""

from __future__ import annotations

import io
import time
import tracemalloc
from collections.abc import Iterator
from random import Random

from hil.read import verdicts_of
from hil.wire import line_of
from keyc.compile import check_text
from keyc.keyboard import Keyboard
from keyc.source import Source
from tests.perf import Figure
from tests.perf.commands import keymap_text

_LINES_A_PRESS = 4


def figures() -> list[Figure]:
    keyboard, _ = check_text(Source("large.keys", keymap_text(6, 17, 102, 1)))
    assert keyboard is not None
    presses = 50_000
    dump = b"".join(_lines_of(keyboard, presses))
    best = float("inf")
    for _ in range(3):
        began = time.process_time()
        result = verdicts_of(io.BytesIO(dump), keyboard, "")
        best = min(best, time.process_time() - began)
        assert result.presses == presses
    rate = _LINES_A_PRESS * presses / best
    short, long = (_peak_mb(keyboard, count) for count in (2_000, 8_000))
    return [
        Figure("a saved dump of 102 switches is read", rate, "lines/s of a core", 150_000, at_least=True),
        Figure("memory to read one four times as long", long / short, "×", 1.1),
    ]


def _lines_of(keyboard: Keyboard, presses: int) -> Iterator[bytes]:
    """What a board says while its switches are pressed one after the other, in no order."""
    random = Random(1)
    switches = keyboard.wiring.switches
    sequence = 0

    def line(name: str, *fields: object) -> bytes:
        nonlocal sequence
        sequence += 1
        return line_of(name, *fields, sequence=sequence)

    yield line("low-lines", "up", 0)
    for pin in (*keyboard.wiring.rows, *keyboard.wiring.columns):
        yield line("low-lines", pin, 0)
    yield line("finished", "watch")
    for n in range(presses):
        switch = random.choice(switches)
        assert switch.row is not None
        assert switch.column is not None
        for mask, at_us in ((1 << switch.column, 100_000 * n), (0, 100_000 * n + 50_000)):
            yield line("change", switch.row, f"{mask:X}", at_us % (1 << 32))
            yield line("finished", "change")


def _peak_mb(keyboard: Keyboard, presses: int) -> float:
    dump = io.BytesIO(b"".join(_lines_of(keyboard, presses)))
    tracemalloc.start()
    verdicts_of(dump, keyboard, "")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1e6
