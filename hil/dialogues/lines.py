"""`lines`: what ties lines together, with nothing touched."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.events import Event
from hil.result import LineVerdict, Verdict

if TYPE_CHECKING:
    from hil.conversation import Conversation

_TELLING = frozenset({LineVerdict.BRIDGED, LineVerdict.LOW, LineVerdict.HIGH, LineVerdict.WEAK})


def run(talk: Conversation) -> Verdict:
    """Raises Trouble where the board doesn't stay up."""
    findings = talk.looked()
    for line in findings.lines:
        if line.verdict in _TELLING:
            joined = " and ".join(other.name for other in line.joined)
            words = f"{line.pin} (pin {line.package_pin}) is {line.verdict.value}"
            talk.tell(Event("line", f"{words}: {joined}" if joined else words, verdict=line.verdict.value))
    for name in (*findings.closed, *findings.maybe_closed):
        talk.tell(Event("line", f"{name} reads pressed with nothing touched", switch=name))
    return Verdict.FAIL if findings.bad else Verdict.PASS
