"""`flex`: lines and held keys are watched while the case is squeezed and the cable moved."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from hil.conversation import Resumed
from hil.events import Event
from hil.hands import HEAR_US
from hil.observe import Changed
from hil.places import in_one_breath, place_of_several
from hil.result import Verdict
from hil.stages.flex import RESTLESS, Flex, beside, groups
from hil.stages.positions import rows_of_caps
from hil.wire import TIMES_US

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.conversation import Conversation
    from hil.result import Blip

_ON_ITS_WAY_US = 20_000  # a frame may still come from so long ago
_PATIENCE = 3  # a group that isn't held is passed over after so many times its own time
_REACH_US = 4_000_000  # and the time it takes to get there
_AGAIN_US = 4_000_000  # a neighbour of what let go is held no longer than this
_SOON = 0  # tell a change as soon as the board can


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board is gone for good."""
    lines = talk.looked()
    assert talk.base is not None
    if lines.wavering:
        # A change of theirs goes into the same frame as others, and takes its time along.
        talk.found.left_out["flex"] = tuple(RESTLESS.format(*both) for both in lines.wavering)
        return Verdict.INCOMPLETE
    talk.keep("flex")
    flex = Flex(talk.matrix, talk.base, talk.watched(_SOON))
    talk.found.flex = flex
    return _Watching(talk, flex).run()


class _Watching:
    def __init__(self, talk: Conversation, flex: Flex) -> None:
        self._talk, self._flex = talk, flex
        self._usable = talk.usable
        self._order = [name for row in rows_of_caps(talk.keyboard.caps) for name in row]
        self._ahead: int | None = None  # the board's clock, seen from this one; None: not known yet
        self._began_us = talk.link.transport.now_us
        self._restarts = talk.restarts

    def run(self) -> Verdict:
        talk = self._talk
        waiting = deque(groups(talk.matrix, self._usable)) or deque([()])
        each_us = talk.settings.flex_us // len(waiting)
        again: list[str] = []
        while waiting:
            for blip in self._hold(waiting.popleft(), each_us):
                again += [name for name in blip.switches if blip.let_go and name not in again]
        # Whether its neighbours let go too tells a joint of the line from one of the switch.
        beside_them = dict.fromkeys(o for name in again for o in beside(talk.matrix, name, self._usable))
        for other in beside_them:
            if other not in again:
                self._hold((other,), min(each_us, _AGAIN_US))
        talk.stopped()
        talk.keep("done")
        talk.found.left_out["flex"] = self._flex.left_out()
        return self._flex.verdict()

    def _hold(self, group: Sequence[str], time_us: int) -> list[Blip]:
        """Watches while these are held down for so long; what has blipped."""
        self._ask(group, time_us)
        transport = self._talk.link.transport
        began_us = last_us = transport.now_us
        held_us = told_s = 0
        found: list[Blip] = []
        while held_us < time_us and transport.now_us - began_us < _PATIENCE * time_us + _REACH_US:
            blips = self._heard()
            for blip in blips:
                self._talk.tell(
                    Event("blip", blip.in_words, switch=next(iter(blip.switches), None), took_us=blip.took_us)
                )
            found += blips
            if set(group) <= self._flex.held:
                held_us += transport.now_us - last_us
            last_us = transport.now_us
            if (held_s := min(held_us, time_us) // 1_000_000) > told_s:
                told_s = held_s
                self._count(group, held_s, time_us)
            if self._talk.hand.gives_up():
                break
        if self._ahead is not None:
            self._talk.keep("until", (transport.now_us + self._ahead - _ON_ITS_WAY_US) % TIMES_US)
        return found

    def _ask(self, group: Sequence[str], time_us: int) -> None:
        group = sorted(group, key=self._order.index)
        seconds = max(1, round(time_us / 1e6))
        what = f"squeeze and twist the case, and move the cable, {seconds} s in all"
        place = place_of_several(self._talk.keyboard.caps, group, self._talk.settings.side) or None
        text = f"hold down {in_one_breath(group)}; {what}: {place}" if group else what
        first = group[0] if group else None
        self._talk.tell(Event("prompt", text, switch=first, together=tuple(group), place=place))
        self._talk.hand.asked_to_flex(group, time_us)

    def _count(self, group: Sequence[str], held_s: int, time_us: int) -> None:
        """Tells how long it still takes: who squeezes has no eye for a clock."""
        total_s = max(1, time_us // 1_000_000)
        text = f"held for {held_s} of {total_s} s"
        self._talk.tell(
            Event("counted", text, stage="flex", together=tuple(group), proven=held_s, total=total_s)
        )

    def _heard(self) -> tuple[Blip, ...]:
        talk, flex = self._talk, self._flex
        seen = talk.heard(HEAR_US, _SOON)
        now_us = talk.link.transport.now_us
        if isinstance(seen, Resumed):
            away = talk.restarts != self._restarts
            self._restarts = talk.restarts
            flex.restart(seen.table, away=away)
            self._ahead, self._began_us = None, now_us
            if away:
                talk.tell(Event("blip", "the board was gone for a moment", took_us=0))
        elif isinstance(seen, Changed):
            if self._ahead is None:
                began_us = (seen.table.time_us - (now_us - self._began_us)) % TIMES_US
                flex.start(began_us)
                talk.keep("since", began_us)
                self._ahead = seen.table.time_us - now_us
            return flex.see(seen.table)
        elif self._ahead is not None:
            return flex.pass_time(now_us + self._ahead - _ON_ITS_WAY_US)
        return ()
