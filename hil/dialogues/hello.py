"""`hello`: who is there, and what its last run left open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.conversation import NobodyThere, Trouble
from hil.dialogues import alive
from hil.events import Event
from hil.places import names_in_short
from hil.stages import hello
from hil.stages.alive import Sight, findings

if TYPE_CHECKING:
    from hil.conversation import Conversation
    from hil.result import Identity, Verdict


_WITHOUT_MEASURING = ("alive", "hello", "typing")


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where nothing answers, or another board than the file's."""
    measures = any(stage not in _WITHOUT_MEASURING for stage in talk.settings.stages)
    images = ("bench",) if measures else ("bench", "trial")
    try:
        board = talk.introduced()
    except NobodyThere:
        alive.silent(talk)
        raise
    talk.found.alive = findings(Sight.ANSWERS)
    found = hello.findings(board, talk.fingerprint, images=images)
    talk.remarks += found.notes
    if found.trouble is not None:
        raise Trouble(f"{found.trouble}. {found.help}" if found.help else found.trouble)
    expected = talk.settings.board
    if expected is not None and expected.flash_id and board.flash_id not in (None, expected.flash_id):
        raise Trouble("this is another board than the one that was to be mended")
    talk.tell(Event("board", _in_words(board), flash_id=board.flash_id))
    _recall(talk)
    return found.verdict


def _recall(talk: Conversation) -> None:
    """What this board's last run left open is asked first."""
    if not talk.settings.earlier and not talk.settings.resume:
        return
    from hil.history import last_of_board, pools_of, why_not_resumed

    talk.found.pools = pools_of(talk.settings.earlier, talk.identity.flash_id, talk.keyboard.title)
    last = last_of_board(talk.settings.earlier, talk.identity.flash_id, talk.keyboard.title)
    if last is not None:
        last = last.of(name for row in talk.rows for name in row)
        talk.tell(Event("history", last.in_words()))
    if talk.settings.resume:
        why = why_not_resumed(last, talk.identity.flash_id, talk.settings.after, talk.fingerprint)
        if why is None and last is not None and "positions" in talk.settings.stages:
            talk.stands = frozenset(last.proven)
            talk.remarks.append(
                f"{names_in_short(last.proven)}: proven in the run of {last.when}, and not asked for again"
            )
            return
        if why is not None:
            talk.tell(Event("history", f"every switch is asked for: {why}"))
    if last is None:
        return
    if last.stopped and last.proven and not talk.settings.resume:
        talk.tell(Event("history", "that run was stopped; --resume leaves out what it had proven"))
    left = last.left
    if 0 < len(left) < len(talk.numbers):
        rest = tuple(tuple(name for name in row if name not in left) for row in talk.rows)
        talk.rows = (left, *(row for row in rest if row))


def _in_words(board: Identity) -> str:
    which = f"flash id {board.flash_id}" if board.flash_id else "flash id unknown"
    return f"a board with the {board.image} image, protocol {board.protocol}, {which}"
