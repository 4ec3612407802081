"""`bounce`: each switch is pressed a few times while its line is held low and its edges are timed."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING

from hil.conversation import STAYS_DOWN
from hil.events import Event
from hil.observe import Edge, Holding, LetGo
from hil.places import places_of
from hil.result import PositionVerdict, Verdict
from hil.stages.bounce import NO_EDGES, ONCE, POOL, SCRATCHED, Bounces, held_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.conversation import Conversation

_HEAR_US = 20_000  # from one look at the person's keyboard to the next
_QUIET_US = 60_000  # nothing came for so long: the last stroke is over
_FEWEST, _MOST = 3, 5  # presses of a switch
_FURTHER = 3  # presses more, where something was seen once


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board is gone for good."""
    if talk.settings.tool != "finger":
        talk.found.left_out["bounce"] = (SCRATCHED,)
        return Verdict.SKIPPED
    if "edges" not in talk.can:
        talk.found.left_out["bounce"] = (NO_EDGES,)
        return Verdict.INCOMPLETE
    talk.looked()
    talk.keep("bounce")
    bounces = Bounces(talk.matrix)
    talk.found.bounces = bounces
    return _Asking(talk, bounces).run()


class _Asking:
    def __init__(self, talk: Conversation, bounces: Bounces) -> None:
        self._talk, self._bounces = talk, bounces
        self._places = places_of(talk.keyboard, talk.settings.side)
        self._names = talk.usable
        self._wanted = max(_FEWEST, min(_MOST, ceil(POOL / max(1, len(self._names)))))
        self._line = 0
        self._heard_us = 0
        self._still_down: list[str] = []

    def run(self) -> Verdict:
        by_line: dict[int, list[str]] = {}
        for name in self._names:
            by_line.setdefault(held_line(self._talk.matrix, name), []).append(name)
        missed: list[str] = []
        for line, names in by_line.items():
            missed += self._on_line(line, names)
        self._talk.stopped()
        once = [name for name in self._names if self._bounces.is_doubtful(name)]
        self._talk.found.left_out["bounce"] = (
            *(f"{name}: how its contact bounces was not measured" for name in missed),
            *(f"{name}: {ONCE}" for name in once),
            *(f"{name}: {STAYS_DOWN}" for name in self._still_down),
        )
        verdicts = {one.verdict for one in self._bounces.findings()}
        if verdicts & {PositionVerdict.CHATTERING, PositionVerdict.INTERMITTENT}:
            return Verdict.FAIL
        doubts = missed or once or self._still_down
        return Verdict.INCOMPLETE if doubts or not self._names else Verdict.PASS

    def _on_line(self, line: int, names: Sequence[str]) -> list[str]:
        """Asks for the switches that show while this line is held; those that weren't seen."""
        self._line = line
        begun = self._talk.held(line)
        for n, name in enumerate(names):
            if isinstance(begun, LetGo):
                self._talk.tell(Event("line", f"GPIO{line} is held high by something, and was let go"))
                return list(names[n:])
            if n == 0:
                self._bounces.hold(begun)
            begun = self._ask(name, names) or begun
        self._still_down += [name for name in self._bounces.down() if name in names]
        return [name for name in names if not self._bounces.presses(name)]

    def _ask(self, name: str, names: Sequence[str]) -> LetGo | None:
        """Until this switch was pressed often enough, or is silent; what ended the holding, if it did."""
        talk, bounces = self._talk, self._bounces
        if self._left(name) > 0:
            self._prompt(name, names)
            talk.hand.asked_to_press(name)
        while self._left(name) > 0:
            seen = talk.heard_of_edges(_HEAR_US, self._line)
            now_us = talk.link.transport.now_us
            if isinstance(seen, LetGo):
                return seen
            if isinstance(seen, Holding):
                bounces.hold(seen)
                self._prompt(name, names)
                talk.hand.asked_to_press(name)
            elif isinstance(seen, Edge):
                self._heard_us = now_us
                bounces.see(seen)
            elif bounces.moving and now_us - self._heard_us >= _QUIET_US:
                bounces.quiet()
                if not bounces.holds and self._left(name) > 0:
                    talk.hand.asked_to_press(name)
            # Another one of this line was pressed as often: this one is silent, and was passed over.
            passed = any(bounces.presses(o) >= self._wanted for o in names[names.index(name) + 1 :])
            if talk.hand.gives_up() or (passed and not bounces.presses(name)):
                break
        self._tell(name)
        return None

    def _left(self, name: str) -> int:
        wanted = self._wanted + (_FURTHER if self._bounces.is_doubtful(name) else 0)
        return wanted - self._bounces.presses(name)

    def _prompt(self, name: str, names: Sequence[str]) -> None:
        times = self._left(name)
        at = names.index(name) + 1
        instead = names[at] if at < len(names) else None
        self._talk.tell(
            Event(
                "prompt",
                f"press {name} {times} times: {self._places[name]}",
                switch=name,
                instead=instead,
                place=self._places[name],
                times=times,
                proven=sum(self._bounces.presses(one) >= self._wanted for one in self._names),
                total=len(self._names),
                again=False,
            )
        )

    def _tell(self, name: str) -> None:
        one = next((one for one in self._bounces.findings() if one.switch == name), None)
        if one is None:
            self._talk.tell(Event("bounce", f"{name}: no press was seen", switch=name))
            return
        verdict = None if one.verdict is None else one.verdict.value
        words = f"{name}: bounces for {one.longest_us / 1000:.1f} ms at most"
        words += f" ({verdict})" if verdict else ""
        self._talk.tell(Event("bounce", words, switch=name, verdict=verdict, took_us=one.longest_us))
