"""`keyc demo`: the whole line on the bundled keyboard, and an emulated chip in place of a board.

It runs the commands that anybody would, and shows each before it runs. Three faults are planted in the
board's matrix; the bench has to find them over serial. Then they are mended, the board is proven, and the
daily image types.
"""

from __future__ import annotations

import shlex
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from keyc.command import DONE, WRONG, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from keyc.keyboard import Keyboard

KEYS = "otterbridge.keys"
# A diode the wrong way round, a joint that was never made, and solder between pins 6 and 7 of the package.
FAULTS = ("reversed SW12", "open SW18", "bridge GPIO4 GPIO5")
# `far` (SW23) is held for the letters of the other half.
TYPED = "down SW23; tap SW11; up SW23; tap SW4; down SW23; tap SW6; up SW23; tap SW17; tap SW7"
EXPECTED = ("k", "e", "y", "c", "Enter")


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A command of the demo and the exit status that it must end with."""

    command: str
    status: int


def run_demo(folder: str) -> int:
    """Everything, in `folder`. Returns the exit status: 0 when the bench found exactly what was planted."""
    import shutil

    from keyc.files import shipped

    began = time.monotonic()
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(shipped("data", "demo", KEYS), place / KEYS)
    say(f"Everything goes to the folder {folder}. Each command below can be run by hand, too.")
    for step, (words, commands) in enumerate(_steps(place), 1):
        say(f"\n== {step}. {words}")
        for wanted in commands:
            say(f"$ {wanted.command}")
            status = _run(wanted.command)
            if status != wanted.status:
                say(f"error: this ended with status {status}, and {wanted.status} was expected")
                return status or WRONG
    if (found := _faults_found(place)) != {fault.replace(" ", "-") for fault in FAULTS}:
        say(f"error: the bench found {', '.join(sorted(found)) or 'nothing'} instead")
        return WRONG
    say("\n== 6. The daily image, copied to the same chip's flash, types")
    if not _types(place):
        return WRONG
    print(_summary(place, time.monotonic() - began))
    return DONE


def _steps(place: Path) -> Iterator[tuple[str, list[_Wanted]]]:
    keys = shlex.quote(str(place / KEYS))
    planted = " ".join(f'--fault "{fault}"' for fault in FAULTS)

    def beside(name: str) -> str:
        return shlex.quote(str(place / name))

    def bench(name: str, more: str = "") -> str:
        files = f"--record {beside(name + '.jsonl')} --report {beside(name + '.html')}"
        return f"hil bench {keys} --virtual --chip {more}{files}"

    yield (
        "The keymap file is checked, and its scenarios run on the C engine",
        [_Wanted(f"keyc check {keys}", DONE)],
    )
    yield "It becomes C", [_Wanted(f"keyc build {keys} -o {beside('c')}", DONE)]
    yield (
        "It becomes two images: one for use, one for the bench",
        [
            _Wanted(f"keyc firmware {keys} --image daily -o {beside('daily.uf2')}", DONE),
            _Wanted(f"keyc firmware {keys} --image bench -o {beside('bench.uf2')}", DONE),
        ],
    )
    yield (
        "A board comes from the soldering bench with three faults; the bench finds them",
        [_Wanted(bench("soldered", planted + " --after bare "), WRONG)],
    )
    yield "After mending, every switch and diode is proven", [_Wanted(bench("mended", "--after bare "), DONE)]


def _run(command: str) -> int:
    program, *arguments = shlex.split(command)
    if program == "keyc":
        from keyc.cli import main
    else:
        from hil.cli import main
    try:
        return main(arguments)
    except SystemExit as wrong_use:
        return int(wrong_use.code or 0)
    finally:
        sys.stdout.flush()


def _faults_found(place: Path) -> set[str]:
    """The faults in the newest result of the first board's record."""
    import json

    last = (place / "soldered.jsonl").read_text(encoding="utf-8").splitlines()[-1]
    return {fault["id"] for fault in json.loads(last)["result"]["faults"]}


def _types(place: Path) -> bool:
    """Whether the daily image in the emulated chip enumerates as a keyboard and types what is tapped."""
    from hil.chip.chip_board import ChipBoard
    from hil.virtual import Finger
    from keyc.compile import check_text, read_source

    keyboard, _ = check_text(read_source(place / KEYS))
    assert keyboard is not None, "the demo's own keymap was checked in step 1"
    board = ChipBoard((place / "daily.uf2").read_bytes(), keyboard.wiring)
    board.power_on()
    finger = Finger(board)
    at_us = finger.now_us
    for command in TYPED.split("; "):
        word, switch = command.split()
        at_us += 25_000
        if word == "tap":
            at_us = finger.tap(switch, 20_000, at_us)
        else:
            (finger.down if word == "down" else finger.up)(switch, at_us)
    finger.advance(at_us - finger.now_us + 50_000)
    came = list(_characters(board.reports(), keyboard))
    print(f"taps:   {TYPED}")
    print("came:   " + "  ".join(f"{time_us / 1000:.1f} ms {character}" for time_us, character in came))
    right = tuple(character for _, character in came) == EXPECTED
    if not right:
        say(f"error: {' '.join(EXPECTED)} was to come")
    return right


def _characters(reports: list[tuple[int, str, bytes]], keyboard: Keyboard) -> Iterator[tuple[int, str]]:
    """What a computer with this host layout makes of keyboard reports: a character or a name for each key
    that went down, and when."""
    from keyc.keyboard import Press, Usage
    from keyc.layouts import layout
    from keyc.usages import name_of

    host = layout(keyboard.host_layout)
    before: frozenset[int] = frozenset()
    for time_us, which, payload in reports:
        if which != "keyboard":
            continue
        modifiers = tuple(0xE0 + bit for bit in range(8) if payload[0] >> bit & 1)
        now = frozenset(payload[2:8]) - {0}
        for usage in sorted(now - before):
            key = Usage(7, usage)
            yield time_us, host.types(Press(key, modifiers)) or name_of(key) or f"usage {usage:#04x}"
        before = now


def _summary(place: Path, seconds: float) -> str:
    kept = (
        (KEYS, "the keymap file"),
        ("c/", "the C sources: tables and engine"),
        ("daily.uf2, bench.uf2", "the images"),
        ("soldered.html", "the bench's report with the three faults: open it in a browser"),
        ("soldered.jsonl, soldered.dump", "its record, and the board's own lines for `hil read`"),
        ("mended.html", "the report after mending"),
    )
    lines = [f"\nDone in {seconds:.0f} s. In {place} are:"]
    lines += [f"  {name:30} {what}" for name, what in kept]
    lines += [
        "",
        "An emulated chip proves neither clocks nor the USB transceiver nor anything electrical.",
        "A real board: `keyc firmware FILE --image bench -o bench.uf2`, hold BOOTSEL while you plug it in,",
        "copy the file to the drive that appears, then `hil bench FILE`.",
    ]
    return "\n".join(lines)
