"""A board that comes back under another name is the same board."""

from __future__ import annotations

import os
import pty
from types import SimpleNamespace

import pytest

from hil.transport import SerialTransport

ports = pytest.importorskip("serial.tools.list_ports")


def a_port(device: str, serial: str | None, place: str = "1-1", product: int = 1) -> SimpleNamespace:
    """As pyserial lists one (its documentation: `serial.tools.list_ports.ListPortInfo`)."""
    return SimpleNamespace(device=device, vid=0x1209, pid=product, serial_number=serial, location=place)


@pytest.mark.parametrize("serial", ["E661", None])
def test_the_port_has_another_name(serial: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second, stranger = (pty.openpty() for _ in range(3))
    names = [os.ttyname(port[1]) for port in (first, second, stranger)]
    monkeypatch.setattr(ports, "comports", lambda: [a_port(names[0], serial)])
    transport = SerialTransport(names[0])
    # Another device has taken the old name; this board is in the same socket, with its own serial number.
    there = [
        a_port(names[0], "OTHER", "1-2"),
        a_port(names[2], serial, "1-1", product=2),
        a_port(names[1], serial, "1-1"),
    ]
    monkeypatch.setattr(ports, "comports", lambda: there)
    assert transport.reopen(1_000_000)
    assert transport.name == names[1]
    os.write(second[0], b"hello\n")
    assert transport.receive(1_000_000) == b"hello\n"
    transport.close()


def test_a_board_that_usb_knows_nothing_of_is_looked_for_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    _, slave = pty.openpty()
    name = os.ttyname(slave)
    monkeypatch.setattr(ports, "comports", lambda: [a_port("/dev/elsewhere", "E661")])
    transport = SerialTransport(name)
    assert transport.reopen(1_000_000)
    assert transport.name == name
    transport.close()
