"""The longest single step of the engine on the chip, with everything of the language on 104 keys.

A step is all that the core does from one scan's start to the next but for sleeping: the lines settle
asleep, so what is counted is the scan, the debounce, the decisions, the reports, the handing over to USB
and USB's interrupts. The hands are meant to hurt: every key in one scan, every key bouncing, a queue that
fills up behind a key that waits, chords that share their keys.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib.util import find_spec
from random import Random
from shutil import which

from hil.chip_board import ChipBoard
from keyc.compile import check_text
from keyc.firmware import build_uf2
from keyc.keyboard import Keyboard
from keyc.source import Source
from tests.perf import Figure

ROWS, COLUMNS, KEYS, CHORDS = 6, 18, 104, 40
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"

Hand = Callable[[ChipBoard, list[str]], None]


def everything_text() -> str:
    """104 keys, five layers, 40 chords, every kind of action on some key."""
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
    cells = []
    for n in range(KEYS):
        letter = _LETTERS[n % 26]
        cells.append(
            [letter, f"{letter}/more", f"{letter}/Control+Shift", f"Control+{letter}", "more", "far", "Shift"][n % 7]
        )
    special = [
        *("lock(far)", "next(Shift)", "next(far)", "lock(Control)", f"taps(A, B, C)", "pointer(left)"),
        *("pointer-press(1)", "wheel(up)", "AudioVolumeUp", "sign-off", "usb-boot", "bottom(base)"),
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
    names = [switch.name for switch in keyboard.wiring.switches]
    figures = []
    for compiler, there in (("zig", find_spec("ziglang")), ("gcc", which("arm-none-eabi-gcc"))):
        if not there:
            continue
        worst, hand = max((_worst_step(keyboard, names, compiler, hand), label) for label, hand in HANDS.items())
        figures.append(Figure(f"worst step of 104 keys, {compiler}", worst, "cycles", 7_500, note=hand))
    return figures


def _worst_step(keyboard: Keyboard, names: list[str], compiler: str, hand: Hand) -> int:
    board = ChipBoard(build_uf2(keyboard, "daily", compiler).bytes, keyboard.wiring)
    board.power_on()
    board.advance(5_000)
    powered = board.chip._on()
    core, sio, refresh = powered.emulator.core, powered.emulator.sio, powered.lines.refresh
    starts: list[int] = []

    def watched() -> None:
        refresh()
        if sio.gpio_output_enable & 0xFFFFFF == 1:  # the first row alone
            starts.append(core.cycles)

    powered.lines.refresh = watched  # type: ignore[method-assign]
    hand(board, names)
    return max(later - earlier for earlier, later in zip(starts, starts[1:]))


def _all_at_once(board: ChipBoard, names: list[str]) -> None:
    board.set_closed(frozenset(names) - {"SW51"})
    board.advance(40_000)
    board.set_closed(frozenset())
    board.advance(150_000)


def _all_bouncing(board: ChipBoard, names: list[str]) -> None:
    for n in range(80):
        board.set_closed(frozenset(names[n % 2 :: 2]))
        board.advance(122)
    board.set_closed(frozenset())
    board.advance(150_000)


def _queue_behind(board: ChipBoard, names: list[str]) -> None:
    board.set_closed(frozenset({"SW2"}))
    board.advance(10_000)
    for n in range(8):
        board.set_closed(frozenset({"SW2", *names[4 : 4 + 10 * n]}))
        board.advance(7_000)
    board.set_closed(frozenset({"SW2"}))
    board.advance(7_000)
    board.set_closed(frozenset())
    board.advance(300_000)


def _chords(board: ChipBoard, names: list[str]) -> None:
    for n in range(24):
        for count in range(1, 7):
            board.set_closed(frozenset(names[1 + (n * 5 + k) % 23] for k in range(count)))
            board.advance(6_500)
        board.set_closed(frozenset())
        board.advance(8_000)


HANDS: dict[str, Hand] = {
    "every key in one scan": _all_at_once,
    "every key bouncing": _all_bouncing,
    "a queue behind a key that waits": _queue_behind,
    "chords that share their keys": _chords,
}
