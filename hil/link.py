"""A conversation with a board: its sentences in the order it said them, each once.

Lines get damaged, lost or doubled, a board restarts, a cable is pulled. A gap in the sequence numbers
is asked for again; what can't be had any more is told as `Lost`, never passed over in silence. What
was said before stands whatever happens to the port.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass

from hil.transport import PortGone, Transport
from hil.wire import SEQUENCES, Damaged, Lines, Sentence, line_of

_ANSWER_US = 600_000  # longest wait for the next line of an answer: asking again for one takes less
_BLINK_US = 1_000_000  # nothing is said before it is over
_ASKS = 6  # of a command that isn't answered
_REFUSALS = 3  # of a command, each for the same reason
_AGAIN_US = 40_000  # from asking for a missing line to asking again
_AGAIN_TRIES = 12
_IDLE_US = 200_000  # after so much silence, ask whether the last line got lost
_UNACKNOWLEDGED = 32  # lines taken between two `received`
_REMEMBERED = 4_096  # lines, to tell one that comes twice from a board that counts from 0 again
_FARTHEST = 2_048  # a jump ahead by more than this isn't a gap, but a board that has restarted


class BoardRestarted(Exception):
    """The board counts its lines anew. What it said before stands; `who` starts over."""


class NoAnswer(Exception):
    """Nothing usable came back, however often it was asked."""


class Refused(Exception):
    """The board does not do that; the message is its reason, a word of the wire."""


@dataclass(frozen=True, slots=True)
class Lost:
    """So many lines are missing here, and can't be had any more."""

    lines: int


@dataclass(slots=True)
class Counters:
    """What happened to the lines. `lines` were used; `doubled` came more than once."""

    lines: int = 0
    damaged: int = 0
    lost: int = 0
    resent: int = 0
    doubled: int = 0
    reconnects: int = 0

    def as_json(self) -> dict[str, int]:
        return asdict(self)


# -- the order of lines ------------------------------------------------------------------------------


class Ordering:
    """Puts sentences in sequence order, each once. Knows no time and no port."""

    def __init__(self, counters: Counters) -> None:
        self._counters = counters
        self._expected: int | None = None
        self._ahead: dict[int, Sentence] = {}
        self._seen: list[Sentence | None] = [None] * _REMEMBERED  # each over the one so many lines before it

    @property
    def expected(self) -> int | None:
        """The sequence number of the next line; None before the first."""
        return self._expected

    @property
    def has_gap(self) -> bool:
        return bool(self._ahead)

    def put(self, sentence: Sentence) -> Iterable[Sentence]:
        """The sentences that this one makes ready. Raises BoardRestarted, before any of them."""
        number = sentence.sequence
        if self._expected is None:
            self._expected = number
        if number == self._expected and not self._ahead:
            self._next(sentence)
            return (sentence,)
        distance = (number - self._expected) % SEQUENCES
        if distance > _FARTHEST:
            if self._seen[number % _REMEMBERED] != sentence:
                raise BoardRestarted
            self._counters.doubled += 1
        elif number in self._ahead:
            if self._ahead[number] != sentence:
                raise BoardRestarted
            self._counters.doubled += 1
        else:
            self._counters.resent += distance < self._missing()
            self._ahead[number] = sentence
        return self.ready()

    def skip_gap(self) -> int:
        """Gives up on the lines before the earliest that is there; their number."""
        lost = self._missing()
        if self._expected is not None:
            self._expected = (self._expected + lost) % SEQUENCES
        self._counters.lost += lost
        return lost

    def not_kept(self) -> frozenset[int]:
        """The lines that came ahead and say that missing ones are forgotten."""
        return frozenset(
            n for n, s in self._ahead.items() if s.name == "refused" and s.fields == ("not-kept",)
        )

    def _missing(self) -> int:
        """How many lines lie before the earliest that came ahead; 0 if there is none."""
        expected = self._expected or 0
        return min(((number - expected) % SEQUENCES for number in self._ahead), default=0)

    def ready(self) -> Iterator[Sentence]:
        """What is in order now."""
        while self._expected is not None and self._expected in self._ahead:
            sentence = self._ahead.pop(self._expected)
            self._next(sentence)
            yield sentence

    def _next(self, sentence: Sentence) -> None:
        number = sentence.sequence
        self._seen[number % _REMEMBERED] = sentence
        self._expected = (number + 1) % SEQUENCES
        self._counters.lines += 1


# -- a live board ------------------------------------------------------------------------------------


class Link:
    """A conversation with one board over a transport.

    `keep` is given every byte that comes in, for the dump. `announced` is the pin that the board said
    it would drive for the first time, if nothing has come since.
    """

    def __init__(self, transport: Transport, keep: Callable[[bytes], None] | None = None) -> None:
        self.transport = transport
        self.counters = Counters()
        self.announced: int | None = None
        self._keep = keep
        self._begin()

    def _begin(self) -> None:
        self._lines = Lines()
        self._order = Ordering(self.counters)
        self._ready: deque[Sentence | Lost] = deque()
        self._gone: str | None = None
        self._taken: int | None = None  # the last line that was handed out
        self._unacknowledged = 0
        self._asked_for: int | None = None
        self._refused_before: frozenset[int] = frozenset()  # these refusals are of an earlier question
        self._asked_us = self._tries = 0
        self._heard_us = self.transport.now_us

    # -- what the board says --

    def sentence(self, wait_us: int) -> Sentence | Lost | None:
        """The next sentence; None when none came in that time. Raises PortGone, BoardRestarted."""
        until_us = self.transport.now_us + wait_us
        if self._unacknowledged >= _UNACKNOWLEDGED:
            self._acknowledge()
        while not self._ready:
            if self._gone is not None:
                raise PortGone(self._gone, self.announced)
            now_us = self.transport.now_us
            if now_us >= until_us:
                return None
            if self._order.has_gap:
                self._ask_for_missing(now_us)
            elif self._order.expected is not None and now_us - self._heard_us >= _IDLE_US:
                self._heard_us = now_us
                self._say("send-again", self._order.expected)
            elif self._unacknowledged:
                self._acknowledge()
            longest_us = _AGAIN_US if self._order.has_gap else _IDLE_US
            if not self._ready:
                self._hear(min(until_us - now_us, longest_us))
        said = self._ready.popleft()
        if isinstance(said, Sentence):
            self.announced = int(said.fields[0]) if said.name == "about-to-drive" else None
            self._taken = said.sequence
            self._unacknowledged += 1
        return said

    def _hear(self, wait_us: int) -> None:
        """Takes in what comes in that time."""
        try:
            data = self.transport.receive(wait_us)
        except PortGone as gone:
            self._gone = str(gone)
            while self._order.has_gap:  # nobody is left to ask
                self._skip_gap()
            return
        if data and self._keep:
            self._keep(data)
        for heard in self._lines.of(data):
            if isinstance(heard, Damaged):
                self.counters.damaged += 1
                continue
            self._heard_us = self.transport.now_us
            try:
                self._ready.extend(self._order.put(heard))
            except BoardRestarted:
                self._begin()
                raise

    def _ask_for_missing(self, now_us: int) -> None:
        if self._asked_for != self._order.expected:
            self._asked_for, self._tries = self._order.expected, 0
            self._refused_before = self._order.not_kept()
        elif now_us - self._asked_us < _AGAIN_US:
            return
        if self._tries >= _AGAIN_TRIES or (self._tries and self._order.not_kept() - self._refused_before):
            self._skip_gap()
            return
        self._tries += 1
        self._asked_us = now_us
        self._say("send-again", self._asked_for or 0)

    def _skip_gap(self) -> None:
        self._ready.append(Lost(self._order.skip_gap()))
        self._ready.extend(self._order.ready())

    def _acknowledge(self) -> None:
        if self._taken is not None:
            self._say("received", self._taken)
        self._unacknowledged = 0

    def _say(self, word: str, *fields: object) -> None:
        """A port that is gone is found out by listening: what it said before comes first."""
        from contextlib import suppress

        with suppress(PortGone):
            self.transport.send(line_of(word, *fields))

    # -- what the computer asks --

    def ask(self, word: str, *fields: str, answer_us: int = _ANSWER_US) -> list[Sentence]:
        """Says a command and returns everything said up to its `finished`, asking anew as often as need be.

        Lines that belong to something else (a frame that was on its way) are in the list too. A command
        that reached the board twice is answered twice: then the second table comes later, and counts.
        Raises NoAnswer, Refused, PortGone, BoardRestarted.
        """
        refused: list[str] = []
        for _ in range(_ASKS):
            self._say(word, *fields)
            answer, reason = self._answer(word, answer_us)
            if answer is not None:
                return answer
            # Noise can turn a command into one that is refused for what it asks: some must agree.
            if reason is not None:
                refused.append(reason)
                if refused.count(reason) >= _REFUSALS:
                    raise Refused(reason)
        raise NoAnswer(f"no answer to “{word}” from {self.transport.name}")

    def _answer(self, word: str, answer_us: int) -> tuple[list[Sentence] | None, str | None]:
        """The answer, if it came whole; else why the board refused what was asked, if it did."""
        answer: list[Sentence] = []
        reason, whole = None, True
        while True:
            said = self.sentence(answer_us)
            if said is None:
                return None, reason
            if isinstance(said, Lost):
                whole = False  # its end comes all the same, before it is asked anew
                continue
            answer.append(said)
            if said.name == "finished" and said.fields == (word,):
                return (answer, None) if whole else (None, reason)
            # Other reasons (wrong CRC, not kept) may belong to an acknowledgement or a question for lines.
            if said.name == "refused" and said.fields in (("wrong-fields",), ("pin-not-free",)):
                reason = said.fields[0]

    def who(self) -> list[Sentence]:
        """The board's introduction, from its `hello` to `finished who`. Begins a new conversation."""
        for _ in range(_ASKS):
            self._begin()
            try:
                self.transport.send(b"\n")  # ends whatever half a command noise may have left there
                answer = self.ask("who")
            except BoardRestarted:
                continue  # what a former conversation left in the port
            hellos = [n for n, said in enumerate(answer) if said.name == "hello"]
            if hellos:
                return answer[hellos[-1] :]
        raise NoAnswer(f"no introduction from {self.transport.name}")

    def look(self, mask: int | None = None) -> list[Sentence]:
        """One whole table, of every pin that the board may drive or of those in the mask."""
        return self.ask("look", *_words(mask))

    def watch(self, mask: int | None = None, quiet_us: int | None = None) -> list[Sentence]:
        """The table that changes count from; then `sentence` brings the changes, each once it has been
        quiet for `quiet_us` (which needs a mask)."""
        quiet = () if quiet_us is None else (str(quiet_us),)
        return self.ask("watch", *_words(mask), *quiet)

    def edges(self, held: int | None, mask: int) -> list[Sentence]:
        """The levels of these lines while one pin is held low; then `sentence` brings their edges."""
        return self.ask("edges", "up" if held is None else str(held), *_words(mask))

    def blink(self, pin: int) -> list[Sentence]:
        """Lights the indicator on this pin for a second; one to ground only if its own image knows it. Ends
        watching."""
        return self.ask("blink", str(pin), answer_us=_BLINK_US + _ANSWER_US)

    def stop(self) -> list[Sentence]:
        return self.ask("stop")

    def reconnect(self, wait_us: int) -> bool:
        """Waits for a port that was gone. If it is back, `who` comes next: it may be another board."""
        if not self.transport.reopen(wait_us):
            return False
        self.counters.reconnects += 1
        self._begin()
        self.announced = None
        return True

    def close(self) -> None:
        """Every pin an input, if the board still hears it; then the port is let go."""
        from contextlib import suppress

        with suppress(PortGone):
            self.transport.send(line_of("stop"))
        self.transport.close()


def _words(mask: int | None) -> tuple[str, ...]:
    return () if mask is None else (f"{mask:X}",)
