"""Virtual boards: the finger, the port that others open, and what every kind of board can do."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Literal

import pytest
import serial

from hil.faults import Fault, parse_fault
from hil.host_board import HostBoard
from hil.link import Link, Lost
from hil.transport import BoardTransport, PortGone, SerialTransport
from hil.virtual import Finger, Port, PtyPort, Server, SocketPort, VirtualBoard
from hil.wire import Sentence, line_of
from keyc.diagnostics import UserError
from keyc.keyboard import Keyboard
from tests.hil.wirings import KNOWN, small, wiring_of

ROOT = Path(__file__).parents[2]


def finger(*faults: str, seed: int = 0) -> Finger:
    wiring = small()
    planted = [parse_fault(fault, wiring) for fault in faults]
    return Finger(HostBoard(wiring, planted, fingerprints=KNOWN, seed=seed), seed)


class Logged:
    """A board that only notes when its contacts change."""

    def __init__(self, *faults: str) -> None:
        self.wiring = small()
        self.faults = tuple(parse_fault(fault, self.wiring) for fault in faults)
        self.now_us = 0
        self.connected = True
        self.log: list[tuple[int, frozenset[str]]] = []

    def advance(self, us: int) -> None:
        self.now_us += us

    def set_closed(self, switches: frozenset[str]) -> None:
        self.log.append((self.now_us, switches))

    def send(self, data: bytes) -> None: ...

    def receive(self) -> bytes:
        return b""

    def reports(self) -> list[tuple[int, str, bytes]]:
        return []

    def lit_us(self) -> dict[int, int]:
        return {}

    def set_faults(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)

    def next_image(self, keyboard: Keyboard, image: Literal["bench", "trial"]) -> None: ...

    def unplug(self) -> None:
        self.connected = False

    def plug(self) -> None:
        self.connected = True


def contacts(board: Logged, switch: str) -> list[tuple[int, bool]]:
    """When this contact closed and opened."""
    changes: list[tuple[int, bool]] = []
    for time_us, closed in board.log:
        if not changes or changes[-1][1] is not (switch in closed):
            changes.append((time_us, switch in closed))
    return changes


# -- the finger ------------------------------------------------------------------------------------------


def test_a_script_runs_in_the_boards_time() -> None:
    board = Logged()
    hand = Finger(board)
    for command in ("down SW1", "wait 5ms", "tap SW2 12ms", "up SW1", "wait 800us", "tap SW3", "# rest", ""):
        hand.obey(command)
    hand.advance(100_000)
    assert board.log == [
        (0, frozenset({"SW1"})),
        (5_000, frozenset({"SW1", "SW2"})),
        (17_000, frozenset({"SW1"})),
        (17_000, frozenset()),
        (17_800, frozenset({"SW3"})),
        (37_800, frozenset()),
    ]
    assert hand.now_us == 100_000


def test_up_alone_lets_everything_go() -> None:
    board = Logged()
    hand = Finger(board)
    for command in ("down SW1", "down SW2", "wait 1ms", "up"):
        hand.obey(command)
    hand.advance(10_000)
    assert board.log[-1] == (1_000, frozenset())


def test_the_cable() -> None:
    board = Logged()
    hand = Finger(board)
    for command in ("unplug", "wait 1s", "plug"):
        hand.obey(command)
    hand.advance(500_000)
    assert not hand.connected
    hand.advance(500_000)
    assert hand.connected


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ("press SW1", "no finger command"),
        ("tap", "no finger command"),
        ("tap SW1 12", "no time"),
        ("down SW99", "no switch SW99"),
        ("wait", "no finger command"),
    ],
)
def test_what_is_no_command_is_explained(command: str, says: str) -> None:
    with pytest.raises(UserError, match=says) as told:
        finger().obey(command)
    assert told.value.help


def test_a_bouncing_contact_comes_to_rest_after_its_time() -> None:
    board = Logged("bounces SW7 6ms")
    hand = Finger(board, seed=3)
    hand.tap("SW7", 40_000)
    hand.advance(100_000)
    changes = contacts(board, "SW7")
    assert changes[0] == (0, True)
    pressing = [at for at, _ in changes if at < 40_000]
    releasing = [at for at, _ in changes if at >= 40_000]
    assert len(pressing) > 5
    assert len(releasing) > 5
    assert max(pressing) <= 6_000
    assert releasing[0] == 40_000
    assert max(releasing) <= 46_000
    assert changes[-1][1] is False


def test_bouncing_is_the_same_for_the_same_seed() -> None:
    logs = []
    for seed in (1, 1, 2):
        board = Logged("bounces SW7 6ms")
        hand = Finger(board, seed)
        hand.tap("SW7", 40_000)
        hand.advance(100_000)
        logs.append(board.log)
    assert logs[0] == logs[1] != logs[2]


def test_a_contact_that_drops() -> None:
    board = Logged("drops SW7")
    hand = Finger(board)
    for _ in range(3):
        hand.tap("SW7", 30_000)
        hand.advance(100_000)
    assert contacts(board, "SW7") == [
        *[(0, True), (9_000, False), (18_000, True), (30_000, False)],
        *[(100_000, True), (109_000, False), (118_000, True), (130_000, False)],
    ]


def test_a_drop_does_not_outlast_the_press() -> None:
    board = Logged("drops SW7")
    hand = Finger(board)
    hand.tap("SW7", 10_000)
    hand.advance(100_000)
    assert contacts(board, "SW7")[-1][1] is False


def test_a_sticking_contact_stays_from_its_first_press_on() -> None:
    board = Logged("sticks SW7")
    hand = Finger(board)
    hand.advance(50_000)
    assert board.log == []
    hand.tap("SW7")
    hand.advance(100_000)
    assert board.log == [(50_000, frozenset({"SW7"}))]


def test_a_prompt_is_followed() -> None:
    hand = finger()
    link = Link(BoardTransport(hand))
    link.who()
    link.watch()
    for switch in hand.board.wiring.switches:
        done_us = hand.tap(switch.name, 30_000, hand.now_us + 40_000)
        frames = 0
        while hand.now_us < done_us + 30_000:
            said = link.sentence(10_000)
            assert not isinstance(said, Lost)
            frames += said is not None and said.fields == ("change",)
        assert frames == 2


# -- boards ----------------------------------------------------------------------------------------------


def test_both_kinds_of_board_are_virtual_boards() -> None:
    """What the type checker sees, once more for whoever runs only the tests."""
    from hil.chip.chip_board import ChipBoard

    wanted = {name for name in dir(VirtualBoard) if not name.startswith("_")}
    assert wanted >= {"advance", "send", "receive", "set_closed", "reports", "unplug", "plug", "connected"}
    for kind in (HostBoard, ChipBoard):
        assert wanted <= set(dir(kind)) | {"wiring"}


def test_an_unplugged_board_hears_and_says_nothing() -> None:
    hand = finger()
    hand.board.unplug()
    hand.send(b"who\n")
    hand.advance(10_000)
    assert hand.receive() in (b"", line_of("hello", 1, "bench", 0, sequence=0))
    assert hand.receive() == b""
    hand.board.plug()
    hand.advance(10_000)
    assert hand.receive().startswith(b"hello 1 bench")


@pytest.mark.parametrize("fault", ["no-usb", "bridge GPIO6 RUN"])
def test_a_board_that_does_not_show_itself(fault: str) -> None:
    faults = [fault, "low GPIO6"] if fault != "no-usb" else [fault]
    assert not finger(*faults).connected


def test_the_daily_image_types() -> None:
    """The same engine as in the image, over the same model: SW1 pressed and released is two reports."""
    from keyc.keyboard import Press, Usage
    from keyc.table_rows import CELL_OFF, KIND_KEY, KIND_SHIFT, NO_SWITCH, Tables, TimingRow

    wiring = wiring_of((2,), (6, 7))
    tables = Tables(
        driven=wiring.driven,
        sensed=wiring.sensed,
        direct=(),
        switch_at=((0, 1),),
        cells=((KIND_KEY << KIND_SHIFT | 0x04, CELL_OFF),),
        actions=(Press(Usage(0x0C, 0xE9)),),
        timings=(TimingRow(5_000, False),),
        timing_of=None,
        second_reports=0,
    )
    assert NO_SWITCH not in tables.switch_at[0]
    board = HostBoard(wiring, image="daily", tables=tables)
    board.advance(20_000)
    board.set_closed(frozenset({"SW1"}))
    board.advance(20_000)
    board.set_closed(frozenset())
    board.advance(20_000)
    reports = board.reports()
    # HID 1.11 appendix B.1: byte 2 is the first key; usage 0x04 of the keyboard page is `a and A`.
    assert [(which, data[2]) for _, which, data in reports] == [("keyboard", 4), ("keyboard", 0)]
    assert board.receive() == b""


# -- ports -----------------------------------------------------------------------------------------------


class Served:
    """A virtual board in real time in a thread."""

    def __init__(self, port: Port, *faults: str) -> None:
        self.finger = finger(*faults)
        self.names: list[str] = []
        self._named = threading.Event()
        self._stop = threading.Event()
        read, self._write = os.pipe()
        self._commands = os.fdopen(read)
        self.complaints: list[str] = []
        server = Server(self.finger, port, self._name, lambda error: self.complaints.append(error.message))
        self._thread = threading.Thread(target=server.serve, args=(self._commands, self._stop.is_set))
        self._thread.start()
        assert self._named.wait(5)

    def _name(self, name: str) -> None:
        self.names.append(name)
        self._named.set()

    def type(self, text: str) -> None:
        os.write(self._write, text.encode())

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        assert not self._thread.is_alive()
        os.close(self._write)
        self._commands.close()


@pytest.fixture(params=["pty", "socket"])
def served(request: pytest.FixtureRequest) -> Iterator[Served]:
    board = Served(PtyPort() if request.param == "pty" else SocketPort(0))
    yield board
    board.close()


def test_a_session_through_pyserial(served: Served) -> None:
    link = Link(SerialTransport(served.names[0]))
    assert link.who()[0].fields[:2] == ("1", "bench")
    assert len([one for one in link.look() if one.name == "low-lines"]) == 32
    link.watch()
    served.type("tap SW6 30ms\n")
    frames: list[tuple[str, ...]] = []
    while len(frames) < 4:
        said = link.sentence(3_000_000)
        assert isinstance(said, Sentence)
        frames.append((said.name, *said.fields[:2]))
    assert frames[::2] == [("change", "3", "80"), ("change", "3", "0")]
    link.close()


def test_a_cable_pulled_in_the_middle(served: Served) -> None:
    link = Link(SerialTransport(served.names[0]))
    link.who()
    link.watch()
    served.type("unplug\n")
    with pytest.raises(PortGone):
        link.sentence(5_000_000)
    served.type("plug\n")
    assert link.reconnect(5_000_000)
    assert link.who()[-1].fields == ("who",)
    assert served.names == [served.names[0]] * 2
    link.close()


def test_a_wrong_finger_command_is_told_and_the_board_goes_on(served: Served) -> None:
    served.type("dance\n")
    link = Link(SerialTransport(served.names[0]))
    link.who()
    assert served.complaints == ["“dance” is no finger command"]
    link.close()


def test_a_port_in_use_is_busy() -> None:
    board = Served(PtyPort())
    first = SerialTransport(board.names[0])
    with pytest.raises(UserError, match="in use by another program"):
        SerialTransport(board.names[0])
    first.close()
    board.close()


def test_a_socket_port_that_is_taken_is_explained() -> None:
    first = SocketPort(0)
    number = int(first.open().rsplit(":", 1)[1])
    with pytest.raises(UserError, match=f"port {number} can't be had"):
        SocketPort(number).open()
    first.close()


def test_a_socket_port_that_can_not_be_is_wrong_use() -> None:
    with pytest.raises(UserError, match="there is no port 99999") as caught:
        SocketPort(99999).open()
    assert caught.value.exit_status == 2


def test_a_plain_serial_terminal_is_enough(served: Served) -> None:
    """What pyserial alone reads when somebody types `who`."""
    with serial.serial_for_url(served.names[0], timeout=2) as port:
        port.write(b"who\r\n")
        lines: list[bytes] = []
        while not lines or not lines[-1].startswith(b"finished who"):
            lines.append(port.readline())
            assert lines[-1], lines
    assert any(line.startswith(b"can pins 3FFFFFFF ") for line in lines)


def test_the_command_prints_its_port_and_ends_when_told_to() -> None:
    program = (
        "from hil.virtual import run\nfrom tests.hil.wirings import small\n"
        "from types import SimpleNamespace\n"
        "import hil.virtual as virtual\nfrom hil.host_board import HostBoard\n"
        "virtual.board_of = lambda keyboard, faults, chip, seed: HostBoard(keyboard.wiring, faults)\n"
        "try:\n    run(SimpleNamespace(wiring=small()), ['open SW7'], socket_port=0)\n"
        "except KeyboardInterrupt:\n    raise SystemExit(130)\n"
    )
    running = subprocess.Popen(
        [sys.executable, "-c", program],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert running.stdout is not None
    name = running.stdout.readline().strip()
    link = Link(SerialTransport(name))
    assert link.who()[0].name == "hello"
    link.close()
    running.send_signal(signal.SIGTERM)
    assert running.wait(5) == 130
    running.stdout.close()
