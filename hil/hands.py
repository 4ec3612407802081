"""Whoever touches the switches: a person at the bench, or the finger of a virtual board."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from hil.result import Fault
    from hil.stages.guide import Question
    from hil.virtual import Finger

HEAR_US = 20_000  # from one look at the person's keyboard to the next

# From the end of a press to being sure that nothing came of it: a lost line is sent again.
_PATIENCE_US = 500_000
_REACH_US, _HOLD_US = 40_000, 30_000  # a brisk hand
_IRON_MS = 500  # a virtual iron is brisk, too
_TYPED_US = 80_000  # a press as in typing (common practice)
_TOGETHER_US, _APART_US = 60_000, 3_000  # a chord: how long, and from finger to finger
_SEEN_US = 200_000  # of light: enough to be seen by somebody who looks
_SQUEEZE_US = 250_000  # from one squeeze of the case to the next
_ROUNDS, _STROKE_US, _STROKE_HELD_US = 4, 83_000, 60_000  # a fast typist
_SAME_US = 200_000  # from one press of a switch to its next, at the least


class Person:
    """A person: presses the switch, and Enter on the computer if it doesn't answer; or says so elsewhere.
    `load`: has another image put onto the board when its ROM shows a drive."""

    def __init__(
        self,
        says_silent: Callable[[], bool] = lambda: False,
        load: Callable[[str], None] = lambda image: None,
    ) -> None:
        self._says_silent, self._load = says_silent, load

    def asked(self, question: Question) -> None:
        """Nothing to do: the person reads the prompt."""

    def asked_to_press(self, switch: str) -> None:
        """Nothing to do: the person reads the prompt."""

    def asked_together(self, switches: Sequence[str]) -> None:
        """Nothing to do: the person reads the prompt."""

    def asked_to_flex(self, held: Sequence[str], time_us: int) -> None:
        """Nothing to do: the person reads the prompt."""

    def asked_to_turn(self, dial: str, detents: int) -> None:
        """Nothing to do: the person reads the prompt."""

    def asked_to_look(self, pin: int) -> None:
        """Nothing to do: the person reads the prompt."""

    def asked_what_lit(self, pin: int, touch: str) -> None:
        """Nothing to do: the person touches a switch, or doesn't."""

    def gives_up(self) -> bool:
        """Whether Enter was pressed (where nobody sits at a terminal, never), or it was said elsewhere."""
        return self._says_silent() or self._pressed_enter()

    def _pressed_enter(self) -> bool:
        if not sys.stdin or not sys.stdin.isatty():
            return False
        from select import select

        try:
            ready, _, _ = select([sys.stdin], [], [], 0)
        except (OSError, ValueError):  # no such thing for a console on this system
            return False
        return bool(ready) and bool(sys.stdin.readline())

    def gone(self) -> None:
        """Nothing to do: the person is told to plug it in again."""

    def load(self, image: str) -> None:
        self._load(image)

    @contextmanager
    def typing(self, switches: Sequence[str]) -> Iterator[None]:
        """What is typed into this terminal by mistake isn't shown, and thrown away at the end."""
        try:
            import termios
        except ImportError:  # no such thing on this system
            yield
            return
        if not sys.stdin or not sys.stdin.isatty():
            yield
            return
        before = termios.tcgetattr(sys.stdin)
        silent = termios.tcgetattr(sys.stdin)
        silent[3] &= ~termios.ECHO
        termios.tcsetattr(sys.stdin, termios.TCSADRAIN, silent)
        try:
            yield
        finally:
            termios.tcsetattr(sys.stdin, termios.TCSAFLUSH, before)

    def has_typed(self) -> bool:
        """Never: a pause says so."""
        return False

    def mends(self, fault: Fault) -> bool:
        """A person can."""
        return True


class FingerHand:
    """The finger of a virtual board: does what a prompt asks, and says so when nothing comes of it. `load`:
    puts another image onto that board."""

    def __init__(self, finger: Finger, load: Callable[[str], None] = lambda image: None) -> None:
        self._finger = finger
        self._load = load
        self._until_us: int | None = None
        self._lit_us: dict[int, int] = {}  # of each light, when the hand began to look at it
        self._free_us = 0  # when the hand has let go of the last switch and reached the next one

    def asked(self, question: Question) -> None:
        now_us = self._finger.now_us
        done_us = self._finger.tap(question.asked, _HOLD_US, max(now_us, self._free_us) + _REACH_US)
        self._free_us, self._until_us = done_us, done_us + _PATIENCE_US

    def asked_to_press(self, switch: str) -> None:
        begin_us = max(self._finger.now_us, self._free_us) + _REACH_US
        done_us = self._finger.tap(switch, _TYPED_US, begin_us)
        self._free_us, self._until_us = done_us, done_us + _PATIENCE_US

    def asked_together(self, switches: Sequence[str]) -> None:
        begin_us = max(self._finger.now_us, self._free_us) + _REACH_US
        for n, name in enumerate(switches):
            done_us = self._finger.tap(name, _TOGETHER_US - n * _APART_US, begin_us + n * _APART_US)
        self._free_us, self._until_us = done_us, done_us + _PATIENCE_US

    def asked_to_flex(self, held: Sequence[str], time_us: int) -> None:
        begin_us = max(self._finger.now_us, self._free_us) + _REACH_US
        # A little longer than asked for: the bench counts from when it has heard of it.
        self._free_us = begin_us + time_us + 2 * _SQUEEZE_US
        for name in held:
            self._finger.tap(name, time_us + 2 * _SQUEEZE_US, begin_us)
        for at_us in range(begin_us + _SQUEEZE_US, begin_us + time_us, _SQUEEZE_US):
            self._finger.squeeze(at_us)

    def asked_to_turn(self, dial: str, detents: int) -> None:
        begin_us = max(self._finger.now_us, self._free_us) + _REACH_US
        done_us = self._finger.turn(dial, detents, begin_us)
        self._free_us, self._until_us = done_us, done_us + _PATIENCE_US

    def asked_to_look(self, pin: int) -> None:
        self._until_us = None
        self._lit_us[pin] = self._finger.board.lit_us().get(pin, 0)

    def asked_what_lit(self, pin: int, touch: str) -> None:
        lit_us = self._finger.board.lit_us().get(pin, 0) - self._lit_us.get(pin, 0)
        if lit_us >= _SEEN_US:
            self.asked_to_press(touch)

    def gives_up(self) -> bool:
        if self._until_us is None or self._finger.now_us < self._until_us:
            return False
        self._until_us = None
        return True

    def gone(self) -> None:
        self._finger.obey("plug")

    def load(self, image: str) -> None:
        self._load(image)
        self._finger.obey("wait 500ms")
        self._finger.obey("plug")

    @contextmanager
    def typing(self, switches: Sequence[str]) -> Iterator[None]:
        """Every switch a few times in turn, a dozen presses a second."""
        at_us = self._finger.now_us
        stroke_us = max(_STROKE_US, _SAME_US // max(1, len(switches)))
        for _ in range(_ROUNDS):
            for switch in switches:
                at_us += stroke_us
                self._until_us = self._finger.tap(switch, _STROKE_HELD_US, at_us) + _PATIENCE_US
        yield

    def has_typed(self) -> bool:
        return self._until_us is not None and self._finger.now_us >= self._until_us

    def mends(self, fault: Fault) -> bool:
        """Whether such a fault is planted: then it is taken out, with the board unplugged."""
        planted = next((str(one) for one in self._finger.board.faults if str(one) == fault.title), None)
        if planted is None:
            return False
        self._until_us = None  # whatever was asked for last is over
        for command in ("unplug", f"mend {planted}", f"wait {_IRON_MS}ms", "plug"):
            self._finger.obey(command)
        return True
