"""The images on the chip, by compiler: flash, RAM, stack, cycles of a step, closure to report. Of bench and
trial image, which run from RAM, sizes alone.

Cycles are those in which the core is awake, as the emulator counts them (it knows no flash latency). A step
is a scan with everything after it, at 1 kHz while a key is held. `everything` is the keyboard of
`tests/emulator/everything.keys`, which uses every feature of the language; on 104 keys it is that of
`worst_step`, which also has the longest step in it. The images on the Pico SDK are measured where
`PICO_SDK_PATH` names one.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from shutil import which

from hil.chip.chip_board import ChipBoard
from keyc.compile import check_text, read_source
from keyc.diagnostics import UserError
from keyc.files import shipped
from keyc.image.firmware import Runtime, build_uf2
from keyc.image.identity import Image
from keyc.image.pico import find_sdk
from keyc.keyboard import Keyboard
from keyc.source import Source
from tests.perf import Figure
from tests.perf.worst_step import everything_text

_STACK_LOWEST, _STACK_TOP, _MARK = 0x20041004, 0x20042000, 0xA5A5A5A5
_EP1_BUFFER_CONTROL, _AVAILABLE = 0x88, 1 << 10  # RP2040 datasheet 4.1.2.5

IN_RAM: tuple[Image, ...] = ("bench", "trial")
_EVERYTHING = Path(__file__).parents[1] / "emulator" / "everything.keys"


@dataclass(frozen=True, slots=True)
class _Measured:
    flash: int
    ram: int
    stack: int
    stack_set_aside: int
    step_cycles: float
    late_us: float


@dataclass(frozen=True, slots=True)
class _Way:
    """How an image is made, and what isn't ours adds: bytes of flash and RAM, cycles for its alarms."""

    name: str
    compiler: str | None
    runtime: Runtime = "bare"
    more_flash: int = 0
    more_ram: int = 0
    more_cycles: int = 0


def figures() -> list[Figure]:
    found = []
    for way in _ways():
        for name, keyboard, flash, ram in (
            ("the demo", _keyboard(_demo()), 8192, 2048),
            ("everything", _keyboard(_EVERYTHING), 16384, 4096),
            ("everything on 104 keys", heavy(), 24576, 4096),
        ):
            one = _measured(keyboard, way)
            found += [
                Figure(f"{name}, {way.name}: flash", one.flash, "bytes", flash + way.more_flash),
                Figure("... RAM without stack", one.ram, "bytes", ram + way.more_ram - one.stack_set_aside),
                Figure("... deepest stack", one.stack, "bytes", one.stack_set_aside),
                Figure("... awake in a step", one.step_cycles, "cycles", 12_500 + way.more_cycles),
                Figure("... closure to USB buffer, beyond the debounce", one.late_us, "µs", 250),
            ]
        for image in IN_RAM:
            found += _of_ram_image(image, heavy(), way)
    return found


def _ways() -> Iterator[_Way]:
    if find_spec("ziglang"):
        yield _Way("zig", "zig")
    if which("arm-none-eabi-gcc"):
        yield _Way("gcc", "gcc")
    try:
        sdk = find_sdk()
    except UserError as missing:
        print(f"without the Pico SDK: {missing.message}", file=sys.stderr)
    else:
        yield _Way(
            f"the Pico SDK {sdk.version}", None, "sdk", more_flash=16384, more_ram=8192, more_cycles=12_500
        )


def _of_ram_image(image: Image, keyboard: Keyboard, way: _Way) -> list[Figure]:
    built = build_uf2(keyboard, image, way.compiler, runtime=way.runtime)
    board = ChipBoard(built.bytes, keyboard.wiring)
    board.power_on()
    stack = deepest_stack(board, lambda: busy_console(board, keyboard))
    return [
        Figure(f"{image} image on 104 keys, {way.name}: RAM", built.sizes.ram, "bytes", 65536),
        Figure("... deepest stack", stack, "bytes", built.sizes.stack),
    ]


def heavy() -> Keyboard:
    """104 keys with everything that the language has."""
    keyboard, _ = check_text(Source("heavy.keys", everything_text()))
    assert keyboard is not None
    return keyboard


def _demo() -> Path:
    (file,) = shipped("data", "demo").glob("*.keys")
    return file


def _keyboard(file: Path) -> Keyboard:
    keyboard, _ = check_text(read_source(file))
    assert keyboard is not None
    return keyboard


def deepest_stack(board: ChipBoard, work: Callable[[], None]) -> int:
    """Bytes of the stack that were written to, at the latest while `work` ran."""
    chip = board.chip
    emulator = chip._on().emulator
    for address in range(_STACK_LOWEST, emulator.core.registers[13], 4):
        emulator.write_uint32(address, _MARK)
    work()
    lowest = next(a for a in range(_STACK_LOWEST, _STACK_TOP, 4) if chip.read_register(a) != _MARK)
    return _STACK_TOP - lowest


def _measured(keyboard: Keyboard, way: _Way) -> _Measured:
    built = build_uf2(keyboard, "daily", way.compiler, runtime=way.runtime)
    board = ChipBoard(built.bytes, keyboard.wiring)
    board.power_on()
    chip = board.chip
    emulator = chip._on().emulator
    stack = deepest_stack(board, lambda: board.advance(1_100_000))
    names = [switch.name for switch in keyboard.wiring.switches]
    board.set_closed(frozenset({names[0]}))
    closed_ns, ram = chip.now_ns, chip.usb.ram
    while not int.from_bytes(ram[_EP1_BUFFER_CONTROL : _EP1_BUFFER_CONTROL + 4], "little") & _AVAILABLE:
        chip.run_us(1)
    late_us = (chip.now_ns - closed_ns) / 1000 - keyboard.timing.debounce.time_us
    board.advance(50_000)
    began = emulator.core.cycles
    board.advance(100_000)
    step_cycles = (emulator.core.cycles - began) / 100
    stack = max(stack, deepest_stack(board, lambda: rough_hands(board, names)))
    sizes = built.sizes
    return _Measured(sizes.flash, sizes.ram, stack, sizes.stack, step_cycles, late_us)


def rough_hands(board: ChipBoard, names: list[str]) -> None:
    """Many keys at once, chords, sequences, and a host that begins anew."""
    for pressed in ({names[1]}, set(names[:9]), set(names), set(names[-3:-1]), set[str]()):
        board.set_closed(frozenset(pressed))
        board.advance(15_000)
    for name in names:
        board.set_closed(frozenset({name}))
        board.advance(8_000)
    board.set_closed(frozenset())
    board.advance(15_000)
    if board.connected:
        board.host.enumerate()


def busy_console(board: ChipBoard, keyboard: Keyboard) -> None:
    """A bench or trial image that is asked for all it can say while hands are on the keys."""
    names = [switch.name for switch in keyboard.wiring.switches]
    for asked in (b"who\n", b"look\n", b"watch\n", b"send-again 1\n", b"nonsense 1 2 3\n", b"x" * 99 + b"\n"):
        board.send(asked)
        board.advance(40_000)
    rough_hands(board, names)
    for asked in (b"edges up\n", b"stop\n"):
        board.send(asked)
        board.set_closed(frozenset(names[-3:]))
        board.advance(15_000)
        board.set_closed(frozenset())
        board.advance(15_000)
    board.host.suspend()
    board.chip.run_us(20_000)
    board.host.resume()
    board.advance(20_000)
