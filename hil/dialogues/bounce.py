"""`bounce`: keys are typed over while their line is held low and its edges are timed.

One line is held at a time, and all keys on it are heard at once: in any order, and one before the other is
up. Who needs no hand on the computer to pass a silent key over: two more presses of a finished one do it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.events import Event
from hil.hands import HEAR_US
from hil.observe import Edge, Holding, LetGo
from hil.places import in_one_breath, place_of_several
from hil.result import Verdict
from hil.stages.bounce import NO_EDGES, SCRATCHED, Bounces, Stroke, held_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.conversation import Conversation

_QUIET_US = 60_000  # nothing came for so long: the last stroke is over
_TWICE_US = 400_000  # Enter and Enter again within this: that is enough
_SURPLUS = 2  # presses of finished keys, while only silent ones are left
_NAMED = 4  # keys with the fewest presses that are named
_HOW = (
    "type over the marked keys in any order, as fast as you like; rolls count. Enter leaves out the key "
    "named first, Enter twice in a blink ends the stage with what it has"
)
_WHY = (
    "they share one line of the wiring, and the others are not heard meanwhile: with two lines held low "
    "nobody could tell which of them a key is on"
)


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board is gone for good."""
    if talk.settings.tool != "finger":
        talk.found.left_out["bounce"] = (SCRATCHED,)
        return Verdict.SKIPPED
    if "edges" not in talk.can:
        talk.found.left_out["bounce"] = (NO_EDGES,)
        return Verdict.INCOMPLETE
    lines = talk.looked()
    talk.keep("bounce")
    bounces = Bounces(talk.matrix, lines)
    talk.found.bounces = bounces
    return _Asking(talk, bounces).run()


class _Asking:
    def __init__(self, talk: Conversation, bounces: Bounces) -> None:
        self._talk, self._bounces = talk, bounces
        self._names = talk.usable
        self._wanted = bounces.wanted(self._names)
        self._passed: set[str] = set()  # keys that are left out
        self._told: set[str] = set()
        self._prompted: tuple[str, ...] = ()
        self._line = 0
        self._heard_us = 0
        self._gave_up_us: int | None = None
        self._enough = False

    def run(self) -> Verdict:
        talk, bounces = self._talk, self._bounces
        by_line: dict[int, list[str]] = {}
        for name in self._names:
            by_line.setdefault(held_line(talk.matrix, name), []).append(name)
        for words in (_HOW, _WHY):
            talk.tell(Event("line", words, stage="bounce"))
        for line, names in by_line.items():
            self._on_line(line, names)
            if self._enough:
                break
        talk.stopped()
        talk.keep("done")
        talk.found.left_out["bounce"] = bounces.left_out(self._names)
        return bounces.verdict(self._names)

    def _on_line(self, line: int, names: Sequence[str]) -> None:
        """Until each switch that shows while this line is held was pressed often enough, or is left out."""
        talk, bounces = self._talk, self._bounces
        self._line, self._prompted = line, ()
        begun: Holding | LetGo | None = talk.held(line)
        surplus = 0
        asks = True
        while not self._enough and (left := self._left_of(names)):
            if isinstance(begun, LetGo):
                talk.tell(Event("line", f"GPIO{line} is held high by something, and was let go"))
                return
            if begun is not None:
                bounces.hold(begun)
                self._prompted, asks = (), True
            self._prompt(left)
            if asks:
                talk.hand.asked_to_press(left[0])
                asks = False
            seen = talk.heard_of_edges(HEAR_US, line)
            begun = seen if isinstance(seen, Holding | LetGo) else None
            strokes = self._strokes(seen if isinstance(seen, Edge) else None)
            if strokes and not bounces.moving and not bounces.holds:
                asks = True
            if any(bounces.presses(name) for name in left):
                surplus = 0
            else:
                surplus += sum(not one.is_press and one.switch not in left for one in strokes)
            if surplus >= _SURPLUS:
                self._pass_over(left)
            elif talk.hand.gives_up():
                self._give_up(left[0])
                asks = True

    def _strokes(self, edge: Edge | None) -> list[Stroke]:
        """What is over by now; every one of them is counted."""
        talk, bounces = self._talk, self._bounces
        now_us = talk.link.transport.now_us
        strokes: list[Stroke] = []
        if edge is not None and not bounces.is_of_dirt(edge):
            self._heard_us = now_us
            strokes = bounces.see(edge)
        elif bounces.moving and now_us - self._heard_us >= _QUIET_US:
            strokes = bounces.quiet()
            talk.keep("quiet")
        for name in dict.fromkeys(one.switch for one in strokes):
            if not bounces.left(name, self._wanted):
                self._tell(name)
        if any(not one.is_press for one in strokes):
            self._count()
        return strokes

    def _count(self) -> None:
        """Tells how far it is, and who has had the fewest presses."""
        done, total = self._counts()
        fewest = tuple(self._left_of(self._prompted))
        text = f"{done} of {total} presses"
        self._talk.tell(Event("counted", text, stage="bounce", together=fewest, proven=done, total=total))

    def _left_of(self, names: Sequence[str]) -> list[str]:
        """Those that are still to be pressed, the fewest presses first."""
        left = [n for n in names if n not in self._passed and self._bounces.left(n, self._wanted)]
        return sorted(left, key=self._bounces.presses)

    def _give_up(self, name: str) -> None:
        now_us = self._talk.link.transport.now_us
        before_us, self._gave_up_us = self._gave_up_us, now_us
        self._enough = before_us is not None and now_us - before_us <= _TWICE_US
        self._pass_over([name])

    def _pass_over(self, names: Sequence[str]) -> None:
        self._passed |= {*names}
        for name in names:
            self._tell(name)

    def _counts(self) -> tuple[int, int]:
        """Presses so far that were wanted, and of how many."""
        total = len(self._names) * self._wanted
        left = sum(max(0, self._wanted - self._bounces.presses(name)) for name in self._names)
        return total - left, total

    def _prompt(self, left: Sequence[str]) -> None:
        """Told anew when one has had enough, and marks those that have not."""
        if set(left) == set(self._prompted):
            return
        self._prompted = tuple(left)
        done, total = self._counts()
        caps, side = self._talk.keyboard.caps, self._talk.settings.side
        in_order = sorted(left, key=self._names.index)
        times = sum(self._bounces.left(name, self._wanted) for name in left)
        each = in_one_breath(in_order) if len(left) <= _NAMED else f"these {len(left)} keys"
        presses = f"{times} presses in all" if times > 1 else "once more"
        self._talk.tell(
            Event(
                "prompt",
                f"type over {each}, {presses}: {place_of_several(caps, in_order, side)}",
                switch=left[0],
                together=tuple(left),
                place=place_of_several(caps, in_order, side),
                times=times,
                proven=done,
                total=total,
            )
        )

    def _tell(self, name: str) -> None:
        if name in self._told:
            return
        self._told.add(name)
        one = next((one for one in self._bounces.findings() if one.switch == name), None)
        if one is None:
            self._talk.tell(Event("bounce", f"{name}: no press was seen", switch=name))
            return
        verdict = None if one.verdict is None else one.verdict.value
        words = f"{name}: bounces for {one.longest_us / 1000:.1f} ms at most"
        words += f" ({verdict})" if verdict else ""
        self._talk.tell(Event("bounce", words, switch=name, verdict=verdict, took_us=one.longest_us))
