"""`typing`: the trial image, on which somebody types as usual; over when nobody has typed for a while."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hil.conversation import Trouble
from hil.events import Event
from hil.hands import HEAR_US
from hil.link import BoardRestarted, Lost, NoAnswer
from hil.result import PositionVerdict, Verdict
from hil.stages.typing import Typing
from hil.transport import PortGone
from hil.wire import Sentence

if TYPE_CHECKING:
    from hil.conversation import Conversation

IMAGE = "trial"
_PAUSE_US = 10_000_000  # without a key moving: that was all
_BEGIN_US = 60_000_000  # longest wait for the first key
_WATCHES = 12
_WORTH_NOTING_US = 1_000_000  # a longer gap between two presses says nothing
_PROMPT = "type as you usually do"
_HOW = "every key a few times, {where}. Ten seconds without a key end it"


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the trial image can't be had, or the board is gone for good."""
    talk.keep("typing")
    if talk.identity.image != IMAGE:
        talk.change_image(IMAGE)
    typing = Typing(tuple(talk.numbers))
    arrived = talk.arrived()  # what came before isn't of this stage
    talk.found.typing = typing
    _watch(talk, typing)
    how = _HOW.format(where="into an empty text window" if arrived is None else "with the page in front")
    talk.tell(Event("prompt", f"{_PROMPT}: {how}", stage="typing", place=how))
    with talk.hand.typing(tuple(talk.numbers)):
        _listen(talk, typing)
    talk.stopped()
    found = typing.findings(talk.found.hidden(talk.matrix))
    # Counts, as in the record: neither the order of the keys nor what was typed.
    for number, one in enumerate(found.switches):
        if one.presses:
            shortest_us = one.shortest_gap_us
            brief = shortest_us is not None and shortest_us < _WORTH_NOTING_US
            talk.keep("typed", number, one.presses, shortest_us if brief else "none")
        if one.suspect or one.close or one.still_down:
            talk.keep("quick", number, one.suspect, one.close, int(one.still_down))
    talk.keep("done")
    for name, verdict in found.positions.items():
        told = Event("verdict", f"{name}: {verdict.value}", switch=name, verdict=verdict.value)
        talk.tell(replace(told, proven=_proven(talk), total=len(talk.numbers)))
    return found.verdict


def _proven(talk: Conversation) -> int:
    measured = talk.found.positions
    if measured is None:
        return 0
    return sum(measured.position(name).verdict is PositionVerdict.PROVEN for name in talk.numbers)


def _watch(talk: Conversation, typing: Typing) -> None:
    """Begins to watch: the board tells what is down already."""
    for _ in range(_WATCHES):
        try:
            for said in talk.link.watch():
                _take(talk, typing, said)
            return
        except (PortGone, BoardRestarted) as gone:
            typing.interrupted()
            talk.recover(gone)
        except NoAnswer:
            raise Trouble("the board stopped answering. What was typed until then counts") from None
    raise Trouble("the board restarts again and again: check cable and supply")


def _listen(talk: Conversation, typing: Typing) -> None:
    transport = talk.link.transport
    moved_us = transport.now_us
    while transport.now_us - moved_us < (_PAUSE_US if typing.presses else _BEGIN_US):
        if talk.hand.has_typed():
            return
        arrived = talk.arrived()
        if arrived is not None:
            typing.listens()
            for key in arrived:
                typing.received(key)
        try:
            said = talk.link.sentence(HEAR_US)
        except (PortGone, BoardRestarted) as gone:
            typing.interrupted()
            talk.recover(gone)
            _watch(talk, typing)
            continue
        if isinstance(said, Lost):
            typing.interrupted()
            _watch(talk, typing)
        elif said is not None and _take(talk, typing, said):
            moved_us = transport.now_us


def _take(talk: Conversation, typing: Typing, said: Sentence) -> bool:
    """Whether a key moved. None of this goes into the dump: it would say what was typed."""
    try:
        if said.name in ("switch-down", "switch-up"):
            down = said.name == "switch-down"
            before = typing.presses
            switch = typing.switch(said.number(0), said.number(1), down=down)
            if switch is not None and typing.presses > before:
                # The text says how many, not which: a terminal keeps what it shows.
                talk.tell(Event("typed", f"{typing.presses} presses", stage="typing", switch=switch))
            return True
        if said.name in ("usage-down", "usage-up"):
            typing.key(_key_name(said.number(0), said.number(1)), down=said.name == "usage-down")
            talk.tell(Event("sent", " ".join(typing.sent_down), stage="typing"))
            return True
    except ValueError:
        return False  # a right CRC and no number: another firmware's
    return False


def _key_name(page: int, usage_id: int) -> str:
    from keyc.keyboard import Usage
    from keyc.usages import written

    return written(Usage(page, usage_id))
