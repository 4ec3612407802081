"""Whoever touches the switches: a person at the bench, or the finger of a virtual board."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hil.stages.positions import Question
    from hil.virtual import Finger

_PATIENCE_US = 60_000  # from the end of a press to being sure that nothing came of it


class Person:
    """A person: presses the switch, and Enter on the computer if it doesn't answer."""

    def asked(self, question: Question) -> None:
        """Nothing to do: the person reads the prompt."""

    def gives_up(self) -> bool:
        """Whether Enter was pressed. Where nobody sits at a terminal, never."""
        if not sys.stdin or not sys.stdin.isatty():
            return False
        from select import select

        try:
            ready, _, _ = select([sys.stdin], [], [], 0)
        except (OSError, ValueError):  # no such thing for a console on this system
            return False
        return bool(ready) and bool(sys.stdin.readline())


class FingerHand:
    """The finger of a virtual board: does what a prompt asks, and says so when nothing comes of it."""

    def __init__(self, finger: Finger) -> None:
        self._finger = finger
        self._until_us: int | None = None

    def asked(self, question: Question) -> None:
        self._until_us = self._finger.follow(question.asked) + _PATIENCE_US

    def gives_up(self) -> bool:
        if self._until_us is None or self._finger.now_us < self._until_us:
            return False
        self._until_us = None
        return True
