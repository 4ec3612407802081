"""One bench run over a link: the stages in turn, the prompts, what to do when the port goes away.

The session asks and listens; what the answers mean is decided in `stages/`. Whatever happens (a pulled
cable, Ctrl-C, a board that falls silent), `run` returns what was found out until then.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Protocol

from hil.judge import Matrix, lines_of
from hil.link import BoardRestarted, Lost, NoAnswer, Refused
from hil.observe import (
    AboutToDrive,
    Changed,
    Gap,
    Introduced,
    Looked,
    Observation,
    Reader,
    Seen,
    Spoke,
    Watching,
)
from hil.outcome import Account, result_of
from hil.result import Identity, LineVerdict, PositionVerdict, Result, Stage, Verdict
from hil.stages import hello, lines
from hil.stages.positions import NOT_LET_GO, Guide, Kind, Noted, Positions, Question, rows_of_caps
from hil.transport import PortGone

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from hil.history import Run
    from hil.link import Link
    from hil.stages.lines import LineFindings
    from hil.wire import Sentence
    from keyc.keyboard import Keyboard

STAGES = ("hello", "lines", "positions")

_HEAR_US = 20_000  # from one look at the person's keyboard to the next
_RELEASE_US = 2_000_000  # longest wait for the last switch to be let go
_RECONNECT_US = 60_000_000
_SAME_PIN = 2  # restarts at one pin's first drive that make it a finding
_LOOKS = 12


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, for the screen, for the record, and for a page or a robot finger.

    `kind`: board, history, stage, line, prompt, press, verdict, trouble, back, ended. `text` is in words.
    """

    kind: str
    text: str
    stage: str | None = None
    switch: str | None = None
    asked: str | None = None
    instead: str | None = None
    place: str | None = None
    verdict: str | None = None
    meant: str | None = None  # a press: what it was taken for
    proven: int | None = None
    total: int | None = None
    again: bool | None = None
    flash_id: str | None = None

    def as_json(self) -> dict[str, Any]:
        """`event` first, then what is known."""
        told = {field.name: getattr(self, field.name) for field in fields(self) if field.name != "kind"}
        return {"event": self.kind, **{name: value for name, value in told.items() if value is not None}}


class Hand(Protocol):
    """Whoever touches the switches."""

    def asked(self, question: Question) -> None:
        """The bench asks for a switch now."""

    def gives_up(self) -> bool:
        """Whether the hand says, since the last call, that the switch asked for doesn't answer."""
        ...

    def gone(self) -> None:
        """The board is gone: it wants to be plugged in again, and its image loaded."""


class Notes(Protocol):
    """Where what was heard is kept, so that it can be read again."""

    def heard(self, sentence: Sentence) -> None: ...

    def lost(self) -> None: ...

    def note(self, word: str, *fields: object) -> None: ...


@dataclass(frozen=True, slots=True)
class Settings:
    """`after`: the step of assembly that was last done. `tool`: finger or tweezers. `touched`: the switches
    to ask for; None: all. `earlier`: the record's runs before, oldest first."""

    stages: Sequence[str] = STAGES
    after: str = ""
    tool: str = "finger"
    when: str | None = None
    reconnect_us: int = _RECONNECT_US
    touched: frozenset[str] | None = None
    earlier: Sequence[Run] = ()


class _Trouble(Exception):
    """The rig can't go on; the message says why, in words."""


class Session:
    """`run` once. `fingerprint` is the file's wiring as `keyc.tables.fingerprints` has it."""

    def __init__(
        self,
        keyboard: Keyboard,
        link: Link,
        hand: Hand,
        fingerprint: str,
        settings: Settings | None = None,
        *,
        tell: Callable[[Event], None] = lambda event: None,
        notes: Notes | None = None,
    ) -> None:
        self._keyboard, self._link, self._hand = keyboard, link, hand
        self._fingerprint = fingerprint
        self._settings = settings or Settings()
        self._tell, self._notes = tell, notes
        self._matrix = Matrix(keyboard.wiring)
        self._rows = rows_of_caps(keyboard.caps)
        self._places = places_of(keyboard)
        self._numbers = {switch.name: n for n, switch in enumerate(keyboard.wiring.switches)}
        self._reader = Reader()
        self._identity = Identity()
        self._can: dict[str, int] = {}
        self._resets: list[int] = []
        self._base: Observation | None = None
        self._lines: LineFindings | None = None
        self._positions: Positions | None = None
        self._asked: Question | None = None
        self._stages: list[Stage] = []
        self._remarks: list[str] = []
        self._shown: dict[str, PositionVerdict] = {}
        self._closing: set[str] = set()  # good, and not let go yet

    def run(self) -> Result:
        """The whole run. Never raises for what the board, the port or the person does."""
        trouble: str | None = None
        ending = Verdict.PASS
        for name in STAGES:
            if name not in self._settings.stages and name != "hello":
                self._stages.append(Stage(name, Verdict.SKIPPED))
                continue
            if ending is not Verdict.PASS:
                self._stages.append(Stage(name, Verdict.SKIPPED))
                continue
            self._tell(Event("stage", _STAGE_WORDS[name], stage=name))
            began_us = self._link.transport.now_us
            try:
                verdict = {"hello": self._hello, "lines": self._look, "positions": self._press}[name]()
            except _Trouble as error:
                trouble, verdict = str(error), Verdict.ERROR
            except (PortGone, NoAnswer, Refused, BoardRestarted) as error:
                trouble, verdict = _in_words(error), Verdict.ERROR
            except KeyboardInterrupt:
                verdict = Verdict.ABORTED
            if verdict in (Verdict.ERROR, Verdict.ABORTED):
                ending = verdict
                if trouble:
                    self._tell(Event("trouble", trouble, stage=name))
            seconds = (self._link.transport.now_us - began_us) / 1e6
            self._stages.append(Stage(name, verdict, seconds=seconds))
        result = self._result(trouble)
        self._tell(Event("ended", result.verdict.value, verdict=result.verdict.value))
        return result

    def _result(self, trouble: str | None) -> Result:
        if self._notes is not None and self._positions is not None:
            self._notes.note("ended" if self._positions.ended else "stopped")
        return result_of(
            Account(
                keyboard=self._keyboard,
                matrix=self._matrix,
                board=self._identity,
                can=self._can,
                lines=self._lines,
                positions=self._positions,
                stages=tuple(self._stages),
                link=self._link.counters,
                trouble=trouble,
                remarks=tuple(self._remarks),
            ),
            after=self._settings.after,
            tool=self._settings.tool,
            when=self._settings.when,
        )

    # -- the stages --------------------------------------------------------------------------------

    def _hello(self) -> Verdict:
        found = hello.findings(self._introduced(), self._fingerprint)
        self._remarks += found.notes
        if found.trouble is not None:
            raise _Trouble(f"{found.trouble}. {found.help}" if found.help else found.trouble)
        board = self._identity
        self._tell(Event("board", _board_in_words(board), flash_id=board.flash_id))
        self._recall()
        return found.verdict

    def _recall(self) -> None:
        """What this board's last run left open is asked first."""
        if not self._settings.earlier:
            return
        from hil.history import last_of_board

        last = last_of_board(self._settings.earlier, self._identity.flash_id, self._keyboard.title)
        if last is None:
            return
        self._tell(Event("history", last.in_words()))
        left = tuple(name for name in last.left if name in self._numbers)
        if 0 < len(left) < len(self._numbers):
            rest = tuple(tuple(name for name in row if name not in left) for row in self._rows)
            self._rows = (left, *(row for row in rest if row))

    def _look(self) -> Verdict:
        findings = self._looked()
        for line in findings.lines:
            if line.verdict in _TELLING:
                joined = " and ".join(other.name for other in line.joined)
                words = f"{line.pin} (pin {line.package_pin}) is {line.verdict.value}"
                self._tell(
                    Event("line", f"{words}: {joined}" if joined else words, verdict=line.verdict.value)
                )
        for name in (*findings.closed, *findings.maybe_closed):
            self._tell(Event("line", f"{name} reads pressed with nothing touched", switch=name))
        return Verdict.FAIL if findings.bad else Verdict.PASS

    def _looked(self) -> LineFindings:
        """One whole table with nothing pressed. A pin at whose drive the board restarts is left out."""
        if self._lines is not None:
            return self._lines
        restarts: Counter[int] = Counter()
        for _ in range(_LOOKS):
            mask = self._mask(self._can.get("pins"))
            try:
                table = self._table_of(self._link.look(mask if self._resets else None), Looked)
            except (PortGone, BoardRestarted) as gone:
                pin = gone.announced if isinstance(gone, PortGone) else self._link.announced
                self._recover(gone)
                if pin is not None:
                    restarts[pin] += 1
                    if restarts[pin] >= _SAME_PIN:
                        self._resets.append(pin)
                        self._keep("restarts", pin)
                continue
            except NoAnswer:
                raise _Trouble("the board stopped answering while it measured its lines") from None
            if table is None:
                continue
            self._base = table
            self._lines = lines.findings(self._matrix, table, self._resets)
            return self._lines
        raise _Trouble(
            "the board restarts again and again while it measures its lines: check cable and supply"
        )

    def _press(self) -> Verdict:
        findings = self._looked()
        now = self._watched()
        assert self._base is not None
        positions = self._positions = Positions(
            self._matrix, findings, self._base, now=now, fingers=self._settings.tool == "finger"
        )
        for name in self._matrix.switches:
            self._show(name)
        rows, touched = self._rows, self._settings.touched
        if touched is not None:
            rows = tuple(tuple(name for name in row if name in touched) for row in rows)
        guide = Guide(positions, tuple(row for row in rows if row))
        while (question := guide.question()) is not None:
            if question != self._asked:
                self._ask(question)
            noted = self._noted(positions)
            if noted is None and self._hand.gives_up():
                self._keep("silent", self._numbers[question.asked])
                noted = positions.silent()
            if noted is not None:
                self._told(noted)
                guide.react(noted)
        positions.ask(None)
        until_us = self._link.transport.now_us + _RELEASE_US
        while positions.held and self._link.transport.now_us < until_us:
            noted = self._noted(positions)
            if noted is not None:
                self._told(noted)
        positions.ended = True
        for name in self._matrix.switches:
            self._show(name)
        self._link.stop()
        verdicts = {positions.position(name).verdict for name in self._matrix.switches}
        if verdicts <= {PositionVerdict.PROVEN}:
            return Verdict.PASS
        incomplete = {PositionVerdict.PROVEN, PositionVerdict.ANSWERS, PositionVerdict.UNTESTED}
        return Verdict.INCOMPLETE if verdicts <= incomplete else Verdict.FAIL

    def _noted(self, positions: Positions) -> Noted | None:
        """What the next sentence means; None for most of them, and when none comes for a while."""
        try:
            said = self._link.sentence(_HEAR_US)
        except (PortGone, BoardRestarted) as gone:
            self._resume(positions, gone)
            return None
        if said is None:
            return None
        seen = self._take(said)
        if isinstance(seen, Gap | Spoke):
            self._resume(positions, None)
        elif isinstance(seen, Changed):
            return positions.see(seen.table, steady=seen.steady)
        return None

    def _resume(self, positions: Positions, gone: Exception | None) -> None:
        """Takes up again after a gap, a restart or a pulled cable. What was seen stands."""
        if gone is not None:
            self._recover(gone)
        positions.restart(self._watched())
        self._asked = None  # whatever was under way is asked again
        self._tell(Event("back", "it goes on where it was; the switch asked for is still asked for"))

    # -- talking to the board ----------------------------------------------------------------------

    def _introduced(self) -> Identity:
        try:
            answer = self._link.who()
        except NoAnswer:
            raise _Trouble(
                "nothing that answers like a bench image is on this port. "
                "Is the bench image loaded? It is gone after each unplugging"
            ) from None
        for said in answer:
            seen = self._take(said)
            if isinstance(seen, Introduced):
                self._identity, self._can = seen.identity, dict(seen.can)
        return self._identity

    def _recover(self, gone: Exception) -> None:
        """Waits for the board to be back, and makes sure that it is the same one."""
        before = self._identity
        if self._notes is not None:
            self._notes.lost()
        self._reader.lost()
        if isinstance(gone, PortGone):
            self._tell(Event("trouble", "the board is gone: plug it in again, with its bench image"))
            self._hand.gone()
            if not self._link.reconnect(self._settings.reconnect_us):
                raise _Trouble("the board went away and did not come back. What was proven is kept")
        now = self._introduced()
        if before.flash_id and now.flash_id and before.flash_id != now.flash_id:
            raise _Trouble("another board was plugged in. What was proven of the first one is kept")
        if before.wiring != now.wiring or before.image != now.image:
            raise _Trouble("the board came back with another image. What was proven is kept")

    def _watched(self) -> Observation:
        """Begins to watch; the table as it is at this moment."""
        for _ in range(_LOOKS):
            try:
                mask = self._mask(lines_of(self._keyboard.wiring))
                table = self._table_of(self._link.watch(mask), Watching)
                if table is not None:
                    return table
            except (PortGone, BoardRestarted) as gone:
                self._recover(gone)
            except NoAnswer:
                raise _Trouble("the board stopped answering. What was proven is kept") from None
        raise _Trouble("the board restarts again and again: check cable and supply. What was proven is kept")

    def _mask(self, wanted: int | None) -> int:
        """Of these pins, those that the board may drive and that don't restart it."""
        mask = self._can.get("pins", 0) if wanted is None else wanted & self._can.get("pins", wanted)
        for pin in self._resets:
            mask &= ~(1 << pin)
        return mask

    def _table_of(
        self, answer: Sequence[Sentence], wanted: type[Looked] | type[Watching]
    ) -> Observation | None:
        """The table in an answer; None if only the end of one was heard."""
        table: Observation | None = None
        for said in answer:
            seen = self._take(said)
            if isinstance(seen, Looked | Watching) and isinstance(seen, wanted):
                table = seen.table
        return table

    def _take(self, said: Sentence | Lost) -> Seen | None:
        if isinstance(said, Lost):
            if self._notes is not None:
                self._notes.lost()
            return self._reader.lost()
        if self._notes is not None:
            self._notes.heard(said)
        seen = self._reader.take(said)
        return None if isinstance(seen, AboutToDrive) else seen

    # -- telling the person ------------------------------------------------------------------------

    def _keep(self, word: str, *numbers: object) -> None:
        if self._notes is not None:
            self._notes.note(word, *numbers)

    def _ask(self, question: Question) -> None:
        assert self._positions is not None
        self._asked = question
        self._positions.ask(question.asked, question.instead)
        instead = "none" if question.instead is None else self._numbers[question.instead]
        self._keep("asked", self._numbers[question.asked], instead)
        place = self._places[question.asked]
        self._tell(
            Event(
                "prompt",
                f"press {question.asked}{' once more' if question.attempt else ''}: {place}",
                switch=question.asked,
                instead=question.instead,
                place=place,
                proven=self._proven,
                total=len(self._numbers),
                again=question.attempt > 0,
            )
        )
        self._hand.asked(question)

    def _told(self, noted: Noted) -> None:
        if noted.kind is Kind.GOOD and noted.switch is not None:
            self._closing.add(noted.switch)
        if noted.kind is not Kind.RELEASED:
            self._tell(
                Event(
                    "press",
                    _noted_in_words(noted),
                    switch=noted.switch,
                    asked=noted.asked,
                    meant=noted.kind.value,
                )
            )
        for name in dict.fromkeys((noted.switch, noted.asked, *noted.pressed)):
            if name is not None:
                self._show(name)

    def _show(self, name: str) -> None:
        """Tells a verdict when it is new."""
        assert self._positions is not None
        position = self._positions.position(name)
        known = self._shown.get(name, PositionVerdict.UNTESTED)
        if known is position.verdict or (position.blocked_by == (NOT_LET_GO,) and not self._positions.ended):
            return
        self._shown[name] = position.verdict
        self._closing.discard(name)
        self._tell(
            Event(
                "verdict",
                f"{name}: {position.verdict.value}",
                switch=name,
                verdict=position.verdict.value,
                proven=self._proven,
                total=len(self._numbers),
            )
        )

    @property
    def _proven(self) -> int:
        """How many are proven, or will be as soon as they are let go."""
        proven = {name for name, verdict in self._shown.items() if verdict is PositionVerdict.PROVEN}
        return len(proven | self._closing)


_STAGE_WORDS = {
    "hello": "who is there",
    "lines": "what ties lines together (touch nothing)",
    "positions": "each switch and its diode",
}
_TELLING = frozenset({LineVerdict.BRIDGED, LineVerdict.LOW, LineVerdict.HIGH, LineVerdict.WEAK})


def places_of(keyboard: Keyboard) -> dict[str, str]:
    """Per switch where it lies and which pins it sits on: "row 2, 3rd from the left (GPIO3, GPIO8)"."""
    found: dict[str, str] = {}
    switches = {switch.name: switch for switch in keyboard.wiring.switches}
    for row, names in enumerate(rows_of_caps(keyboard.caps), 1):
        for n, name in enumerate(names, 1):
            switch = switches[name]
            gpios = [gpio for gpio in (switch.row, switch.column, switch.direct) if gpio is not None]
            pins = ", ".join(f"GPIO{gpio}" for gpio in gpios)
            found[name] = f"row {row}, {_ordinal(n)} from the left ({pins})"
    return found


def _ordinal(n: int) -> str:
    if n % 100 in (11, 12, 13):
        return f"{n}th"
    return f"{n}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(n % 10, 'th') }"


def _board_in_words(board: Identity) -> str:
    which = f"flash id {board.flash_id}" if board.flash_id else "flash id unknown"
    return f"a board with the {board.image} image, protocol {board.protocol}, {which}"


def _noted_in_words(noted: Noted) -> str:
    if noted.kind is Kind.GOOD:
        return f"{noted.switch} answers, its diode is good"
    if noted.kind is Kind.FAULT:
        return f"{noted.switch} answers, but not as it should"
    if noted.kind is Kind.SILENT:
        touched = f"; {noted.switch} answers" if noted.switch else ""
        return f"{noted.asked} is silent{touched}"
    if noted.kind is Kind.UNCLEAR:
        names = ", ".join(noted.pressed) or "something"
        return f"not clear which: {names}. One at a time, please"
    if noted.kind is Kind.UNSTEADY:
        return f"{noted.switch or 'a contact'} doesn't become quiet: press it firmly"
    if noted.kind is Kind.BACK:
        return "back to the switch before"
    return f"{noted.switch} answers"


def _in_words(error: Exception) -> str:
    if isinstance(error, PortGone):
        return f"the port went away ({error})"
    if isinstance(error, Refused):
        return f"the board refused a command ({error})"
    if isinstance(error, BoardRestarted):
        return "the board restarted"
    return "the board stopped answering"
