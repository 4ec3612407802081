"""The USB code on this computer as a USB/IP device on loopback (Linux: Documentation/usb/usbip_protocol.rst).

Only what one client needs: import, submit, unlink. The host side in the tests is PyPI's `usbip`, which knows
nothing of this one.
"""

from __future__ import annotations

import errno
import socket
import struct
import threading
from collections.abc import Callable

_VERSION = 0x0111
_OP_REQ_IMPORT, _OP_REP_IMPORT = 0x8003, 0x0003
_CMD_SUBMIT, _CMD_UNLINK, _RET_SUBMIT, _RET_UNLINK = 1, 2, 3, 4
_FULL_SPEED = 2
_HEADER = struct.Struct(">IIIII 28s")

# (endpoint number, towards the host, setup, data, length) -> what came, or None for a STALL.
Transfer = Callable[[int, bool, bytes, bytes, int], bytes | None]


class UsbIpServer:
    """Serves one device to one client; `transfer` carries out one transfer."""

    def __init__(self, device_descriptor: bytes, transfer: Transfer) -> None:
        self._descriptor = device_descriptor
        self._transfer = transfer
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._listening.close()
        self._thread.join(timeout=5)

    def _serve(self) -> None:
        try:
            connection, _ = self._listening.accept()
        except OSError:
            return
        with connection:
            try:
                self._import(connection)
                while True:
                    self._answer(connection)
            except (ConnectionError, EOFError):
                return

    def _import(self, connection: socket.socket) -> None:
        version, code, _, bus = struct.unpack(">HHI32s", _exactly(connection, 40))
        assert (version, code) == (_VERSION, _OP_REQ_IMPORT), "import is the only question here"
        vendor, product, released = struct.unpack_from("<HHH", self._descriptor, 8)
        connection.sendall(
            struct.pack(">HHI", _VERSION, _OP_REP_IMPORT, 0)
            + struct.pack(">256s32sIII", b"/tests", bus, 1, 2, _FULL_SPEED)
            + struct.pack(">HHH", vendor, product, released)
            + bytes((*self._descriptor[4:7], 1, 1, 1))
        )

    def _answer(self, connection: socket.socket) -> None:
        command, sequence, _, to_host, endpoint, rest = _HEADER.unpack(_exactly(connection, _HEADER.size))
        if command == _CMD_UNLINK:
            connection.sendall(_HEADER.pack(_RET_UNLINK, sequence, 0, 0, 0, struct.pack(">i24x", 0)))
            return
        assert command == _CMD_SUBMIT
        _, length, _, _, _, setup = struct.unpack(">Iiiii8s", rest)
        data = b"" if to_host else _exactly(connection, length)
        came = self._transfer(endpoint, bool(to_host), setup, data, length)
        status, actual = (-errno.EPIPE, 0) if came is None else (0, len(came) if to_host else length)
        numbers = struct.pack(">iiiii8x", status, actual, 0, 0, 0)
        reply = _HEADER.pack(_RET_SUBMIT, sequence, 0, 0, 0, numbers)
        connection.sendall(reply + (came if to_host and came else b""))


def _exactly(connection: socket.socket, count: int) -> bytes:
    got = b""
    while len(got) < count:
        part = connection.recv(count - len(got))
        if not part:
            raise EOFError
        got += part
    return got
