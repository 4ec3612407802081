"""`alive`: looks for a board that doesn't answer; a chip that waits for an image gets the bench image."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from hil.events import Event
from hil.stages.alive import AliveFindings, Sight, findings
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from hil.conversation import Conversation
    from hil.result import Verdict

_LOOK_EVERY_S = 0.5
_PROMPT = (
    "plug the board in with BOOTSEL held (or its two pads shorted). The bench image is copied to it by itself"
)


class Rig(Protocol):
    """What looking needs of the computer; tests bring their own."""

    def answering(self) -> Sequence[str]:
        """The ports on which a board answers, asked now."""
        ...

    def troubles(self) -> Sequence[str]:
        """The ports on USB on which nothing answered, with why."""
        ...

    def waiting_drives(self) -> Sequence[str]:
        """The drives of chips that wait for an image."""
        ...

    def load(self, drive: str) -> None:
        """The bench image onto that drive. Raises UserError where it can't be built, or doesn't come up."""
        ...

    def broken(self) -> bool | None:
        """Whether a device was plugged in lately that the computer can't talk to; None: it doesn't show."""
        ...

    def now_s(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...


def run(talk: Conversation) -> Verdict:
    """The port could be opened; who answers there is asked next, and `silent` is what nobody means."""
    found = talk.found.alive = findings(Sight.OPENS)
    talk.tell(Event("line", found.sight.value))  # of no stage: nothing is to be done
    return found.verdict


def silent(talk: Conversation) -> None:
    """Nobody has answered on the port that opened: then all that is known of the chip is that."""
    found = talk.found.alive = findings(Sight.SILENT)
    talk.remarks += found.notes


def looked_for(rig: Rig, tell: Callable[[Event], None], *, wait_s: float) -> AliveFindings:
    """Looks for a board for so long, and loads the bench image where a chip waits for one.

    Raises UserError where more than one board is there, or the image can't be built.
    """
    until_s = rig.now_s() + wait_s
    asked = False
    while True:
        found = _seen(rig, tell)
        if found is not None:
            return found
        if rig.now_s() >= until_s:
            return _given_up(rig)
        if not asked:
            asked = True
            tell(Event("line", f"no board answers: {_PROMPT}", stage="alive"))
        rig.sleep(_LOOK_EVERY_S)


def _seen(rig: Rig, tell: Callable[[Event], None]) -> AliveFindings | None:
    ports, drives = rig.answering(), rig.waiting_drives()
    if len(ports) > 1:
        raise UserError(
            f"more than one board answers: {', '.join(ports)}", "choose one with --port", exit_status=2
        )
    if ports:
        return findings(Sight.ANSWERS)
    if len(drives) > 1:
        raise UserError(
            f"more than one chip waits for an image: {', '.join(drives)}", "unplug the others", exit_status=2
        )
    if not drives:
        return None
    tell(Event("line", f"{Sight.DRIVE.value}: copying the bench image", stage="alive"))
    try:
        rig.load(drives[0])
    except UserError as error:
        if error.exit_status != 1:
            raise
        return findings(Sight.DRIVE_AGAIN if rig.waiting_drives() else Sight.LEFT)
    return findings(Sight.ANSWERS) if rig.answering() else findings(Sight.LEFT)


def _given_up(rig: Rig) -> AliveFindings:
    if rig.troubles():
        return findings(Sight.SILENT)
    broken = rig.broken()
    return findings(Sight.BROKEN if broken else Sight.NOTHING, sees_broken=broken is not None)
