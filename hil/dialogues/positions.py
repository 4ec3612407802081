"""`positions`: each switch and its diode; the next one is shown, and its press heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.conversation import Resumed
from hil.events import Event
from hil.hands import HEAR_US
from hil.judge import lines_of
from hil.observe import Changed
from hil.places import places_of
from hil.result import PositionVerdict, Verdict, positions_verdict
from hil.stages.guide import Guide, Question
from hil.stages.lines import wavering
from hil.stages.positions import NOT_ASKED, NOT_LET_GO, Kind, Noted, Positions

if TYPE_CHECKING:
    from hil.conversation import Conversation

_RELEASE_US = 2_000_000  # longest wait for the last switch to be let go


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board is gone for good."""
    findings, now = talk.looked(), talk.watched()
    assert talk.base is not None
    within = lines_of(talk.matrix.wiring)
    talk.remarks += wavering(talk.matrix, talk.base.within(within), now.within(within))
    positions = Positions(
        talk.matrix,
        findings,
        talk.base,
        now=now,
        fingers=talk.settings.tool == "finger",
        stands=talk.stands | talk.settings.proven,
        unasked=_unasked(talk),
    )
    talk.found.positions = positions
    return _Asking(talk, positions).run()


def _unasked(talk: Conversation) -> dict[str, str]:
    """The switches that nothing has touched since the run before, with what that run said of each."""
    touched = talk.settings.touched
    if touched is None:
        return {}
    from hil.history import last_of_board, told_before

    last = last_of_board(talk.settings.earlier, talk.identity.flash_id, talk.keyboard.title)
    before = {name: told_before(last, name) for name in talk.matrix.switches if name not in touched}
    return {name: f"{NOT_ASKED}; {said}" if said else NOT_ASKED for name, said in before.items()}


class _Asking:
    def __init__(self, talk: Conversation, positions: Positions) -> None:
        self._talk, self._positions = talk, positions
        self._places = places_of(talk.keyboard, talk.settings.side)
        self._asked: Question | None = None
        self._shown = dict.fromkeys(talk.settings.proven, PositionVerdict.PROVEN)
        self._closing: set[str] = set()  # good, and not let go yet

    def run(self) -> Verdict:
        positions = self._positions
        for name in self._talk.matrix.switches:
            self._show(name)
        rows, touched = self._talk.rows, self._talk.settings.touched
        if touched is not None:
            rows = tuple(tuple(name for name in row if name in touched) for row in rows)
            if not self._talk.settings.proven:
                from hil.history import ONLY_TOUCHED

                self._talk.remarks.append(ONLY_TOUCHED)
        guide = Guide(positions, tuple(row for row in rows if row))
        while (question := guide.question()) is not None:
            if question != self._asked:
                self._ask(question)
            noted = self._noted()
            if noted is None and self._talk.hand.gives_up():
                self._talk.keep("silent", self._talk.numbers[question.asked])
                noted = positions.silent()
            if noted is not None:
                self._told(noted)
                guide.react(noted)
        positions.ask(None)
        until_us = self._talk.link.transport.now_us + _RELEASE_US
        while positions.held and self._talk.link.transport.now_us < until_us:
            noted = self._noted()
            if noted is not None:
                self._told(noted)
        positions.ended = True
        for name in self._talk.matrix.switches:
            self._show(name)
        self._talk.stopped()
        self._talk.learned(positions.lines)
        self._talk.remarks += positions.remarks()
        return positions_verdict(positions.position(name) for name in self._talk.matrix.switches)

    def _noted(self) -> Noted | None:
        """What the next sentence means; None for most of them, and when none comes for a while."""
        seen = self._talk.heard(HEAR_US)
        if isinstance(seen, Resumed):
            self._positions.restart(seen.table)
            self._asked = None  # whatever was under way is asked again
            self._talk.tell(Event("back", "it goes on where it was; the switch asked for is still asked for"))
        elif isinstance(seen, Changed):
            return self._positions.see(seen.table, steady=seen.steady)
        return None

    def _ask(self, question: Question) -> None:
        self._asked = question
        self._positions.ask(question.asked, question.instead)
        instead = "none" if question.instead is None else self._talk.numbers[question.instead]
        self._talk.keep("asked", self._talk.numbers[question.asked], instead)
        place = self._places[question.asked]
        self._talk.tell(
            Event(
                "prompt",
                f"press {question.asked}{' once more' if question.attempt else ''}: {place}",
                switch=question.asked,
                instead=question.instead,
                place=place,
                proven=self._proven,
                total=len(self._talk.numbers),
                again=question.attempt > 0,
            )
        )
        self._talk.hand.asked(question)

    def _told(self, noted: Noted) -> None:
        if noted.kind is Kind.GOOD and noted.switch is not None:
            self._closing.add(noted.switch)
        if noted.kind is not Kind.RELEASED:
            self._talk.tell(
                Event(
                    "press",
                    _in_words(noted),
                    switch=noted.switch,
                    asked=noted.asked,
                    meant=noted.kind.value,
                )
            )
        for name in dict.fromkeys((noted.switch, noted.asked, *noted.pressed)):
            if name is not None:
                self._show(name)

    def _show(self, name: str) -> None:
        """Tells a verdict when it is new."""
        if name in self._talk.settings.proven:
            return
        position = self._positions.position(name)
        known = self._shown.get(name, PositionVerdict.UNTESTED)
        if known is position.verdict or (position.blocked_by == (NOT_LET_GO,) and not self._positions.ended):
            return
        self._shown[name] = position.verdict
        self._closing.discard(name)
        self._talk.tell(
            Event(
                "verdict",
                f"{name}: {position.verdict.value}",
                switch=name,
                verdict=position.verdict.value,
                proven=self._proven,
                total=len(self._talk.numbers),
            )
        )

    @property
    def _proven(self) -> int:
        """How many are proven, or will be as soon as they are let go."""
        proven = {name for name, verdict in self._shown.items() if verdict is PositionVerdict.PROVEN}
        return len(proven | self._closing)


def _in_words(noted: Noted) -> str:
    if noted.kind is Kind.GOOD:
        return f"{noted.switch} answers, its diode is good"
    if noted.kind is Kind.FAULT:
        return f"{noted.switch} answers, but not as it should"
    if noted.kind is Kind.SILENT:
        touched = f"; {noted.switch} answers" if noted.switch else ""
        return f"{noted.asked} is silent{touched}"
    if noted.kind is Kind.UNCLEAR:
        names = ", ".join(noted.pressed) or "something"
        return f"not clear which: {names}. One at a time, please"
    if noted.kind is Kind.UNSTEADY:
        return f"{noted.switch or 'a contact'} doesn't become quiet: press it firmly"
    if noted.kind is Kind.BACK:
        return "back to the switch before"
    if noted.place is not None:
        return f"{noted.asked} answers from {noted.place}, where the file has no switch"
    return f"{noted.switch} answers"
