"""A whole run of 102 switches through a real pseudo terminal: `hil virtual` in a process of its own, in real
time, with a finger that presses as soon as it is asked. On systems that have none, no figure."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO

from hil.conversation import Settings
from hil.link import Link
from hil.result import Fault
from hil.session import Session
from hil.stages.guide import Question
from hil.transport import SerialTransport
from keyc.compile import check_text
from keyc.fingerprints import fingerprints
from keyc.keyboard import Keyboard
from keyc.source import Source
from tests.perf import Figure
from tests.perf.commands import keymap_text

_SWITCHES = 102
_PRESS_MS = 30  # a brisk press
_PATIENCE_S = 2.0


class _Robot:
    """Presses what it is asked for, by a finger command to the virtual board."""

    def __init__(self, commands: IO[str]) -> None:
        self._commands = commands
        self._asked_s = 0.0

    def asked(self, question: Question) -> None:
        self.asked_to_press(question.asked)

    def asked_to_press(self, switch: str) -> None:
        self._asked_s = time.monotonic()
        self._commands.write(f"tap {switch} {_PRESS_MS}ms\n")
        self._commands.flush()

    def gives_up(self) -> bool:
        return time.monotonic() - self._asked_s > _PATIENCE_S

    def asked_together(self, switches: Sequence[str]) -> None:
        """Not in this run."""

    def asked_to_flex(self, held: Sequence[str], time_us: int) -> None:
        """Not in this run."""

    def asked_to_turn(self, dial: str, detents: int) -> None:
        """Not in this run."""

    def asked_to_look(self, pin: int) -> None:
        """Not in this run."""

    def asked_what_lit(self, pin: int, touch: str) -> None:
        """Not in this run."""

    def mends(self, fault: Fault) -> bool:
        return False

    def gone(self) -> None:
        """Not in this run."""

    def load(self, image: str) -> None:
        """Not in this run."""

    def typing(self, switches: Sequence[str]) -> AbstractContextManager[None]:
        """Not in this run."""
        return nullcontext()

    def has_typed(self) -> bool:
        return True


def figures() -> list[Figure]:
    if os.name != "posix":
        return []
    text = keymap_text(6, 17, _SWITCHES, 1)
    keyboard, _ = check_text(Source("large.keys", text))
    assert keyboard is not None
    with TemporaryDirectory() as folder:
        file = Path(folder) / "large.keys"
        file.write_text(text)
        command = [sys.executable, "-m", "hil.cli", "virtual", str(file)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as board:
            assert board.stdin is not None
            assert board.stdout is not None
            try:
                took_s = _run(keyboard, board.stdout.readline().strip(), _Robot(board.stdin))
            finally:
                board.terminate()
    return [Figure(f"{_SWITCHES} switches are proven through a pseudo terminal", took_s, "s", 20)]


def _run(keyboard: Keyboard, port: str, robot: _Robot) -> float:
    """Seconds from opening the port to the result, all switches proven."""
    began = time.monotonic()
    link = Link(SerialTransport(port))
    settings = Settings(stages=("lines", "positions"))
    result = Session(keyboard, link, robot, fingerprints(keyboard).wiring, settings).run()
    link.close()
    assert (result.proven, result.trouble) == (_SWITCHES, None)
    return time.monotonic() - began
