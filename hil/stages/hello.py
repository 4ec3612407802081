"""The stage `hello`: is this the bench image, does it speak this protocol, does it know this wiring?"""

from __future__ import annotations

from dataclasses import dataclass

from hil.result import Identity, Verdict
from hil.wire import PROTOCOL


@dataclass(frozen=True, slots=True)
class HelloFindings:
    """`trouble` says why the bench can't go on, `help` what to do; `notes` are worth knowing."""

    verdict: Verdict
    trouble: str | None = None
    help: str | None = None
    notes: tuple[str, ...] = ()


def findings(board: Identity, wiring_fingerprint: str, images: tuple[str, ...] = ("bench",)) -> HelloFindings:
    """What a board's introduction means for this keymap file. `images`: those that will do."""
    if board.protocol is None:
        return HelloFindings(Verdict.ERROR, "the board did not say hello", "unplug it, plug it in, try again")
    if board.protocol != PROTOCOL:
        return HelloFindings(
            Verdict.ERROR,
            f"the board speaks protocol {board.protocol}, this bench speaks {PROTOCOL}",
            "build the bench image with this version: keyc firmware FILE --image bench -o bench.uf2",
        )
    if board.image not in images:
        return HelloFindings(
            Verdict.ERROR,
            f"the board runs its {board.image} image, which can't measure",
            "load the bench image: keyc firmware FILE --image bench -o bench.uf2",
        )
    if board.wiring is not None and board.wiring != wiring_fingerprint:
        return HelloFindings(
            Verdict.ERROR,
            f"the board's image is for another wiring: {board.wiring}, the file has {wiring_fingerprint}",
            "give the keymap file that belongs to this board, or build and load its bench image again",
        )
    notes = []
    if board.wiring is None:
        notes.append("the image knows no wiring of its own: it takes the file's word for it")
    if board.flash_id is None:
        notes.append("the flash chip told no id, so this board can't be told from another one")
    return HelloFindings(Verdict.PASS, notes=tuple(notes))
