"""Bytes to and from a board: a serial port or a socket, or a virtual board in this process."""

from __future__ import annotations

import errno
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from collections.abc import Callable

    from serial import SerialBase

    from hil.virtual import Console

_STEP_US = 1_000


class PortGone(Exception):
    """The port vanished: cable, power, or a reset of the chip. `announced` is the pin whose first drive
    was the last thing told, if it was: then that drive is the likely reason."""

    def __init__(self, reason: str, announced: int | None = None) -> None:
        super().__init__(reason)
        self.announced = announced


class Transport(Protocol):
    """Bytes to and from one board, and a clock in µs. Both directions raise PortGone."""

    @property
    def name(self) -> str: ...

    @property
    def now_us(self) -> int: ...

    def send(self, data: bytes) -> None: ...

    def receive(self, wait_us: int) -> bytes:
        """What has come; waits at most that long for the first byte; nothing after that is b""."""
        ...

    def reopen(self, wait_us: int) -> bool:
        """Waits at most that long for a port that was gone; whether it is back."""
        ...

    def close(self) -> None: ...


class BoardTransport:
    """A virtual board in this process. Waiting moves its clock, so nothing ever sleeps."""

    def __init__(self, board: Console) -> None:
        self.board = board

    @property
    def name(self) -> str:
        return "the virtual board"

    @property
    def now_us(self) -> int:
        return self.board.now_us

    def send(self, data: bytes) -> None:
        if not self.board.connected:
            raise PortGone("the virtual board is unplugged")
        self.board.send(data)

    def receive(self, wait_us: int) -> bytes:
        until_us = self.board.now_us + wait_us
        while True:
            data = self.board.receive()
            if data:
                return data
            if not self.board.connected:
                raise PortGone("the virtual board is gone")
            left_us = until_us - self.board.now_us
            if left_us <= 0:
                return b""
            self.board.advance(min(_STEP_US, left_us))

    def reopen(self, wait_us: int) -> bool:
        until_us = self.board.now_us + wait_us
        while not self.board.connected and self.board.now_us < until_us:
            self.board.advance(_STEP_US)
        return self.board.connected

    def close(self) -> None:
        pass


class SerialTransport:
    """Whatever `serial.serial_for_url` takes: a device, `COM5`, `socket://127.0.0.1:PORT`."""

    def __init__(self, url: str, while_gone: Callable[[], None] = lambda: None) -> None:
        """`while_gone` is called again and again while `reopen` waits: it may load an image."""
        import time

        self._while_gone = while_gone
        self._url = url
        self._clock_ns = time.monotonic_ns
        self._port = _opened(url)
        self._board = _board_on(url)

    @property
    def name(self) -> str:
        return self._url

    @property
    def now_us(self) -> int:
        return self._clock_ns() // 1000

    def send(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except OSError as error:  # SerialException is one
            raise PortGone(str(error)) from None

    def receive(self, wait_us: int) -> bytes:
        try:
            self._wait(wait_us)
            return bytes(self._port.read(4096))
        except OSError as error:
            raise PortGone(str(error)) from None

    def _wait(self, wait_us: int) -> None:
        from select import select

        try:
            select([self._port.fileno()], [], [], wait_us / 1e6)
        except (AttributeError, ValueError, OSError):  # no such thing on this system or for this URL
            from time import sleep

            sleep(min(wait_us, _STEP_US) / 1e6)

    def reopen(self, wait_us: int) -> bool:
        from time import sleep

        self.close()
        until_us = self.now_us + wait_us
        while True:
            # The system may give the same board another name when it comes back.
            url = _port_of(self._board) or self._url
            try:
                self._port = _opened(url)
                self._url = url
                return True
            except UserError:
                if self.now_us >= until_us:
                    return False
                self._while_gone()
                sleep(0.1)

    def close(self) -> None:
        from contextlib import suppress

        with suppress(OSError):
            self._port.close()


def _opened(url: str) -> SerialBase:
    """An open port that never blocks. UserError (exit status 3) says why it can't be had."""
    import serial

    try:
        port = serial.serial_for_url(url, do_not_open=True)
        port.timeout = 0
        port.write_timeout = 2
        if "://" not in url:
            port.exclusive = True
        port.open()
    except (OSError, ValueError) as error:
        raise _cannot_open(url, error) from None
    return port


def _cannot_open(url: str, error: Exception) -> UserError:
    code = _error_number(error)
    if code in (errno.EACCES, errno.EPERM):
        return UserError(f"no permission to open {url}", _how_to_be_let_in(url), exit_status=3)
    if code in (errno.EBUSY, errno.EAGAIN):
        mend = "close the other program (another `hil bench`, a serial terminal?), or unplug the board and "
        mend += "plug it in again"
        return UserError(f"{url} is in use by another program", mend, exit_status=3)
    if code == errno.ECONNREFUSED:
        mend = "start the virtual board first: hil virtual FILE --socket PORT"
        return UserError(f"nobody answers at {url}", mend, exit_status=3)
    if code == errno.ENOTTY:
        return UserError(f"{url} is no serial port", "`hil ports` lists them", exit_status=3)
    there = ", ".join(ports_there())
    mend = f"ports that are there: {there}" if there else "no serial port is there: is the board plugged in?"
    if code in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return UserError(f"there is no port {url}", mend, exit_status=3)
    return UserError(f"{url} can't be opened: {error}", mend, exit_status=3)


def _how_to_be_let_in(url: str) -> str:
    """What to do about a port that the system keeps for others."""
    import os

    try:
        import grp

        port = os.stat(url)
        group = grp.getgrgid(port.st_gid).gr_name
    except (ImportError, OSError, KeyError):  # no such thing on this system, or for this URL
        return "add yourself to the port's group (often `dialout`), then log in again"
    if port.st_mode & 0o060 != 0o060 or group in ("root", "wheel"):  # whose members may do anything
        return "this computer keeps it for its administrator: ask whoever looks after it"
    return (
        f"it is for members of the group {group}: type `sudo usermod -aG {group} $USER` in a terminal, then "
        "log out and in again"
    )


def _error_number(error: BaseException | None) -> int | None:
    """pyserial wraps the system's error; for sockets, and on Windows, only its text is left."""
    while error is not None:
        number = getattr(error, "errno", None)
        if number is not None:
            return int(number)
        if "FileNotFoundError" in str(error):
            return errno.ENOENT
        if "PermissionError" in str(error):
            return errno.EBUSY  # Windows refuses a port that is in use like this
        if "[Errno " in str(error):
            return int(str(error).split("[Errno ", 1)[1].split("]", 1)[0])
        error = error.__cause__ or error.__context__
    return None


@dataclass(frozen=True, slots=True)
class _Board:
    """What USB says of the board behind a port. `place`: which socket of which hub."""

    vendor: int
    product: int
    serial: str | None
    place: str | None


def _boards() -> list[tuple[str, _Board]]:
    from serial.tools.list_ports import comports

    return [
        (port.device, _Board(port.vid, port.pid, port.serial_number, port.location))
        for port in comports()
        if port.vid is not None
    ]


def _board_on(url: str) -> _Board | None:
    return None if "://" in url else dict(_boards()).get(url)


def _port_of(board: _Board | None) -> str | None:
    """Where this board is now: by its serial number, or where it has none by its socket. Its ids may be
    others than before: an image can have its own."""
    if board is None:
        return None
    alike = [
        (device, other)
        for device, other in _boards()
        if (other.serial == board.serial if board.serial else other.place == board.place)
    ]
    alike.sort(key=lambda each: (each[1].vendor, each[1].product) != (board.vendor, board.product))
    return alike[0][0] if alike else None


def ports_there() -> list[str]:
    """The names of this computer's serial ports."""
    from serial.tools.list_ports import comports

    return sorted(port.device for port in comports())
