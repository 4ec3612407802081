"""`together`: a few switches are held down at the same time, for what one press alone can't show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.conversation import Resumed
from hil.events import Event
from hil.hands import HEAR_US
from hil.observe import Changed
from hil.places import in_one_breath, place_of_several
from hil.result import Verdict
from hil.stages.together import NO_NEIGHBOUR, NOTHING, Together

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.conversation import Conversation

_SOON_US = (
    2_000  # a frame: told before the next finger is down, or one that lets go would look like a late one
)
_RELEASE_US = 2_000_000  # longest wait for the last chord to be let go
_TWICE_US = 400_000  # Enter and Enter again within this: that is enough
_FEW = 3
_A_NOTE = 4  # switches: a note is a line of the wire, and no longer
_QUICKER = (
    "quicker: draw a finger {way}, so that two caps are always down. Enter leaves one out, Enter "
    "twice in a blink the rest"
)


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board is gone for good."""
    talk.looked()
    assert talk.base is not None
    talk.keep("together")
    stands = talk.settings.proven or _proven_before(talk)
    together = talk.found.together_asks(
        talk.keyboard,
        talk.matrix,
        talk.base,
        talk.watched(_SOON_US),
        stands=stands,
        touched=talk.settings.touched,
    )
    if together.question() is None:
        talk.stopped()
        talk.keep("done")
        whole = talk.settings.touched is None or bool(stands)
        talk.found.left_out["together"] = (NOTHING if whole else NO_NEIGHBOUR,)
        return Verdict.SKIPPED
    return _Asking(talk, together).run()


def _proven_before(talk: Conversation) -> frozenset[str]:
    """What this board's last run had proven, where only what was touched is asked for again."""
    if talk.settings.touched is None:
        return frozenset()
    from hil.history import last_of_board

    last = last_of_board(talk.settings.earlier, talk.identity.flash_id, talk.keyboard.title)
    proven = () if last is None else (name for name, said in last.verdicts.items() if said == "proven")
    return frozenset(proven) - talk.settings.touched


class _Asking:
    def __init__(self, talk: Conversation, together: Together) -> None:
        self._talk, self._together = talk, together
        self._gave_up_us: int | None = None

    def run(self) -> Verdict:
        talk, together = self._talk, self._together
        left = together.left
        if left > _FEW:
            talk.tell(
                Event("line", f"{left} times two or three to hold down, side by side", stage="together")
            )
            way = "down each column" if together.goes_down else "along each row"
            talk.tell(Event("line", _QUICKER.format(way=way), stage="together"))
        asked: tuple[str, ...] | None = None
        answered = True
        while (chord := together.question()) is not None:
            if chord != asked or answered:
                self._ask(chord)
                asked, answered = chord, False
            seen = talk.heard(HEAR_US, _SOON_US)
            if isinstance(seen, Resumed):
                together.restart(seen.table)
                answered = True  # whatever was under way is asked again
            elif isinstance(seen, Changed) and seen.steady:
                answered = together.see(seen.table)
            elif talk.hand.gives_up():
                self._give_up(talk.link.transport.now_us)
        self._wait_for_release()
        talk.stopped()
        talk.keep("done")
        talk.found.left_out["together"] = together.left_out()
        return together.verdict()

    def _give_up(self, now_us: int) -> None:
        before_us, self._gave_up_us = self._gave_up_us, now_us
        if before_us is not None and now_us - before_us <= _TWICE_US:
            self._together.give_up_the_rest()
            self._talk.keep("enough")
        else:
            self._together.give_up()
            self._talk.keep("out")

    def _ask(self, chord: Sequence[str]) -> None:
        found = self._together.findings()
        place = place_of_several(self._talk.keyboard.caps, chord, self._talk.settings.side)
        self._talk.tell(
            Event(
                "prompt",
                f"hold down {in_one_breath(chord)} together, then let go: {place}",
                switch=chord[0],
                together=tuple(chord),
                place=place,
                proven=found.cleared,
                total=found.pairs,
            )
        )
        for n in range(0, len(chord), _A_NOTE):
            numbers = (self._talk.numbers[name] for name in chord[n : n + _A_NOTE])
            self._talk.keep("also" if n else "hold", *numbers)
        self._talk.hand.asked_together(chord)

    def _wait_for_release(self) -> None:
        until_us = self._talk.link.transport.now_us + _RELEASE_US
        while self._together.held and self._talk.link.transport.now_us < until_us:
            seen = self._talk.heard(HEAR_US, _SOON_US)
            if isinstance(seen, Changed):
                self._together.see(seen.table)
