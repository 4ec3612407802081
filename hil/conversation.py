"""One conversation with a board, which all stages of a run share: what is asked and heard, coming back
after a pulled cable or a restart, and what was found out so far.
"""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Protocol, TypeVar

from hil.events import Event
from hil.judge import Matrix, lines_of
from hil.link import BoardRestarted, Lost, NoAnswer, Refused
from hil.observe import (
    REST,
    AboutToDrive,
    Changed,
    Gap,
    Holding,
    Introduced,
    LetGo,
    Looked,
    Observation,
    Reader,
    Seen,
    Spoke,
    Watching,
)
from hil.outcome import Found
from hil.result import Identity
from hil.stages import lines
from hil.stages.positions import rows_of_caps
from hil.transport import PortGone

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from contextlib import AbstractContextManager

    from hil.history import Run
    from hil.link import Link
    from hil.result import Fault
    from hil.stages.guide import Question
    from hil.stages.lines import LineFindings
    from hil.stages.typing import KeyReceived
    from hil.wire import Sentence
    from keyc.keyboard import Keyboard
    from keyc.sheet.caps import Side

_Answer = TypeVar("_Answer")

_RECONNECT_US = 60_000_000
_SAME_PIN = 2  # restarts at one pin's first drive that make it a finding
_LEAVES_US = 3_000_000  # from being told to restart to being gone
_LOOKS = 12
_SOON = 0  # as soon as the board can tell
_UNTOUCHED_US, _MOVED_US = 500_000, 2_000_000  # how long nothing is touched, and more if something moves


class Hand(Protocol):
    """Whoever touches the switches."""

    def asked(self, question: Question) -> None:
        """The bench asks for a switch now."""

    def gives_up(self) -> bool:
        """Whether the hand says, since the last call, that the switch asked for doesn't answer."""
        ...

    def mends(self, fault: Fault) -> bool:
        """This fault is to be mended now, with the board unplugged. Whether the hand can do it."""
        ...

    def asked_to_press(self, switch: str) -> None:
        """The bench asks for one whole press, and will ask again for the next."""

    def asked_together(self, switches: Sequence[str]) -> None:
        """The bench asks for these switches to be held down at the same time, and then let go."""

    def asked_to_flex(self, held: Sequence[str], time_us: int) -> None:
        """The bench asks to hold these switches down for so long, and to squeeze the case meanwhile."""

    def asked_to_turn(self, dial: str, detents: int) -> None:
        """The bench asks to turn a dial so many detents, one at a time; below 0: counter-clockwise."""

    def asked_to_look(self, pin: int) -> None:
        """The light on this pin is about to blink, and the bench asks to look at it."""

    def asked_what_lit(self, pin: int, touch: str) -> None:
        """It has blinked. Whoever saw it touches a switch: this one, or any other that works."""

    def gone(self) -> None:
        """The board is gone: it wants to be plugged in again, and its image loaded."""

    def load(self, image: str) -> None:
        """The board restarts into its ROM: it is to get this image, now and after each pulled cable."""

    def typing(self, switches: Sequence[str]) -> AbstractContextManager[None]:
        """Types, on real keys, for as long as the context lasts: best each of these switches."""
        ...

    def has_typed(self) -> bool:
        """Whether it knows that nothing more will come."""
        ...


class Notes(Protocol):
    """Where what was heard is kept, so that it can be read again."""

    def heard(self, sentence: Sentence) -> None: ...

    def lost(self) -> None: ...

    def note(self, word: str, *fields: object) -> None: ...


@dataclass(frozen=True, slots=True)
class Settings:
    """`after`: the step of assembly that was last done. `tool`: finger or tweezers. `touched`: the switches
    to ask for; None: all. `earlier`: the record's runs before, oldest first. `side`: of the board that the
    person looks at. `board`: who it has to be, if that is known. `proven`: switches
    that stand proven from the run before, whose result this one's is put together with. `resume`: this run
    goes on with the board's last one."""

    stages: Sequence[str] = ("hello", "lines", "positions")
    after: str = ""
    tool: str = "finger"
    when: str | None = None
    reconnect_us: int = _RECONNECT_US
    touched: frozenset[str] | None = None
    earlier: Sequence[Run] = ()
    flex_us: int = 30_000_000  # how long the case is squeezed
    side: Side = "front"
    board: Identity | None = None
    proven: frozenset[str] = frozenset()
    resume: bool = False


class Blinked(Enum):
    """How a light's pin took it to be driven."""

    LIT = "as it should"
    HELD = "it read otherwise than driven, and was let go"
    FOLLOWED = "another pin followed, and it was let go"


class Trouble(Exception):
    """The rig can't go on; the message says why, in words."""


class NobodyThere(Trouble):
    """Nothing on the port answers like a board."""


@dataclass(frozen=True, slots=True)
class Resumed:
    """The board was away, or something of what it said got lost. Watched again, this is its table."""

    table: Observation


class Conversation:
    """What the dialogues of all stages share. `found` grows while the run goes on; `rows` is the order in
    which switches are asked for; `base` is the table with nothing touched."""

    def __init__(
        self,
        keyboard: Keyboard,
        link: Link,
        hand: Hand,
        fingerprint: str,
        settings: Settings,
        *,
        tell: Callable[[Event], None],
        notes: Notes | None,
        arrived: Callable[[], Sequence[KeyReceived] | None] = lambda: None,
    ) -> None:
        self.keyboard, self.link, self.hand = keyboard, link, hand
        self.fingerprint, self.settings, self.tell = fingerprint, settings, tell
        self._notes = notes
        self.arrived = arrived  # keys that came to this computer since the last call; None: nobody listens
        self.matrix = Matrix(keyboard.wiring)
        self.rows = rows_of_caps(keyboard.caps)
        self.numbers = {switch.name: n for n, switch in enumerate(keyboard.wiring.switches)}
        self.found = Found()
        self.stands: frozenset[str] = frozenset()  # proven in the run that this one goes on with
        self.identity = Identity()
        self.can: dict[str, int] = {}
        self.measured_by: tuple[Identity, dict[str, int]] | None = None  # last, if it was not just typed on
        self.resets: list[int] = []  # pins at whose first drive the board restarts
        self.base: Observation | None = None
        self.remarks: list[str] = []
        self.also_watched = 0  # pins of no switch: a dial's, while it is turned
        self.restarts = 0  # how often the board was away, or began anew
        self._reader = Reader()
        self._closed = 0  # readings that are low, and weren't with nothing touched

    @property
    def usable(self) -> list[str]:
        """Switches of which a press can be expected to show, in the order of the caps."""
        return self.found.usable(self.keyboard, self.matrix)

    def keep(self, word: str, *numbers: object) -> None:
        """Notes in the dump what the bench did."""
        if self._notes is not None:
            self._notes.note(word, *numbers)

    def looked(self) -> LineFindings:
        """One whole table with nothing pressed. A pin at whose drive the board restarts is left out."""
        if self.found.lines is not None:
            return self.found.lines
        restarts: Counter[int] = Counter()
        for _ in range(_LOOKS):
            mask = self._mask(self.can.get("pins"))
            try:
                table = self._table_of(self.link.look(mask if self.resets else None), Looked)
            except (PortGone, BoardRestarted) as gone:
                pin = gone.announced if isinstance(gone, PortGone) else self.link.announced
                self.recover(gone)
                if pin is not None:
                    restarts[pin] += 1
                    if restarts[pin] >= _SAME_PIN:
                        self.resets.append(pin)
                        self._reader.leave_out(pin)
                        self.keep("restarts", pin)
                continue
            except NoAnswer:
                raise Trouble("the board stopped answering while it measured its lines") from None
            if table is None:
                continue
            wavering = self._wavering(table)
            self.base = table.with_wavering(lines.pairs_between(wavering))
            self.found.lines = lines.findings(self.matrix, table, self.resets, wavering)
            return self.found.lines
        raise Trouble(
            "the board restarts again and again while it measures its lines: check cable and supply"
        )

    def _wavering(self, base: Observation) -> tuple[tuple[int, int], ...]:
        """Watches while nobody touches anything: the pairs of lines that don't stay as they are."""
        self.keep("untouched")
        untouched = lines.Untouched(base)
        untouched.see(self.watched(_SOON))
        clock = self.link.transport
        until_us, told = clock.now_us + _UNTOUCHED_US, False
        while (left_us := until_us - clock.now_us) > 0:
            seen = self.heard(left_us, _SOON)
            if isinstance(seen, Changed | Resumed):
                untouched.see(seen.table)
            if untouched.moved and not told:
                told = True
                until_us += _MOVED_US
                self.tell(Event("line", "something changes by itself: touch nothing for two seconds"))
        wavering = untouched.wavering()
        for both in wavering:
            self.keep("wavers", *both)
        self.keep("touched")
        self._reader.waver(lines.pairs_between(wavering))
        return wavering

    def learned(self, found: LineFindings) -> None:
        """What the presses told of the lines besides: pairs that waver."""
        assert self.base is not None
        wavers = lines.pairs_between(found.wavering)
        self.found.lines, self.base = found, self.base.with_wavering(wavers)
        self._reader.waver(wavers)

    def introduced(self) -> Identity:
        """Asks who is there. Raises Trouble if nothing answers."""
        for said in self._introduction():
            seen = self.take(said)
            if isinstance(seen, Introduced):
                self.identity, self.can = seen.identity, dict(seen.can)
                if self.identity.image != "trial":
                    self.measured_by = (self.identity, self.can)
        return self.identity

    def _introduction(self) -> list[Sentence]:
        for _ in range(_LOOKS):
            try:
                return self.link.who()
            except PortGone:
                self._plugged_in()
            except NoAnswer:
                raise NobodyThere(
                    "nothing that answers like a bench image is on this port. "
                    "Is the bench image loaded? It is gone after each unplugging"
                ) from None
        raise Trouble("the board goes away again and again: check cable and supply")

    def _plugged_in(self) -> None:
        """Waits for a port that was gone. Raises Trouble if it doesn't come back."""
        image = self.identity.image or "bench"
        how = f"plug it in again with BOOTSEL held, and its {image} image is copied by itself"
        self.tell(Event("trouble", f"the board is gone: {how}"))
        self.hand.gone()
        if not self.link.reconnect(self.settings.reconnect_us):
            raise Trouble("the board went away and did not come back. What was proven is kept")

    def stopped(self) -> None:
        """Ends watching. A board that is gone, or has restarted, has ended it by itself."""
        with suppress(PortGone, BoardRestarted, NoAnswer):
            self.link.stop()

    def change_image(self, image: str) -> None:
        """Another image onto the same board. Raises Trouble where that can't be done."""
        how = f"load it by hand: keyc flash FILE --image {image}, then this stage alone"
        self.tell(Event("line", f"the {image} image is loaded; if it isn't, plug in with BOOTSEL held"))
        self.hand.load(image)
        before = self.identity
        if not self._has_left():
            raise Trouble(f"the board doesn't restart into its ROM; {how}")
        if not self.link.reconnect(self.settings.reconnect_us):
            raise Trouble(f"the board did not come back with its {image} image; {how}")
        now = self.introduced()
        if now.image != image or now.wiring != before.wiring:
            raise Trouble(f"the board came back with another image than the {image} image; {how}")
        if before.flash_id and now.flash_id and before.flash_id != now.flash_id:
            raise Trouble("another board was plugged in. What was proven of the first one is kept")

    def _has_left(self) -> bool:
        """Sends the board into its ROM; whether it went."""
        transport = self.link.transport
        try:
            self.link.ask("restart")
            until_us = transport.now_us + _LEAVES_US
            while transport.now_us < until_us:
                self.link.sentence(until_us - transport.now_us)
        except NoAnswer:
            return False
        except (PortGone, BoardRestarted):
            return True
        return False

    def recover(self, gone: Exception) -> None:
        """Waits for the board to be back, and makes sure that it is the same one."""
        before = self.identity
        self.restarts += 1
        if self._notes is not None:
            self._notes.lost()
        self._reader.lost()
        if self._closed:
            self._closed = 0
            self.tell(Event("contact", "a contact is no longer seen", down=False))
        if isinstance(gone, PortGone):
            self._plugged_in()
        now = self.introduced()
        if before.flash_id and now.flash_id and before.flash_id != now.flash_id:
            raise Trouble("another board was plugged in. What was proven of the first one is kept")
        if before.wiring != now.wiring or before.image != now.image:
            raise Trouble("the board came back with another image. What was proven is kept")

    def watched(self, quiet_us: int | None = None) -> Observation:
        """Begins to watch; the table as it is at this moment. `quiet_us`: as soon as this, where the board
        can tell a change sooner than it does of its own accord. `also_watched` are watched with the rest."""
        soonest_us = self.can.get("soonest")
        quiet_us = None if quiet_us is None or soonest_us is None else max(quiet_us, soonest_us)

        def asked() -> list[Observation]:
            spare = 0 if self.found.lines is None else self.found.lines.spare
            mask = self._mask(lines_of(self.keyboard.wiring) | spare | self.also_watched)
            table = self._table_of(self.link.watch(mask, quiet_us), Watching)
            if table is not None:
                self._tell_contact(table)
            return [] if table is None else [table]

        return self._insisted(asked)

    def blinked(self, pin: int) -> Blinked:
        """Lights what is on this pin for a second, and tells how the pin took it. Ends watching."""

        def asked() -> list[Blinked]:
            try:
                answer = self.link.blink(pin)
            except Refused:
                return [Blinked.FOLLOWED]
            for said in answer:
                self.take(said)
            held = any(said.name == "held-against" and said.fields == (str(pin),) for said in answer)
            return [Blinked.HELD if held else Blinked.LIT]

        return self._insisted(asked)

    def held(self, driven: int) -> Holding | LetGo:
        """Begins to hold a pin low (`REST`: none) and to be told the edges of the switches' lines."""

        def asked() -> list[Holding | LetGo]:
            mask = self._mask(lines_of(self.keyboard.wiring))
            seen = [self.take(said) for said in self.link.edges(None if driven == REST else driven, mask)]
            return [one for one in seen if isinstance(one, Holding | LetGo)]

        return self._insisted(asked)

    def _insisted(self, asked: Callable[[], list[_Answer]]) -> _Answer:
        """Asks until there is an answer, and waits for the board where it goes away. The last one counts."""
        for _ in range(_LOOKS):
            try:
                answers = asked()
                if answers:
                    return answers[-1]
            except (PortGone, BoardRestarted) as gone:
                self.recover(gone)
            except NoAnswer:
                raise Trouble("the board stopped answering. What was proven is kept") from None
        raise Trouble("the board restarts again and again: check cable and supply. What was proven is kept")

    def heard(self, wait_us: int, quiet_us: int | None = None) -> Seen | Resumed | None:
        """What the next sentence of a watched board means; None for most, and when none comes for a while.

        After a gap, a restart or a pulled cable it watches anew: what was seen stands. Raises Trouble if
        the board is gone for good.
        """
        seen = self._heard(wait_us)
        return Resumed(self.watched(quiet_us)) if isinstance(seen, Gap | Spoke) else seen

    def heard_of_edges(self, wait_us: int, driven: int) -> Seen | None:
        """The same for a board that tells edges: after a gap it begins anew, which is told as `Holding`."""
        seen = self._heard(wait_us)
        ended = isinstance(seen, LetGo) and seen.against is None
        return self.held(driven) if ended or isinstance(seen, Gap | Spoke) else seen

    def _heard(self, wait_us: int) -> Seen | None:
        try:
            said = self.link.sentence(wait_us)
        except (PortGone, BoardRestarted) as gone:
            self.recover(gone)
            return Gap()
        seen = None if said is None else self.take(said)
        if isinstance(seen, Changed):
            self._tell_contact(seen.table)
        return seen

    def _tell_contact(self, table: Observation) -> None:
        """Tells what has closed or opened since the last table, so that it can be heard while it lasts."""
        if self.base is None:
            return
        closed = table.low & ~self.base.low & table.readable & self.base.readable
        before, self._closed = self._closed, closed
        if closed & ~before:
            self.tell(Event("contact", "a contact closed", down=True))
        elif before & ~closed:
            self.tell(Event("contact", "a contact opened", down=False))

    def _mask(self, wanted: int | None) -> int:
        """Of these pins, those that the board may drive and that don't restart it."""
        mask = self.can.get("pins", 0) if wanted is None else wanted & self.can.get("pins", wanted)
        for pin in self.resets:
            mask &= ~(1 << pin)
        return mask

    def _table_of(
        self, answer: Sequence[Sentence], wanted: type[Looked] | type[Watching]
    ) -> Observation | None:
        """The table in an answer; None if only the end of one was heard."""
        table: Observation | None = None
        for said in answer:
            seen = self.take(said)
            if isinstance(seen, Looked | Watching) and isinstance(seen, wanted):
                table = seen.table
        return table

    def take(self, said: Sentence | Lost) -> Seen | None:
        """What a sentence means; None if nothing yet."""
        if isinstance(said, Lost):
            if self._notes is not None:
                self._notes.lost()
            return self._reader.lost()
        if self._notes is not None:
            self._notes.heard(said)
        seen = self._reader.take(said)
        return None if isinstance(seen, AboutToDrive) else seen
