"""The link: order, gaps, noise, restarts, vanished ports."""

from __future__ import annotations

import errno
from random import Random
from types import SimpleNamespace

import pytest

from hil.board import Board
from hil.faults import parse_fault
from hil.host_board import HostBoard
from hil.link import (
    BoardRestarted,
    Counters,
    Link,
    Lost,
    NoAnswer,
    Ordering,
    Refused,
)
from hil.transport import BoardTransport, PortGone, SerialTransport, Transport
from hil.virtual import Finger
from hil.wire import Sentence
from keyc.diagnostics import UserError
from keyc.keyboard import Wiring
from tests.hil.wirings import KNOWN, small, wiring_of

MASK = sum(1 << pin for pin in (2, 3, 4, 6, 7, 8, 9, 10))  # the lines of `small()`


def bench(wiring: Wiring | None = None, *faults: str, seed: int = 0) -> Finger:
    used = wiring or small()
    return Finger(HostBoard(used, [parse_fault(f, used) for f in faults], fingerprints=KNOWN, seed=seed))


class Noisy:
    """A transport that damages bytes, and loses and doubles whole chunks, both ways; seeded."""

    def __init__(self, inner: Transport, seed: int, damaged: float, lost: float, doubled: float) -> None:
        self._inner = inner
        self._chance = Random(seed)
        self._rates = damaged, lost, doubled

    @property
    def name(self) -> str:
        return self._inner.name

    @property
    def now_us(self) -> int:
        return self._inner.now_us

    def _through(self, data: bytes) -> bytes:
        damaged, lost, doubled = self._rates
        sent = bytearray()
        for at in range(0, len(data), 64):  # a full-speed bulk packet (USB 2.0, 5.8.3)
            packet = bytearray(data[at : at + 64])
            for n in range(len(packet)):
                if self._chance.random() < damaged:
                    packet[n] ^= 1 << self._chance.randrange(8)
            if self._chance.random() < lost:
                continue
            sent += packet * (2 if self._chance.random() < doubled else 1)
        return bytes(sent)

    def send(self, data: bytes) -> None:
        self._inner.send(self._through(data))

    def receive(self, wait_us: int) -> bytes:
        return self._through(self._inner.receive(wait_us))

    def reopen(self, wait_us: int) -> bool:
        return self._inner.reopen(wait_us)

    def close(self) -> None:
        self._inner.close()


def rows_of(said: list[Sentence]) -> dict[str, int]:
    return {one.fields[0]: one.mask(1) for one in said if one.name in ("low-lines", "change")}


def press(link: Link, finger: Finger, switch: str) -> list[Sentence | Lost]:
    """Everything that a press and its release bring."""
    finger.tap(switch, 30_000)
    said = []
    while (one := link.sentence(150_000)) is not None:
        said.append(one)
    return said


# -- a clean line ----------------------------------------------------------------------------------------


def test_a_conversation() -> None:
    finger = bench()
    kept = bytearray()
    link = Link(BoardTransport(finger), kept.extend)
    assert [one.name for one in link.who()] == [
        "hello",
        *["can"] * 8,
        "flash-id",
        *["fingerprint"] * 3,
        "finished",
    ]
    assert rows_of(link.look())["down"] == 0x3FFFFFFF
    assert set(rows_of(link.watch())) == {"down", "up", "2", "3", "4", "6", "7", "8", "9", "10"}
    said = [one for one in press(link, finger, "SW6") if isinstance(one, Sentence)]
    assert [(one.name, *one.fields[:2]) for one in said] == [
        ("change", "3", "80"),
        ("finished", "change"),
        ("change", "3", "0"),
        ("finished", "change"),
    ]
    assert link.stop()[-1].fields == ("stop",)
    counters = link.counters
    assert (counters.damaged, counters.lost, counters.resent, counters.doubled) == (0, 0, 0, 0)
    assert counters.lines == kept.count(b"\n")


def test_a_mask_that_the_board_may_not_drive_is_refused() -> None:
    link = Link(BoardTransport(bench()))
    link.who()
    with pytest.raises(Refused, match="pin-not-free"):
        link.look(1 << 30)


def test_the_board_forgets_what_was_acknowledged() -> None:
    """2,000 lines through a ring of 512: none is missed, because they are acknowledged in time."""
    finger = bench()
    link = Link(BoardTransport(finger))
    link.who()
    for _ in range(30):
        assert "missed" not in [one.name for one in link.look()]
    assert link.counters.lost == 0
    assert link.counters.lines > 1_500


def test_old_lines_in_the_port_are_no_introduction() -> None:
    """A board that was in a conversation before: its unread lines and a hello of its own come first."""
    finger = bench()
    finger.send(b"who\nlook\n")
    finger.advance(100_000)
    link = Link(BoardTransport(finger))
    said = link.who()
    assert said[0].name == "hello"
    assert said[-1].fields == ("who",)
    assert len(said) == 14


def test_a_board_that_says_nothing() -> None:
    class Silent(BoardTransport):
        def send(self, data: bytes) -> None:
            pass

    finger = bench()
    finger.advance(5_000)
    finger.receive()
    with pytest.raises(NoAnswer, match="no answer to “who”"):
        Link(Silent(finger)).who()
    assert finger.now_us < 5_000_000


# -- a bad line ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_noise_never_changes_what_was_said(seed: int) -> None:
    """1 % of the bytes damaged, 2 % of the packets lost, 2 % doubled, both ways."""
    finger = bench(None, "reversed SW6")
    link = Link(Noisy(BoardTransport(finger), seed, damaged=0.01, lost=0.02, doubled=0.02))
    clean = Link(BoardTransport(bench(None, "reversed SW6")))
    for one in (link, clean):
        one.who()
    table = rows_of(clean.look())
    assert rows_of(link.look()) == table
    for switch in ("SW1", "SW6", "SW12", "SW13"):
        base = rows_of(link.watch())
        finger.down(switch)
        rows = dict(base)
        for phase in ("down", "up"):
            until_us = finger.now_us + 3_000_000
            while finger.now_us < until_us:
                said = link.sentence(100_000)
                if isinstance(said, Lost):
                    rows = rows_of(link.watch())
                elif said is not None:
                    rows |= rows_of([said])  # also of a `watch` that came twice
            pressed = frozenset({switch} if phase == "down" else ())
            model = Board(finger.board.wiring, finger.board.faults).table(pressed)
            for pin in (2, 3, 4, 6, 7, 8, 9, 10):
                assert rows[str(pin)] == model.driven[pin].low & MASK & ~(1 << pin)
            finger.up(switch)
    assert link.counters.damaged > 0
    assert link.counters.resent > 0


@pytest.mark.parametrize("seed", range(6))
def test_sentences_come_in_order_each_once(seed: int) -> None:
    finger = bench()
    link = Link(Noisy(BoardTransport(finger), seed, damaged=0.01, lost=0.05, doubled=0.05))
    said = [*link.who(), *link.look(), *link.watch()]
    numbers = [one.sequence for one in said]
    assert len(set(numbers)) == len(numbers)
    assert numbers == sorted(numbers)


def test_a_lost_last_line_is_asked_for_without_an_event() -> None:
    class Swallows(BoardTransport):
        swallow = False

        def receive(self, wait_us: int) -> bytes:
            data = super().receive(wait_us)
            if self.swallow and b"finished change" in data:
                self.swallow = False
                return b""
            return data

    finger = bench()
    transport = Swallows(finger)
    link = Link(transport)
    link.who()
    link.watch()
    transport.swallow = True
    finger.down("SW1")
    names = []
    while (said := link.sentence(1_000_000)) is not None:
        assert isinstance(said, Sentence)
        names.append(said.name)
    assert names == ["change", "finished"]


def test_what_the_board_no_longer_has_is_told_as_lost() -> None:
    """A computer that slept: 700 lines went by, 512 are kept."""
    finger = bench()
    link = Link(BoardTransport(finger))
    link.who()
    for _ in range(70):
        finger.send(b"who\n")
        finger.advance(3_000)
        finger.receive()
    answer = link.look()
    assert answer[-1].fields == ("look",)
    assert link.counters.lost > 0


# -- restarts, cables, ports -----------------------------------------------------------------------------


def test_a_board_that_restarts_is_noticed() -> None:
    finger = bench()
    link = Link(BoardTransport(finger))
    link.who()
    link.look()
    finger.board.unplug()
    finger.board.plug()
    with pytest.raises(BoardRestarted):
        link.sentence(100_000)
    assert link.who()[0].name == "hello"


def test_a_pulled_cable_is_noticed_and_mended() -> None:
    finger = bench()
    link = Link(BoardTransport(finger))
    link.who()
    link.watch()
    finger.obey("wait 30ms")
    finger.obey("unplug")
    finger.obey("wait 500ms")
    finger.obey("plug")
    with pytest.raises(PortGone) as gone:
        link.sentence(1_000_000)
    assert gone.value.announced is None
    assert link.reconnect(2_000_000)
    assert link.who()[-1].fields == ("who",)
    assert link.counters.reconnects == 1


def test_a_port_that_stays_away() -> None:
    finger = bench()
    link = Link(BoardTransport(finger))
    finger.board.unplug()
    assert not link.reconnect(300_000)


def test_a_reset_at_a_first_drive_names_the_pin() -> None:
    wiring = wiring_of((2, 16), (6, 7))
    link = Link(BoardTransport(bench(wiring, "bridge GPIO16 RUN", seed=1)))
    link.who()
    with pytest.raises(PortGone) as gone:
        link.look()
    assert gone.value.announced == 16


def test_what_was_said_before_the_cable_was_pulled_is_still_heard() -> None:
    finger = bench()
    link = Link(BoardTransport(finger))
    link.who()
    link.watch()
    finger.down("SW1")
    finger.advance(20_000)
    finger.board.unplug()
    said = [link.sentence(100_000) for _ in range(2)]
    assert [one.name for one in said if isinstance(one, Sentence)] == ["change", "finished"]
    with pytest.raises(PortGone):
        link.sentence(100_000)


@pytest.mark.parametrize(
    ("error", "says", "mend"),
    [
        (OSError(errno.EACCES, "Permission denied"), "no permission", "group"),
        (OSError(errno.EBUSY, "Device or resource busy"), "in use", "other program"),
        (OSError(errno.ENOENT, "No such file"), "there is no port", "port"),
        (OSError("Could not exclusively lock port: [Errno 11] Resource unavailable"), "in use", "close"),
        (OSError("Could not open port: [Errno 111] Connection refused"), "nobody answers", "hil virtual"),
        (OSError("could not open port 'COM9': FileNotFoundError(2, '…', None, 2)"), "no port", "port"),
        (OSError("could not open port 'COM9': PermissionError(13, '…', None, 5)"), "in use", "close"),
        (ValueError("invalid URL, protocol 'x' not known"), "can't be opened", "port"),
    ],
)
def test_a_port_that_can_not_be_had_is_explained(
    monkeypatch: pytest.MonkeyPatch, error: Exception, says: str, mend: str
) -> None:
    """The texts are those that pyserial 3.5 makes of the systems' errors (its serialposix, serialwin32)."""
    import serial

    def refuse(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(UserError, match=says) as told:
        SerialTransport("/dev/ttyACM9")
    assert told.value.exit_status == 3
    assert mend in (told.value.help or "")


def test_a_port_of_a_group_is_told_with_how_to_join_it(monkeypatch: pytest.MonkeyPatch) -> None:
    import grp
    import os
    import pty

    import serial

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    ours, theirs = pty.openpty()
    try:
        name = os.ttyname(theirs)
        os.chmod(name, 0o660)
        group = SimpleNamespace(gr_name="plugdev")
        monkeypatch.setattr(grp, "getgrgid", lambda number: group)
        with pytest.raises(UserError, match="no permission") as told:
            SerialTransport(name)
        assert "sudo usermod -aG plugdev $USER" in (told.value.help or "")
        os.chmod(name, 0o600)
        with pytest.raises(UserError, match="no permission") as told:
            SerialTransport(name)
        assert "usermod" not in (told.value.help or "")
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(UserError, match="there is no port /dev/no-such-port"):
        SerialTransport("/dev/no-such-port")


# -- order alone -------------------------------------------------------------------------------------


def numbered(*numbers: int) -> list[Sentence]:
    return [Sentence("rise", ("4", str(n)), n % 65_536) for n in numbers]


def test_any_order_becomes_the_right_one() -> None:
    for seed in range(50):
        chance = Random(seed)
        lines = numbered(*range(65_500, 65_600))
        order = Ordering(Counters())
        ready = list(order.put(lines[0]))
        shuffled = lines[1:] + chance.choices(lines, k=40)
        chance.shuffle(shuffled)
        for line in shuffled:
            ready += order.put(line)
        assert ready == lines
        assert not order.has_gap


def test_another_line_under_a_number_already_used_is_a_restart() -> None:
    order = Ordering(Counters())
    for line in numbered(0, 1, 2, 3):
        list(order.put(line))
    assert list(order.put(numbered(2)[0])) == []
    with pytest.raises(BoardRestarted):
        order.put(Sentence("hello", ("1", "bench", "0"), 0))


def test_a_gap_that_is_given_up_is_counted_and_what_follows_is_in_order() -> None:
    counters = Counters()
    order = Ordering(counters)
    for line in numbered(1, 2, 5, 6, 9):
        list(order.put(line))
    assert order.skip_gap() == 2
    assert list(order.ready()) == numbered(5, 6)
    assert order.skip_gap() == 2
    assert list(order.ready()) == numbered(9)
    assert order.skip_gap() == 0
    assert counters.lost == 4


def test_lines_that_come_later_than_their_followers_count_as_sent_again() -> None:
    counters = Counters()
    order = Ordering(counters)
    for line in numbered(1, 3, 2, 2, 3):
        list(order.put(line))
    assert (counters.lines, counters.resent, counters.doubled) == (3, 1, 2)
