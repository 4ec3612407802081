"""The engine's longest single step on the chip's core, with everything of the language on 104 keys.

A step is one call of `keyc_advance` or `keyc_report_sent`: a scan, the debounce, the decisions and the
report that follows, without the waits while lines settle and without the USB driver. It is compiled as
for a daily image and run by the emulated core, which counts cycles. The hands are meant to hurt: every
key in one scan, every key bouncing, a queue that fills up behind a key that waits, chords that share keys.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from random import Random
from shutil import copytree, which

from rp2040py.clock.simulation_clock import SimulationClock
from rp2040py.rp2040 import RP2040

from keyc.compile import check_text
from keyc.emit import files_of
from keyc.files import shipped
from keyc.image.elf import segments_of
from keyc.image.firmware import optimised
from keyc.image.toolchain import FLAGS, LINK_FLAGS, find_compiler, run_compiler
from keyc.keyboard import Keyboard
from keyc.source import Source
from keyc.tables import tables_of
from keyc.write import write_files
from tests.perf import Figure

ROWS, COLUMNS, KEYS, CHORDS = 6, 18, 104, 40
SCAN_US, FRAME_US, CYCLES_PER_US = 122, 1000, 125
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SCRIPT = "SECTIONS { . = 0x20000000; .all : { *(.text*) *(.rodata*) *(.data*) *(.bss*) *(COMMON) } }\n"
_RAM, _STACK_TOP, _BACK = 0x20000000, 0x20040000, 0x20041000

Hands = Iterator[tuple[frozenset[int], int]]  # switches that are closed, and for how many us


def everything_text() -> str:
    """104 keys, five layers, 40 chords, keys with two roles, and every other kind of action."""
    names = [f"SW{n}" for n in range(1, KEYS + 1)]
    lines = [names[n : n + COLUMNS] for n in range(0, KEYS, COLUMNS)]
    text = ['keyboard "Heavy" { usb 0x1234:0x0001 }', "wiring {", "diodes cathode-to-row"]
    text.append("columns " + " ".join(f"GPIO{ROWS + n}" for n in range(COLUMNS)))
    for n, line in enumerate(lines):
        text.append(f"row GPIO{n} " + " ".join(line + ["--"] * (COLUMNS - len(line))))
    text += ["light GPIO26 CapsLock", "light GPIO27 far", "dial GPIO24 GPIO25 DIAL1", "}"]
    text += ["shape {", *(" ".join(line) for line in lines), "}"]
    text += ["timing { hold-if another-key tapped  next-twice locks  tap-if typing-within 20ms }"]
    text += ["timing SW2 { hold-after 400ms chord-within 90ms  debounce 6ms at-once }"]
    cells = [f"Control+{_LETTERS[n % 26]}" if n % 9 == 8 else _LETTERS[n % 26] for n in range(KEYS)]
    for n, hold in enumerate(("Shift", "Control", "Alt", "Control+Shift", "more", "far", "Meta", "AltRight")):
        cells[1 + n] = f"{_LETTERS[n]}/{hold}"
    special = [
        *("lock(far)", "next(Shift)", "next(far)", "lock(Control)", "taps(A, B, C)", "pointer(left)"),
        *("pointer-press(1)", "wheel(up)", "AudioVolumeUp", "sign-off", "usb-boot", "bottom(base)"),
        *("Shift", "ShiftRight", "Control", "Alt", "more", "far"),
    ]
    cells[40 : 40 + len(special)] = special
    text += ["layer base {", *(" ".join(cells[n : n + COLUMNS]) for n in range(0, KEYS, COLUMNS)), "}"]
    text += ["layer more { SW90 = ArrowUp  SW91 = ArrowDown }", "layer far { SW92 = Home }"]
    text += ["layer both when more and far { SW93 = End }", "layer all when both { SW94 = Delete }"]
    random = Random(3)
    members: set[frozenset[str]] = set()
    while len(members) < CHORDS:
        members.add(frozenset(random.sample(names[1:24], 2 + len(members) % 4)))
    for n, chord in enumerate(sorted(map(sorted, members))):
        text.append(f"chord {' '.join(chord)} on base = Control+Alt+{_LETTERS[n % 26]}")
    text.append('sequence sign-off = "Kind regards," Enter wait 5ms Tab')
    text.append("dial DIAL1 on base { clockwise = AudioVolumeUp   counter-clockwise = wheel(down) }")
    return "\n".join(text) + "\n"


def figures() -> list[Figure]:
    keyboard, found = check_text(Source("heavy.keys", everything_text()))
    assert keyboard is not None, found
    figures = []
    for compiler, there in (("zig", find_spec("ziglang")), ("gcc", which("arm-none-eabi-gcc"))):
        if there:
            worst = worst_steps(keyboard, compiler)
            hands = max(worst, key=worst.__getitem__)
            name = f"the engine's worst step, 104 keys, {compiler}"
            figures.append(Figure(name, worst[hands], "cycles", 7_500, note=hands))
    return figures


def worst_steps(keyboard: Keyboard, compiler: str) -> dict[str, int]:
    """Cycles of the longest step under each pair of hands."""
    elf = _linked(keyboard, compiler)
    worst = {}
    for name, hands in HANDS.items():
        worst[name] = max(_Core(elf, keyboard).steps(hands()))
    return worst


def cycles_under(keyboard: Keyboard, hands: Hands, compiler: str = "zig") -> int:
    """Cycles of the longest step under these hands."""
    return max(_Core(_linked(keyboard, compiler), keyboard).steps(hands))


def _linked(keyboard: Keyboard, compiler: str) -> bytes:
    """The engine as in a daily image, on this folder's port, to be run from RAM."""
    chosen = find_compiler(compiler)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_files(folder, files_of(keyboard, tables_of(keyboard)))
        copytree(shipped("templates", "port", "rp2040"), folder / "port")
        (folder / "ram.ld").write_text(_SCRIPT, "utf-8")
        sources = [*folder.glob("*.c"), Path(__file__).with_suffix(".c"), folder / "port" / "runtime.c"]
        flags = [*FLAGS, *optimised("daily", keyboard, chosen), *chosen.flags]
        flags += ["-I.", "-Iport", *LINK_FLAGS, "-Wl,-T,ram.ld", "-Wl,-e,keyc_step_begin"]
        run_compiler(chosen, [*flags, *map(str, sources), "-o", "step.elf"], folder)
        return (folder / "step.elf").read_bytes()


class _Core:
    """The emulated core with the engine in RAM. Its clock runs with the cycles."""

    def __init__(self, elf: bytes, keyboard: Keyboard) -> None:
        self.emulator = RP2040(SimulationClock())
        for segment in segments_of(elf):
            at = segment.address - _RAM
            self.emulator.sram[at : at + len(segment.data)] = segment.data
        parts = self.call(int.from_bytes(elf[24:28], "little"))  # the entry (System V ABI, chapter 4)
        words = [self.emulator.read_uint32(parts + 4 * n) for n in range(4)]
        self._advance, self._report_sent, self._keyboard, self._board = words
        self._keys = [(switch.row or 0, switch.column or 0) for switch in keyboard.wiring.switches]
        self._now_us = 0

    def call(self, function: int, argument: int = 0, clock: int | None = None) -> int:
        """Runs a function to its end and returns what it returns; `cycles` is then what it took."""
        core = self.emulator.core
        core.registers[0], core.registers[13], core.registers[14] = argument, _STACK_TOP, _BACK | 1
        core.registers[15] = function & ~1
        self.cycles = ticked = 0
        while core.registers[15] & ~1 != _BACK:
            self.cycles += core.execute_instruction()
            if clock is not None and self.cycles - ticked >= CYCLES_PER_US:
                ticked = self.cycles
                self.emulator.write_uint32(clock, self._now_us + ticked // CYCLES_PER_US)
        return int(core.registers[0])

    def steps(self, hands: Hands) -> Iterator[int]:
        """Cycles of each step. The host takes a report once a frame."""
        until_us = frame_us = 0
        for closed, for_us in hands:
            self._close(closed)
            until_us += for_us
            while self._now_us < until_us:
                yield self._step(self._advance)
                self._now_us += SCAN_US
                if self._now_us >= frame_us:
                    frame_us = self._now_us + FRAME_US
                    yield self._step(self._report_sent)

    def _step(self, function: int) -> int:
        self.emulator.write_uint32(self._board, self._now_us)
        self.call(function, self._keyboard, self._board)
        return self.cycles

    def _close(self, closed: frozenset[int]) -> None:
        low = [0] * ROWS
        for switch in closed:
            row, column = self._keys[switch]
            low[row] |= 1 << ROWS + column
        for row, mask in enumerate(low):
            self.emulator.write_uint32(self._board + 4 * (3 + row), mask)


_ALL = frozenset(range(KEYS)) - {50}  # but for `usb-boot`


def _all_at_once() -> Hands:
    yield _ALL, 200_000
    yield frozenset(), 150_000


def _all_bouncing() -> Hands:
    for n in range(80):
        yield frozenset(sorted(_ALL)[n % 2 :: 2]), SCAN_US
    yield frozenset(), 150_000


def _queue_behind() -> Hands:
    """The second key waits 400 ms; others are pressed and let go meanwhile."""
    yield frozenset({1}), 100_000
    for n in range(12):
        yield frozenset({1, *range(60, 60 + 5 * (n % 7))}), 7_000
    yield frozenset({1}), 400_000
    yield frozenset(), 100_000


def _chords() -> Hands:
    for n in range(24):
        for count in range(1, 7):
            yield frozenset(1 + (n * 5 + k) % 23 for k in range(count)), 6_500
        yield frozenset(), 8_000


def _typing_on_top() -> Hands:
    """Sixty keys held, and others in turn."""
    held = frozenset(range(40, 104)) - {50}
    yield held, 150_000
    for n in range(40):
        yield held | {n, (n + 7) % 40}, 6_500
    yield frozenset(), 100_000


# What `tests.longer_steps` came to: these keys closed, or (True) all but these, and for how many us.
_FOUND = (
    (True, "0 1 2 4 5 8 9 16 31 34 39 40 44 47 50 52 68 72", 60000),
    (True, "3 8 11 12 14 17 34 44 50 68 70", 60000),
    (True, "5 8 11 12 14 16 20 22 31 34 40 42 44 50 51 68", 20000),
    (False, "3 8 11 12 13 14 16 17 24 34 36 39 49 51 67 68 85 88 89", 60000),
)


def _found() -> Hands:
    """A queue that is full of releases, behind keys of chords, with all else held."""
    for all_but, keys, for_us in _FOUND:
        named = frozenset(map(int, keys.split()))
        yield frozenset(range(KEYS)) - named if all_but else named, for_us
    yield frozenset(), 150_000


HANDS: dict[str, Callable[[], Hands]] = {
    "every key in one scan": _all_at_once,
    "every key bouncing": _all_bouncing,
    "a queue behind a key that waits": _queue_behind,
    "chords that share their keys": _chords,
    "sixty keys held, others in turn": _typing_on_top,
    "what a search found": _found,
}
