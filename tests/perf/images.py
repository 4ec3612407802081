"""The images in the emulated chip: scans, the way from a closure to the USB buffer, rest, sizes.

The emulator counts the core's cycles at 125 MHz and knows no flash latency, so these are cycles, said as
microseconds; `wall` is this machine's time for an emulated second.
"""

from __future__ import annotations

import time
from itertools import pairwise

from hil.chip.chip_board import ChipBoard
from keyc.compile import check_text, read_source
from keyc.files import shipped
from keyc.image.firmware import build_uf2
from keyc.keyboard import Keyboard
from tests.keyc.hand_made import key, keyboard_of, wiring_of
from tests.perf import Figure

SETTLE_US = 12
ROWS, COLUMNS = tuple(range(6)), tuple(range(6, 23))
_EP1_BUFFER_CONTROL, _AVAILABLE = 0x88, 1 << 10  # RP2040 datasheet 4.1.2.5


def figures() -> list[Figure]:
    wide = keyboard_of(wiring_of(ROWS, COLUMNS, direct=()), [key(4 + n % 100) for n in range(102)])
    return [*_one_way(wide), *_two_way(wide), *_demo()]


def _drives(board: ChipBoard, for_us: int, look_every_us: float = 0.2) -> list[tuple[float, int]]:
    """(time in µs, lines driven low) at every change."""
    found: list[tuple[float, int]] = []
    began_ns = board.chip.now_ns
    while board.chip.now_ns < began_ns + for_us * 1000:
        board.host.advance(look_every_us)
        driven = board.chip.gpio_state.driven_low
        if not found or found[-1][1] != driven:
            found.append((board.chip.now_ns / 1000, driven))
    return found


def _mean(values: list[float]) -> float:
    return sum(values) / len(values)


def _periods(drives: list[tuple[float, int]], lines: int) -> list[float]:
    starts = [at for at, driven in drives if driven == lines]
    return [later - earlier for earlier, later in pairwise(starts)]


def _one_way(keyboard: Keyboard) -> list[Figure]:
    board = ChipBoard(build_uf2(keyboard, "daily").bytes, keyboard.wiring)
    board.power_on()
    board.advance(5000)
    board.set_closed(frozenset({"SW8"}))
    board.advance(1000)
    drives = _drives(board, 800)
    first, last = 1 << ROWS[0], 1 << ROWS[-1]
    starts = [at for at, driven in drives if driven == first]
    ends = [after[0] for now, after in pairwise(drives) if now[1] == last]
    scans = [min(end for end in ends if end > start) - start for start in starts if start < ends[-1]]
    ideal = len(ROWS) * SETTLE_US
    return [
        Figure("one-way scan of 6 × 17 ÷ 6 × 12 µs", _mean(scans) / ideal, "×", 1.5),
        Figure(
            "one-way scans while debouncing", 1000 / _mean(_periods(drives, first)), "kHz", 8, at_least=True
        ),
    ]


def _two_way(keyboard: Keyboard) -> list[Figure]:
    board = ChipBoard(build_uf2(keyboard, "bench").bytes, keyboard.wiring)
    board.power_on()
    board.send(b"watch\n")
    board.advance(50_000)
    board.set_closed(frozenset({"SW8"}))
    board.advance(1000)  # not quiet for 5 ms yet: it scans without a pause
    period = _mean(_periods(_drives(board, 3000), 1 << 10))
    return [Figure("two-way scans of 23 lines", 1000 / period, "kHz", 2.5, at_least=True)]


def _demo() -> list[Figure]:
    (file,) = shipped("data", "demo").glob("*.keys")
    keyboard, _ = check_text(read_source(file))
    assert keyboard is not None
    built = build_uf2(keyboard, "daily")
    board = ChipBoard(built.bytes, keyboard.wiring)
    began = time.perf_counter()
    board.power_on()
    up_s = time.perf_counter() - began
    board.advance(100_000)
    began = time.perf_counter()
    board.advance(1_000_000)
    rest_s = time.perf_counter() - began

    board.set_closed(frozenset({keyboard.wiring.switches[0].name}))
    closed_ns = board.chip.now_ns
    ram = board.chip.usb.ram
    while not int.from_bytes(ram[_EP1_BUFFER_CONTROL : _EP1_BUFFER_CONTROL + 4], "little") & _AVAILABLE:
        board.chip.run_us(1)
    late_us = (board.chip.now_ns - closed_ns) / 1000 - keyboard.timing.debounce.time_us

    bench = ChipBoard(build_uf2(keyboard, "bench").bytes, keyboard.wiring)
    bench.power_on()
    bench.send(b"watch\n")
    bench.advance(100_000)
    began = time.perf_counter()
    bench.advance(1_000_000)
    bench_rest_s = time.perf_counter() - began
    return [
        Figure("closure to USB buffer, beyond the debounce time", late_us, "µs", 125),
        Figure("daily image of the demo, in flash", built.sizes.flash, "bytes", 8192),
        Figure("... in RAM with its stack", built.sizes.ram + built.sizes.stack, "bytes", 2048),
        Figure("wall time of an emulated second at rest, daily", rest_s, "s", 0.6),
        Figure("... watching, bench", bench_rest_s, "s", 0.6),
        Figure("wall time from BOOTSEL to the image on the bus", up_s, "s", 1.0),
    ]
