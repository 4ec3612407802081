"""What is plugged in: serial ports with what answers on each, and the ROM's drives."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from hil.result import Identity
    from hil.transport import Transport

_ANSWER_US = 600_000  # a board that is there answers `who` in a few milliseconds
_NOT_ON_USB = "not on USB, so not asked"
_INFO = "INFO_UF2.TXT"  # every UF2 drive has this file at its root


@dataclass(frozen=True, slots=True)
class PortFound:
    """A serial port. `board` is what answered; `trouble` why nothing could."""

    port: str
    description: str
    board: Identity | None
    trouble: str | None = None
    is_on_usb: bool = True

    def as_json(self) -> dict[str, Any]:
        return {
            "port": self.port,
            "description": self.description,
            "board": None if self.board is None else self.board.as_json(),
            "trouble": self.trouble,
        }


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive that takes UF2 files, and the board that it says it is."""

    path: str
    board: str

    def as_json(self) -> dict[str, Any]:
        return {"path": self.path, "board": self.board}


def ports_found() -> list[PortFound]:
    """Every serial port. Only those on USB are asked who they are: others may belong to anything."""
    from serial.tools.list_ports import comports

    found = []
    for port in sorted(comports(), key=lambda each: str(each.device)):
        if port.vid is None:
            found.append(PortFound(port.device, port.description or "", None, _NOT_ON_USB, is_on_usb=False))
            continue
        board, trouble = _asked(port.device)
        found.append(PortFound(port.device, port.description or "", board, trouble))
    return found


def _asked(url: str) -> tuple[Identity | None, str | None]:
    from hil.transport import SerialTransport

    try:
        transport = SerialTransport(url)
    except UserError as error:
        return None, error.message
    try:
        return identity_on(transport), None
    finally:
        transport.close()


def identity_on(transport: Transport) -> Identity | None:
    """Who answers on a port; None when nothing does that speaks this language."""
    from hil.observe import Introduced, Reader
    from hil.transport import PortGone
    from hil.wire import Damaged, Lines, line_of

    reader, lines = Reader(), Lines()
    try:
        transport.send(b"\n" + line_of("who"))
        until_us = transport.now_us + _ANSWER_US
        while transport.now_us < until_us:
            for heard in lines.of(transport.receive(until_us - transport.now_us)):
                seen = None if isinstance(heard, Damaged) else reader.take(heard)
                if isinstance(seen, Introduced):
                    return seen.identity
    except PortGone:
        return None
    return None


def only_port() -> str:
    """The port of the only board that answers. Raises UserError where there is none, or more than one."""
    found = ports_found()
    answering = [each for each in found if each.board is not None]
    if len(answering) == 1:
        return answering[0].port
    if answering:
        names = ", ".join(each.port for each in answering)
        raise UserError(f"more than one board answers: {names}", "choose one with --port", exit_status=2)
    if drives_found():
        raise UserError(
            "no board answers, but a chip waits for an image",
            "build the bench image (keyc firmware FILE --image bench -o bench.uf2) and copy it to that drive",
            exit_status=3,
        )
    raise no_board(found)


def no_board(ports: Sequence[PortFound]) -> UserError:
    """Why there is nobody to talk to, and what to try."""
    if not ports:
        return UserError("no board is plugged in: there is no serial port", _NO_BOARD, exit_status=3)
    troubles = "; ".join(f"{each.port}: {each.trouble or 'nothing answers'}" for each in ports)
    return UserError(f"no board answers ({troubles})", _NO_BOARD, exit_status=3)


_NO_BOARD = (
    "plug it in with BOOTSEL held, and `hil bench` copies its image to it. If nothing happens, "
    "`hil bench FILE --stages alive` says what to measure; `--virtual` tries it without a board"
)


def drives_found() -> list[Drive]:
    """Mounted drives that take UF2 files."""
    found = []
    for root in _mounts():
        try:
            text = (root / _INFO).read_text("ascii", "replace")
        except OSError:
            continue
        board = next((line[10:].strip() for line in text.splitlines() if line.startswith("Board-ID: ")), "")
        found.append(Drive(str(root), board))
    return found


def _mounts() -> Iterator[Path]:
    """The folders that drives are mounted on, where this system usually does it."""
    import os

    if os.name == "nt":
        yield from (Path(f"{letter}:\\") for letter in "DEFGHIJKLMNOPQRSTUVWXYZ")
        return
    for pattern in ("/media/*", "/media/*/*", "/run/media/*/*", "/Volumes/*", "/mnt/*"):
        yield from sorted(Path("/").glob(pattern[1:]))


def ports_text(ports: Sequence[PortFound], drives: Sequence[Drive]) -> str:
    """A line per port and drive."""
    lines = []
    for port in ports:
        if port.board is not None:
            wiring = f", wiring {port.board.wiring}" if port.board.wiring else ", no wiring of its own"
            said = f"a board: {port.board.image} image, protocol {port.board.protocol}{wiring}"
        else:
            said = port.trouble or "nothing that speaks this language"
        lines.append(f"{port.port}  {said}")
    lines += [
        f"{drive.path}  a chip that waits for an image ({drive.board or 'unknown'})" for drive in drives
    ]
    return "\n".join(lines) or "no serial port and no drive of a chip is there"
