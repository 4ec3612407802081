"""A virtual board: what every kind of it can do, the finger on it, and a port that others can open.

In this process a board runs on its own clock. Behind a pty or a socket it runs in real time.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from heapq import heappop, heappush
from typing import IO, TYPE_CHECKING, Literal, Protocol

from hil.faults import USB_SOCKET, Fault, dial_contacts, duration_us, gpio_of, parse_fault, percent_of
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from socket import socket as Socket

    from keyc.keyboard import Keyboard, Wiring

TAP_US = 20_000
_EDGE_US, _DETENT_US = 12_000, 240_000  # of a dial that is turned slowly, from detent to detent
_DROP_US = 9_000  # long enough to be told as a change of its own, by the chip as well
_SQUEEZED_US = 8_000  # how long a joint lets go that is squeezed

# Good contacts bounce for 0.1 to 5 ms, opening less (common practice); each switch in its own way.
_USUAL_BOUNCE_US, _LONGEST_BOUNCE_US, _SHORTEST_BOUNCE_US = 600, 4_500, 100
_OPENING = 0.6
_MOST_BOUNCES = 5
_LONGEST_GAP_US = 1_500  # that a bouncing contact is away for
_DIAL_CLOSED = ((0, 0), (1, 0), (1, 1), (0, 1))  # contacts A and B, edge by edge clockwise
_TICK_S = 0.001
_LONGEST_LEAP_US = 20_000  # when this computer is slower than the board, its clock falls behind


class Console(Protocol):
    """A board as the computer sees it: bytes, whether it is there, and the time that passes on it."""

    @property
    def now_us(self) -> int: ...

    @property
    def connected(self) -> bool: ...

    def advance(self, us: int, /) -> None: ...

    def send(self, data: bytes, /) -> None: ...

    def receive(self) -> bytes: ...


class VirtualBoard(Console, Protocol):
    """A board on the bench: `hil.host_board.HostBoard`, `hil.chip.chip_board.ChipBoard`."""

    wiring: Wiring

    @property
    def faults(self) -> tuple[Fault, ...]: ...

    def set_faults(self, faults: Iterable[Fault], /) -> None:
        """Other faults from now on, as after the iron."""
        ...

    def set_closed(self, switches: frozenset[str], /) -> None:
        """These switches' contacts (and a dial's, `hil.faults.dial_contacts`) are closed from now on, all
        others open."""
        ...

    def lit_us(self) -> dict[int, int]:
        """How long each light has been lit so far, by its pin."""
        ...

    def reports(self) -> list[tuple[int, str, bytes]]:
        """Key reports since the last call: time in µs, which, bytes. The daily image's."""
        ...

    def unplug(self) -> None: ...

    def plug(self) -> None: ...

    def next_image(self, keyboard: Keyboard, image: Literal["bench", "trial"], /) -> None:
        """The image that it gets when it is plugged in next."""
        ...


def board_of(
    keyboard: Keyboard, faults: Iterable[Fault] = (), *, chip: bool = False, seed: int = 0
) -> VirtualBoard:
    """A virtual board with this keyboard's bench image: the C on this computer, or the UF2 in an
    emulated chip. Raises UserError (exit status 3) where a compiler or the emulator is missing."""
    if not chip:
        from hil.host_board import HostBoard
        from keyc.fingerprints import fingerprints

        return HostBoard(keyboard.wiring, faults, fingerprints=fingerprints(keyboard), seed=seed)
    try:
        from hil.chip.chip_board import ChipBoard
    except ImportError as error:
        help_text = 'install it with `pip install "keyc[chip]"`'
        raise UserError(f"the chip's emulator isn't installed ({error})", help_text, exit_status=3) from None
    from keyc.image.firmware import build_uf2

    board = ChipBoard(build_uf2(keyboard, "bench").bytes, keyboard.wiring, faults, seed)
    board.plug()
    return board


def loader_of(board: VirtualBoard, keyboard: Keyboard) -> Callable[[str], None]:
    """What gives a virtual board the image of that name when it is plugged in next."""

    def load(image: str) -> None:
        board.next_image(keyboard, "trial" if image == "trial" else "bench")

    return load


# -- the finger --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, order=True)
class _Happening:
    time_us: int
    number: int
    kind: str  # "closes", "opens", "lets-go", "comes-back", "unplug", "plug", "mend"
    switch: str = ""  # of "mend": the fault


class Finger:
    """Presses switches of a virtual board, in time. Let time pass here, and what was asked for happens.

    It also knows how bad contacts behave: a switch that `bounces` makes and breaks for that long at each
    end, one that `drops` lets go in the middle of a press and doesn't answer each third one at all, one
    that `sticks` stays closed from its first press on. With a share (`drops SW7 20%`) they do so in as many
    presses, and what drops in as many squeezes of the case; `drops GPIO3` is a line's joint, which only
    squeezing moves, and `drops USB` the socket's. `bouncing`: good contacts bounce, too, as they do. Stands
    for the board as a `Console`.
    """

    def __init__(self, board: VirtualBoard, seed: int = 0, *, bouncing: bool = False) -> None:
        self.board = board
        self._seed, self._bouncing = seed, bouncing
        self._know(board.faults)
        self._loose: set[str] = set()  # what has let go and will come back
        self._stuck: set[str] = set()
        self._squeezes = 0
        self._closed: frozenset[str] = frozenset()
        self._happenings: list[_Happening] = []
        self._number = 0
        self._presses: dict[str, int] = {}
        self._down: dict[str, None] = {}
        self._edges: dict[str, int] = {}  # of each dial, clockwise from where it rested first
        self._script_us = board.now_us  # when the next command of a script begins

    # -- what a hand can do; times are absolute µs of the board's clock, None: now --

    def down(self, switch: str, at_us: int | None = None) -> None:
        """The contact closes, and drops out or bounces on the way as the planted faults have it."""
        at_us = self.now_us if at_us is None else at_us
        press = self._presses[switch] = self._presses.get(switch, 0) + 1
        self._down[switch] = None
        drops = self._kinds.get(("drops", switch))
        if drops is not None:
            if drops.amount is None and press % 3 == 0:
                return
            if drops.amount is None or self._strikes(drops, f"press {press}"):
                self._plan(at_us + _DROP_US, "opens", switch)
                self._plan(at_us + 2 * _DROP_US, "closes", switch)
        self._contact(switch, "closes", at_us, press)

    def up(self, switch: str, at_us: int | None = None) -> None:
        """The contact opens, unless a planted fault makes it stick."""
        at_us = self.now_us if at_us is None else at_us
        self._down.pop(switch, None)
        sticks = self._kinds.get(("sticks", switch))
        if sticks is not None:
            if self._strikes(sticks, f"press {self._presses.get(switch, 0)}"):
                self._stuck.add(switch)
            if switch in self._stuck:
                return
        self._happenings = sorted(
            h for h in self._happenings if h.switch != switch or h.time_us < at_us or h.kind == "opens"
        )
        self._contact(switch, "opens", at_us, self._presses.get(switch, 0))

    def tap(self, switch: str, time_us: int = TAP_US, at_us: int | None = None) -> int:
        """Down, and up again after so long; when that is."""
        at_us = self.now_us if at_us is None else at_us
        self.down(switch, at_us)
        self.up(switch, at_us + time_us)
        return at_us + time_us

    def squeeze(self, at_us: int | None = None) -> None:
        """The case is squeezed: joints that `drops` names let go for a moment, as often as it says."""
        at_us = self.now_us if at_us is None else at_us
        self._squeezes += 1
        for (kind, where), fault in self._kinds.items():
            if kind == "drops" and self._strikes(fault, f"squeeze {self._squeezes}"):
                away, back = ("unplug", "plug") if where == USB_SOCKET else ("lets-go", "comes-back")
                self._plan(at_us, away, where)
                self._plan(at_us + _SQUEEZED_US, back, where)

    def turn(self, dial: str, detents: int, at_us: int | None = None) -> int:
        """So many detents clockwise (below 0: counter-clockwise), slowly; when the last one is over."""
        at_us = self.now_us if at_us is None else at_us
        edges = next(each.edges_per_detent for each in self.board.wiring.dials if each.name == dial)
        other = self._kinds.get(("detents", dial))
        if other is not None and other.amount is not None:
            edges = int(other.amount)
        for _ in range(abs(detents)):
            for edge in range(edges):
                at = self._edges[dial] = self._edges.get(dial, 0) + (1 if detents > 0 else -1)
                for contact, closed in zip(dial_contacts(dial), _DIAL_CLOSED[at % 4], strict=True):
                    self._plan(at_us + edge * _EDGE_US, "closes" if closed else "opens", contact)
            at_us += _DETENT_US
        return at_us

    def obey(self, command: str) -> None:
        """One command of a script: `down SW7`, `up SW7`, `up`, `tap SW7 12ms`, `turn DIAL1 +1`, `wait 5ms`,
        `squeeze`, `unplug`, `plug`, `mend open SW7`.

        Commands follow one another in the board's time. Raises UserError for anything else.
        """
        words = command.split()
        at_us = max(self._script_us, self.now_us)
        self._script_us = at_us
        match words:
            case [] | ["#", *_]:
                return
            case ["down", switch]:
                self.down(self._known(switch), at_us)
            case ["up", switch]:
                self.up(self._known(switch), at_us)
            case ["up"]:
                for switch in tuple(self._down):
                    self.up(switch, at_us)
            case ["tap", switch]:
                self._script_us = self.tap(self._known(switch), TAP_US, at_us)
            case ["tap", switch, time]:
                self._script_us = self.tap(self._known(switch), duration_us(time), at_us)
            case ["turn", dial, detents]:
                self._script_us = self.turn(self._known_dial(dial), _detents(detents), at_us)
            case ["wait", time]:
                self._script_us = at_us + duration_us(time)
            case ["squeeze"]:
                self.squeeze(at_us)
            case ["unplug" | "plug" as kind]:
                self._plan(at_us, kind)
            case ["mend", *_]:
                self._plan(at_us, "mend", str(self._planted(command.split(None, 1)[1:])))
            case _:
                known = "down SW7 · up SW7 · up · tap SW7 12ms · turn DIAL1 +1 · wait 5ms · squeeze"
                known += " · unplug · plug · mend open SW7"
                raise UserError(f"“{command.strip()}” is no finger command", f"known: {known}", exit_status=2)

    # -- the board, seen from the computer --

    @property
    def now_us(self) -> int:
        return self.board.now_us

    @property
    def connected(self) -> bool:
        return self.board.connected

    def send(self, data: bytes) -> None:
        self.board.send(data)

    def receive(self) -> bytes:
        return self.board.receive()

    def advance(self, us: int) -> None:
        """Lets time pass, and everything happen that is due in it."""
        until_us = self.board.now_us + us
        while self._happenings and self._happenings[0].time_us <= until_us:
            due = heappop(self._happenings)
            if due.time_us > self.board.now_us:
                self.board.advance(due.time_us - self.board.now_us)
            self._happen(due)
        if until_us > self.board.now_us:
            self.board.advance(until_us - self.board.now_us)

    # -- inside --

    def _known(self, switch: str) -> str:
        names = [each.name for each in self.board.wiring.switches]
        if switch in names:
            return switch
        from difflib import get_close_matches

        near = ", ".join(get_close_matches(switch, names) or names[:3])
        raise UserError(
            f"this keyboard has no switch {switch}", f"name one of the wiring: {near}", exit_status=2
        )

    def _known_dial(self, dial: str) -> str:
        names = [each.name for each in self.board.wiring.dials]
        if dial in names:
            return dial
        known = f"its dials: {', '.join(names)}" if names else "it has none"
        raise UserError(f"this keyboard has no dial {dial}", known, exit_status=2)

    def _know(self, faults: Iterable[Fault]) -> None:
        self._faults = tuple(faults)
        self._kinds = {(fault.kind, fault.where[0]): fault for fault in self._faults if fault.where}

    def _planted(self, words: list[str]) -> Fault:
        """The fault of the board that is called so."""
        there = ", ".join(map(str, self.board.faults)) or "none"
        for fault in self.board.faults:
            if words and parse_fault(words[0], self.board.wiring) == fault:
                return fault
        raise UserError("this board has no such fault to mend", f"its faults: {there}", exit_status=2)

    def _plan(self, at_us: int, kind: str, switch: str = "") -> None:
        self._number += 1
        heappush(self._happenings, _Happening(at_us, self._number, kind, switch))

    def _contact(self, switch: str, kind: str, at_us: int, press: int) -> None:
        """The contact ends up as `kind` says, after as much bouncing as it is in for."""
        bounces = self._kinds.get(("bounces", switch))
        if bounces is not None and self._strikes(bounces, f"press {press}"):
            from random import Random

            chance = Random(f"{self._seed} {switch} {press} {kind}")
            until_us = at_us + duration_us((bounces.amount or "").split()[0])
            other = "opens" if kind == "closes" else "closes"
            while at_us < until_us:
                self._plan(at_us, kind, switch)
                self._plan(min(at_us + chance.randrange(80, 400), until_us - 1), other, switch)
                at_us += chance.randrange(500, 1_200)
            at_us = until_us
        elif self._bouncing:
            other = "opens" if kind == "closes" else "closes"
            self._plan(at_us, kind, switch)
            for n, after_us in enumerate(self._good_bounce(switch, kind, press)):
                self._plan(at_us + after_us, kind if n % 2 else other, switch)
            return
        self._plan(at_us, kind, switch)

    def _good_bounce(self, switch: str, kind: str, press: int) -> list[int]:
        """When a good contact goes back and forth again: an even number of times in µs, ascending."""
        from math import log
        from random import Random

        usual = Random(f"{self._seed} {switch}").lognormvariate(log(_USUAL_BOUNCE_US), 0.4)
        chance = Random(f"{self._seed} {switch} {press} {kind} bounce")
        took_us = int(chance.lognormvariate(log(usual), 0.4) * (_OPENING if kind == "opens" else 1))
        if took_us < _SHORTEST_BOUNCE_US:
            return []
        took_us = min(took_us, _LONGEST_BOUNCE_US)
        turns = min(2 * chance.randint(1, _MOST_BOUNCES), took_us // 20 // 2 * 2) - 1
        marks = [*sorted(chance.sample(range(10, took_us - 10, 10), turns)), took_us]
        for n in range(0, len(marks), 2):
            marks[n] = max(marks[n], marks[n + 1] - _LONGEST_GAP_US)
        return marks

    def _strikes(self, fault: Fault, when: str) -> bool:
        """Whether an intermittent fault does so this time: as often as its share says. Without one it always
        does; what `drops`, each third time."""
        from random import Random

        share = percent_of(fault.amount.split()[-1]) if fault.amount else None
        if share is None:
            return fault.kind != "drops" or int(when.split()[1]) % 3 == 0
        return Random(f"{self._seed} {fault} {when}").random() < share

    def _happen(self, due: _Happening) -> None:
        if due.kind == "unplug":
            self.board.unplug()
        elif due.kind == "plug":
            if not self.board.connected:
                self.board.plug()
        elif due.kind == "mend":
            left = [fault for fault in self.board.faults if str(fault) != due.switch]
            self.board.set_faults(left)
            self._know(left)
        elif due.kind in ("lets-go", "comes-back"):
            self._shake(due.switch, due.kind == "lets-go")
        else:
            one = frozenset((due.switch,))
            self._loose.discard(due.switch)
            self._closed = self._closed | one if due.kind == "closes" else self._closed - one
            self.board.set_closed(self._closed)

    def _shake(self, where: str, lets_go: bool) -> None:
        """A joint lets go, or comes back."""
        if gpio_of(where) is not None:
            away = (Fault("open", (where,)),) if lets_go else ()
            self.board.set_faults((*self._faults, *away))
        elif lets_go and where in self._closed:
            self._loose.add(where)
            self._closed -= {where}
        elif not lets_go and where in self._loose:
            self._loose.discard(where)
            self._closed |= {where}
        self.board.set_closed(self._closed)


def _detents(text: str) -> int:
    """How many detents, and which way: `+1` is one clockwise."""
    if text[:1] in ("+", "-") and text[1:].isdecimal() and text.isascii() and 0 < int(text[1:]) <= 100:
        return int(text)
    raise UserError(
        f"“{text}” says neither how far nor which way",
        "write +1 for a detent clockwise, -1 for one back",
        exit_status=2,
    )


# -- a port that others can open ---------------------------------------------------------------------


class Port(Protocol):
    """Where a program on this computer finds the board. `open` and `close` are the cable."""

    def open(self) -> str:
        """The name to give to `--port`."""
        ...

    def close(self) -> None: ...

    def watched(self) -> list[int]:
        """File descriptors that become readable when there is something to read."""
        ...

    def read(self) -> bytes: ...

    def write(self, data: bytes) -> int:
        """How many of these bytes went out."""
        ...


class PtyPort:
    """A pseudo terminal, under a name that outlives an unplugged cable."""

    def __init__(self) -> None:
        try:
            import pty  # noqa: F401 - only to learn whether there is such a thing
            from tempfile import TemporaryDirectory
        except ImportError:
            mend = "use a socket instead: --socket 4000, then --port socket://127.0.0.1:4000"
            raise UserError("this system has no pseudo terminals", mend, exit_status=3) from None
        self._folder = TemporaryDirectory(prefix="keyc-")
        self._name = os.path.join(self._folder.name, "board")
        self._ends: tuple[int, int] | None = None

    def open(self) -> str:
        import tty

        self._ends = os.openpty()
        tty.setraw(self._ends[1])
        os.set_blocking(self._ends[0], False)
        os.symlink(os.ttyname(self._ends[1]), self._name)
        return self._name

    def close(self) -> None:
        if self._ends is not None:
            os.unlink(self._name)
            for end in self._ends:
                os.close(end)
            self._ends = None

    def watched(self) -> list[int]:
        return [self._ends[0]] if self._ends else []

    def read(self) -> bytes:
        try:
            return os.read(self._ends[0], 4096) if self._ends else b""
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> int:
        try:
            return os.write(self._ends[0], data) if self._ends else len(data)
        except BlockingIOError:
            return 0


class SocketPort:
    """A TCP port of this computer alone. One program at a time, as with a serial port."""

    def __init__(self, number: int) -> None:
        self._number = number
        self._server: Socket | None = None
        self._client: Socket | None = None

    def open(self) -> str:
        import socket

        server = socket.socket()
        try:
            if os.name != "nt":
                server.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            server.bind(("127.0.0.1", self._number))
            server.listen()
        except OverflowError:
            server.close()
            raise UserError(
                f"there is no port {self._number}",
                "they go up to 65535; 0 takes any that is free",
                exit_status=2,
            ) from None
        except OSError as error:
            server.close()
            mend = "take another number, or 0 for any that is free"
            raise UserError(
                f"port {self._number} can't be had: {error.strerror}", mend, exit_status=3
            ) from None
        server.setblocking(False)
        self._server = server
        self._number = server.getsockname()[1]
        return f"socket://127.0.0.1:{self._number}"

    def close(self) -> None:
        for one in (self._client, self._server):
            if one is not None:
                one.close()
        self._client = self._server = None

    def watched(self) -> list[int]:
        return [one.fileno() for one in (self._server, self._client) if one is not None]

    def read(self) -> bytes:
        self._accept()
        if self._client is None:
            return b""
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._client.close()
            self._client = None
        return data

    def _accept(self) -> None:
        if self._server is None:
            return
        try:
            client, _ = self._server.accept()
        except BlockingIOError:
            return
        if self._client is not None:
            client.close()
            return
        client.setblocking(False)
        self._client = client

    def write(self, data: bytes) -> int:
        if self._client is None:
            return len(data)  # nobody listens
        try:
            return self._client.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            return len(data)


class Server:
    """A virtual board in real time behind a port, with finger commands from a text stream."""

    def __init__(
        self, finger: Finger, port: Port, tell: Callable[[str], None], complain: Callable[[UserError], None]
    ) -> None:
        self._finger = finger
        self._port = port
        self._tell = tell
        self._complain = complain
        self._open = False
        self._outgoing = b""

    def serve(self, commands: IO[str] | None, stop: Callable[[], bool] = lambda: False) -> None:
        """Runs until it is stopped. The end of the commands isn't the end of the board."""
        import time
        from select import select

        reader = _LineReader(commands) if commands is not None else None
        last_ns = time.monotonic_ns()
        due_us = self._finger.now_us  # a step of the board may end a little later than it was to
        try:
            while not stop():
                self._follow_cable()
                listened = [*self._port.watched(), *([reader.descriptor] if reader else [])]
                readable, _, _ = select(listened, [], [], _TICK_S)
                if reader is not None and reader.descriptor in readable:
                    self._obey(reader.lines())
                    if reader.ended:
                        reader = None
                elapsed_us = (time.monotonic_ns() - last_ns) // 1000
                last_ns += elapsed_us * 1000
                self._exchange()
                due_us += min(elapsed_us, _LONGEST_LEAP_US)
                if due_us > self._finger.now_us:
                    self._finger.advance(due_us - self._finger.now_us)
                self._exchange()
        finally:
            self._port.close()

    def _follow_cable(self) -> None:
        if self._finger.connected and not self._open:
            self._tell(self._port.open())
            self._open = True
        elif self._open and not self._finger.connected:
            self._exchange()
            self._port.close()
            self._open = False
            self._outgoing = b""

    def _exchange(self) -> None:
        if not self._open:
            return
        data = self._port.read()
        if data:
            self._finger.send(data)
        if not self._outgoing:
            self._outgoing = self._finger.receive()
        if self._outgoing:
            self._outgoing = self._outgoing[self._port.write(self._outgoing) :]

    def _obey(self, lines: Iterable[str]) -> None:
        for line in lines:
            try:
                self._finger.obey(line)
            except UserError as error:
                self._complain(error)


class _LineReader:
    """Lines of a stream without ever waiting for the rest of one."""

    def __init__(self, stream: IO[str]) -> None:
        self.descriptor = stream.fileno()
        self.ended = False
        self._begun = b""

    def lines(self) -> list[str]:
        data = os.read(self.descriptor, 4096)
        self.ended = not data
        *whole, self._begun = (self._begun + data).split(b"\n")
        if self.ended and self._begun:
            whole, self._begun = [self._begun], b""
        return [line.decode("utf-8", "replace") for line in whole]


def run(
    keyboard: Keyboard,
    faults: Iterable[str] = (),
    *,
    chip: bool = False,
    socket_port: int | None = None,
    seed: int = 0,
) -> None:
    """`hil virtual`: a board behind a port whose name goes to stdout, finger commands from stdin.

    Runs until Ctrl-C or SIGTERM (KeyboardInterrupt). Raises UserError.
    """
    import signal
    import sys

    planted = [parse_fault(text, keyboard.wiring) for text in faults]
    port: Port = PtyPort() if socket_port is None else SocketPort(socket_port)
    finger = Finger(board_of(keyboard, planted, chip=chip, seed=seed), seed, bouncing=True)
    if not finger.connected:
        raise UserError("with these faults the board doesn't show itself to a computer", exit_status=3)
    signal.signal(signal.SIGTERM, signal.default_int_handler)

    def complain(error: UserError) -> None:
        print(f"error: {error.message}\nhelp: {error.help}", file=sys.stderr, flush=True)

    Server(finger, port, lambda name: print(name, flush=True), complain).serve(
        sys.stdin if os.name == "posix" else None
    )
