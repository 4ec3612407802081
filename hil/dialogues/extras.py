"""`extras`: each dial is turned both ways, and each light blinks for somebody to see.

No hand is needed on the computer: a touch of any switch that works is the answer to every question here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.conversation import Blinked, Resumed
from hil.dialogues.typing import IMAGE as TRIAL
from hil.events import Event
from hil.hands import HEAR_US
from hil.observe import Changed, mask_of
from hil.result import PositionVerdict, Verdict
from hil.stages.extras import DETENTS, REST_US, Extras, Way

if TYPE_CHECKING:
    from hil.conversation import Conversation
    from hil.observe import Observation
    from keyc.keyboard import Light

NEITHER = "extras: this keyboard has neither dials nor lights"
_SOON_US = 1_000  # a dial's edges follow one another faster than a frame of keys waits
_ATTEMPTS = 2
_BLINKS = 3  # before it is asked whether the light stayed dark
_LOOK_US = 3_000_000  # from the end of a blink to the next one
_RELEASE_US = 2_000_000  # longest wait for a switch to be let go
_SEEN = {PositionVerdict.PROVEN: "seen", PositionVerdict.OPEN: "stayed dark"}


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board is gone for good."""
    wiring = talk.keyboard.wiring
    if not wiring.dials and not wiring.lights:
        talk.found.left_out["extras"] = (NEITHER,)
        return Verdict.SKIPPED
    if talk.identity.image == TRIAL:
        talk.change_image("bench")
    lines = talk.looked()
    talk.keep("extras")
    talk.also_watched = mask_of(pin for dial in wiring.dials for pin in (dial.pin_a, dial.pin_b))
    try:
        now = talk.watched(_SOON_US)
        extras = talk.found.extras = Extras(wiring, lines, now, talk.can.get("lit-high", 0))
        return _Asking(talk, extras, now).run()
    finally:
        talk.also_watched = 0


class _Asking:
    def __init__(self, talk: Conversation, extras: Extras, now: Observation) -> None:
        assert talk.base is not None
        self._talk, self._extras = talk, extras
        self._dials = [dial.name for dial in talk.keyboard.wiring.dials]
        self._stuck = talk.matrix.read_pressed(talk.base)
        self._pressed = self._pressed_in(now)
        self._blinked = Blinked.LIT  # how the last light's pin took it

    def run(self) -> Verdict:
        talk, wiring = self._talk, self._talk.keyboard.wiring
        for dial in wiring.dials:
            if not self._extras.hidden_by(dial.name):
                for way in Way:
                    self._turn(dial.name, way)
            found = self._extras.dial(dial.name)
            self._tell(f"{dial.name}: {found.verdict_in_words}", found.blocked_by)
        touch = next(iter(talk.usable), None)
        for light in wiring.lights:
            if touch is not None and not self._extras.light_hidden_by(light):
                self._look_at(light, touch)
            seen = self._extras.light(light)
            self._tell(
                f"light {light.name} ({seen.pin}): {_SEEN.get(seen.verdict, 'untested')}", seen.blocked_by
            )
        talk.stopped()
        talk.keep("done")
        talk.found.left_out["extras"] = self._extras.left_out()
        return self._extras.verdict()

    # -- dials --

    def _turn(self, dial: str, way: Way) -> None:
        for attempt in range(_ATTEMPTS):
            if self._extras.is_settled(dial, way):
                return
            self._extras.ask(dial, way)
            self._talk.keep("turn", self._dials.index(dial), way.sign)
            self._ask_to_turn(dial, way, again=attempt > 0)
            self._wait_for_turn(dial, way)

    def _ask_to_turn(self, dial: str, way: Way, *, again: bool) -> None:
        self._ask(
            f"turn {dial} {way.value}{' once more' if again else ''}",
            f"{DETENTS} detents, slowly and one at a time, as seen from the front. "
            "If nothing comes of it, touch a switch that works",
        )
        self._talk.hand.asked_to_turn(dial, way.sign * DETENTS)

    def _wait_for_turn(self, dial: str, way: Way) -> None:
        """Until it was turned far enough and rests, or is given up."""
        transport = self._talk.link.transport
        moved_us = transport.now_us
        while transport.now_us - moved_us <= REST_US or not self._extras.is_answered(dial, way):
            seen, touched = self._heard()
            if seen is not None:
                moved_us = transport.now_us
            if isinstance(seen, Resumed):
                self._ask_to_turn(dial, way, again=True)
            if touched or self._talk.hand.gives_up():
                self._extras.give_up()
                self._talk.keep("out")
                self._wait_for_release()
                return

    # -- lights --

    def _look_at(self, light: Light, touch: str) -> None:
        where = f"the light for {light.name} (GPIO{light.pin})"
        while not self._extras.is_told(light.pin):
            if self._is_seen(light, touch, where):
                self._extras.answer(light.pin, lit=True)
                self._talk.keep("lit", light.pin)
            elif self._blinked is Blinked.LIT:
                self._ask(f"if {where} stayed dark", "touch a switch that works")
                self._talk.hand.asked_to_press(touch)
                while not (self._heard()[1] or self._talk.hand.gives_up()):
                    pass
                self._extras.answer(light.pin, lit=False)
                self._talk.keep("dark", light.pin)
            self._wait_for_release()

    def _is_seen(self, light: Light, touch: str, where: str) -> bool:
        """Whether somebody touches a switch because it blinks. It blinks a few times."""
        talk = self._talk
        self._ask(
            f"look at {where}",
            f"it blinks for a second, {_BLINKS} times. When you have seen it, touch a switch that works; "
            "else touch nothing",
        )
        for _ in range(_BLINKS):
            talk.hand.asked_to_look(light.pin)
            self._blinked = talk.blinked(light.pin)
            if self._blinked is not Blinked.LIT:
                if self._blinked is Blinked.HELD:
                    self._extras.held(light.pin)
                    self._talk.keep("held", light.pin)
                else:
                    self._extras.followed(light.pin)
                    self._talk.keep("followed", light.pin)
                self._begin_again()
                return False
            if self._begin_again():
                return True
            talk.hand.asked_what_lit(light.pin, touch)
            until_us = talk.link.transport.now_us + _LOOK_US
            while talk.link.transport.now_us < until_us:
                if self._heard()[1]:
                    return True
        return False

    # -- both --

    def _begin_again(self) -> bool:
        """Watches again; whether a switch is held down that wasn't before."""
        before, self._pressed = self._pressed, self._pressed_in(self._talk.watched(_SOON_US))
        return bool(self._pressed - before)

    def _heard(self) -> tuple[Changed | Resumed | None, bool]:
        """What came, and whether a switch was touched."""
        seen = self._talk.heard(HEAR_US, _SOON_US)
        if not isinstance(seen, Changed | Resumed):
            return None, False
        if isinstance(seen, Resumed):
            self._extras.restart(seen.table)
            self._pressed = self._pressed_in(seen.table)
            return seen, False
        self._extras.see(seen.table)
        before, self._pressed = self._pressed, self._pressed_in(seen.table)
        return seen, bool(self._pressed - before)

    def _pressed_in(self, table: Observation) -> frozenset[str]:
        return self._talk.matrix.read_pressed(table) - self._stuck

    def _wait_for_release(self) -> None:
        until_us = self._talk.link.transport.now_us + _RELEASE_US
        while self._pressed and self._talk.link.transport.now_us < until_us:
            self._heard()

    def _ask(self, what: str, how: str) -> None:
        self._talk.tell(Event("prompt", f"{what}: {how}", stage="extras", place=how))

    def _tell(self, text: str, why: tuple[str, ...]) -> None:
        self._talk.tell(Event("line", f"{text}: {', '.join(why)}" if why else text, stage="extras"))
