"""`together`: a few switches are held down at the same time, for what one press alone can't show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.conversation import Resumed
from hil.events import Event
from hil.observe import Changed
from hil.places import places_of
from hil.result import PositionVerdict, Verdict
from hil.stages.together import Together

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.conversation import Conversation

_HEAR_US = 20_000  # from one look at the person's keyboard to the next
_RELEASE_US = 2_000_000  # longest wait for the last chord to be let go
NOTHING = "together: nothing was left in doubt that switches held at the same time would show"


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board is gone for good."""
    talk.looked()
    assert talk.base is not None
    talk.keep("together")
    positions = talk.found.positions
    good = talk.usable
    doubtful: list[str] = []
    if positions is not None:
        verdicts = {name: positions.position(name).verdict for name in talk.matrix.switches}
        good = [name for name in talk.usable if verdicts[name] is PositionVerdict.PROVEN]
        doubtful = [name for name in talk.usable if verdicts[name] is PositionVerdict.ANSWERS]
    together = Together(
        talk.matrix,
        talk.base,
        talk.watched(),
        good=good,
        doubtful=doubtful,
        order=[name for row in talk.rows for name in row],
        chords=[chord.members for chord in talk.keyboard.chords],
    )
    talk.found.together = together
    if together.question() is None:
        talk.stopped()
        talk.found.left_out["together"] = (NOTHING,)
        return Verdict.SKIPPED
    return _Asking(talk, together).run()


class _Asking:
    def __init__(self, talk: Conversation, together: Together) -> None:
        self._talk, self._together = talk, together
        self._places = places_of(talk.keyboard)

    def run(self) -> Verdict:
        talk, together = self._talk, self._together
        asked: tuple[str, ...] | None = None
        answered = True
        while (chord := together.question()) is not None:
            if chord != asked or answered:
                self._ask(chord)
                asked, answered = chord, False
            seen = talk.heard(_HEAR_US)
            if isinstance(seen, Resumed):
                together.restart(seen.table)
                answered = True  # whatever was under way is asked again
            elif isinstance(seen, Changed) and seen.steady:
                answered = together.see(seen.table)
            elif talk.hand.gives_up():
                together.give_up()
        self._wait_for_release()
        talk.stopped()
        return self._verdict()

    def _verdict(self) -> Verdict:
        found = self._together.findings()
        if found.not_seen:
            self._talk.found.left_out["together"] = tuple(
                f"{' and '.join(chord)}: not seen together" for chord in found.not_seen
            )
        if found.bridged or found.ghosts:
            return Verdict.FAIL
        return Verdict.INCOMPLETE if found.not_seen else Verdict.PASS

    def _ask(self, chord: Sequence[str]) -> None:
        names = f"{', '.join(chord[:-1])} and {chord[-1]}"
        found = self._together.findings()
        self._talk.tell(
            Event(
                "prompt",
                f"hold down {names} together, then let go: {self._where(chord)}",
                switch=chord[0],
                together=tuple(chord),
                place=self._where(chord),
                proven=found.cleared,
                total=found.pairs,
            )
        )
        self._talk.hand.asked_together(chord)

    def _where(self, chord: Sequence[str]) -> str:
        """ "row 1, 2nd from the left (GPIO2, GPIO7)" of the first; of the others where they lie."""
        return "; ".join(self._places[name].partition(" (")[0] for name in chord)

    def _wait_for_release(self) -> None:
        until_us = self._talk.link.transport.now_us + _RELEASE_US
        while self._together.held and self._talk.link.transport.now_us < until_us:
            seen = self._talk.heard(_HEAR_US)
            if isinstance(seen, Changed):
                self._together.see(seen.table)
