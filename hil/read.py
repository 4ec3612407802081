"""Verdicts from a saved dump (DUMP.md): the same stages, fed from a file.

A dump may be cut anywhere, damaged or hand-made. It then says less, never something else: what isn't
complete does not count.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hil.judge import Matrix, lines_of
from hil.link import BoardRestarted, Counters, Lost, Ordering
from hil.observe import (
    REST,
    Changed,
    Introduced,
    Looked,
    Observation,
    Reader,
    Watching,
    mask_of,
    members,
)
from hil.outcome import TELLS, Account, Found, result_of
from hil.read_later import NAMES as LATER
from hil.read_later import Later, Reading, later, stage_of
from hil.record import NOTE
from hil.result import Identity, Result, Stage, Verdict, positions_verdict
from hil.stages import hello, lines
from hil.stages.positions import Positions
from hil.wire import LINE_BYTES, Damaged, Sentence, crc_32, parse_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from typing import BinaryIO

    from hil.observe import Seen
    from keyc.keyboard import Keyboard

NO_CHECKSUMS = "this dump has no checksums: damage in it can't be seen"

_NOTHING = (b"", b"\r", b"#")  # how a line begins that says nothing
_BLOCK = 1 << 16  # bytes
_MOST_WAITING = 10_000  # frames between two notes: nobody answers one question so often
_MARK = f"{NOTE} ".encode()


@dataclass(frozen=True, slots=True)
class _Note:
    """A note of the bench: its word; its number, and its fields."""

    name: str
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Asked:
    """From here on the person was asked for one switch, and offered another to touch instead."""

    switch: int
    instead: int | None


@dataclass(frozen=True, slots=True)
class _Silent:
    """The person said that the switch asked for doesn't answer."""

    switch: int


def verdicts_of(dump: BinaryIO, keyboard: Keyboard, fingerprint: str, *, after: str = "") -> Result:
    """What a dump says about a keyboard. It is read twice at most, and never as a whole.

    `fingerprint`: the file's wiring, as `keyc.fingerprints` has it.
    """
    is_plain = not any(_has_check(line) for line in _whole_lines(dump, Counters()))
    dump.seek(0)
    replay = _Replay(keyboard, fingerprint, is_plain)
    whole_lines = _whole_lines(dump, replay.counters)
    for one in (_plain if is_plain else _checked)(whole_lines, replay.counters):
        replay.take(one)
    return replay.result(after)


def _whole_lines(dump: BinaryIO, counters: Counters) -> Iterator[bytes]:
    """The lines that have an end. What follows the last of them may be cut off: it is damaged."""
    begun = b""
    while block := dump.read(_BLOCK):
        *whole, begun = (begun + block).split(b"\n")
        yield from whole
        begun = begun[:_BLOCK]  # no line is so long, however it goes on
    counters.damaged += bool(begun.strip())


def _has_check(line: bytes) -> bool:
    return not isinstance(parse_line(line), Damaged) or _note_in(line) is not None


def _note_in(line: bytes) -> _Note | None:
    """A note with a right CRC; None for any other line."""
    if not line.startswith(_MARK):
        return None
    text = line.removesuffix(b"\r")
    body, mark, check = text.rpartition(b" *")
    if not mark or len(text) > LINE_BYTES:
        return None
    if check != b"%08X" % crc_32(body):
        return None
    _, number, word, *fields = [*body.decode("ascii", "replace").split(" "), "", ""]
    return _Note(word, (number, *(field for field in fields if field)))


def _checked(whole_lines: Iterable[bytes], counters: Counters) -> Iterator[Sentence | Lost | _Note]:
    """Sentences in the order said, each once, with the notes where they stood."""
    order = Ordering(counters)
    for line in whole_lines:
        heard = parse_line(line)
        if isinstance(heard, Sentence) and heard.name != NOTE:
            try:
                yield from order.put(heard)
            except BoardRestarted:
                yield from _rest_of(order)
                yield Lost(0)
                order = Ordering(counters)
                yield from order.put(heard)
        elif (note := _note_in(line)) is not None:
            # What came before a note had been heard before it: what is missing there stays missing.
            yield from _rest_of(order)
            if note.name == "lost":
                order = Ordering(counters)
            yield note
        elif line[:1] not in _NOTHING:
            counters.damaged += 1
    yield from _rest_of(order)


def _rest_of(order: Ordering) -> Iterator[Sentence | Lost]:
    while lost := order.skip_gap():
        yield Lost(lost)
        yield from order.ready()


def _plain(whole_lines: Iterable[bytes], counters: Counters) -> Iterator[Sentence]:
    """The lines of a dump without checksums, with `finished change` put in where the time moves on."""
    time: str | None = None
    table: list[list[str]] = []
    for line in whole_lines:
        words = line.decode("ascii", "replace").split()
        if not words or words[0].startswith("#"):
            continue
        name, *fields = words
        if not _is_plain(name, fields):
            counters.damaged += 1
            continue
        if name == "change" and time is not None and fields[2] != time:
            yield Sentence("finished", ("change",), 0)
        time = fields[2] if name == "change" else None if name == "finished" else time
        counters.lines += 1
        if name == "low-lines":
            table.append(fields)
            continue
        if fields == ["watch"]:
            # A table of WIRE.md begins with the row that has nothing driven; here that may be left out.
            for row in sorted([["up", "0"], *table], key=lambda row: row[0] != "up"):
                yield Sentence("low-lines", tuple(row), 0)
            table = []
        yield Sentence(name, tuple(fields), 0)


def _is_plain(name: str, fields: list[str]) -> bool:
    """Whether a line of a plain dump is well-formed as a whole: half of one must not count."""
    if name == "finished":
        return fields in (["change"], ["watch"])
    if name not in ("change", "low-lines") or len(fields) != (3 if name == "change" else 2):
        return False
    pin, mask = fields[:2]
    is_pin = pin == "up" or (pin.isdecimal() and pin.isascii() and int(pin) < REST)
    is_mask = 0 < len(mask) <= 8 and all(digit in "0123456789abcdefABCDEF" for digit in mask)
    is_time = name != "change" or (fields[2].isdecimal() and fields[2].isascii())
    return is_pin and is_mask and is_time


class _Replay:
    """Plays a dump to the stages."""

    def __init__(self, keyboard: Keyboard, fingerprint: str, is_plain: bool) -> None:
        self.counters = Counters()
        self._keyboard, self._fingerprint, self._is_plain = keyboard, fingerprint, is_plain
        self._matrix = Matrix(keyboard.wiring)
        self._names = [switch.name for switch in keyboard.wiring.switches]
        self._reader = Reader()
        self._identity: Identity | None = None
        self._can: dict[str, int] = {}
        self._resets: list[int] = []
        self._wavering: list[tuple[int, int]] = []
        self._untouched = False  # nothing is to be touched: what changes is no press
        self._deaf = False  # since a gap: a press would not be heard
        self._looked: Observation | None = None
        self._lines: lines.LineFindings | None = None
        self._positions: Positions | None = None
        self._question: _Asked | None = None
        self._found = Found()
        self._later: dict[str, Later] = {}  # the stages after `positions` that began
        self._now: Later | None = None  # the one that what comes now belongs to
        self._done: set[str] = set()
        self._notes = 0  # the number of the next note
        self._waiting: list[Changed | Watching | _Silent] = []
        self._trouble: str | None = None
        self._remarks: list[str] = [NO_CHECKSUMS] if is_plain else []
        if is_plain:
            self._reader.assume(self._one_way())
            self._begin(self._one_way())

    def take(self, one: Sentence | Lost | _Note) -> None:
        if isinstance(one, Sentence):
            seen = self._reader.take(one)
            if seen is not None and self._trouble is None:
                self._take_seen(seen)
        elif isinstance(one, Lost):
            self._lose()
            if self._now is not None:
                self._now.unsure()
        else:
            try:
                self._take_note(one)
            except ValueError:
                self._question = None

    def result(self, after: str) -> Result:
        # What comes after the last note was perhaps an answer, perhaps not.
        self._count(None)
        positions = self._positions
        stages = [self._hello_stage(), self._lines_stage()]
        if positions is None:
            stages.append(Stage("positions", Verdict.SKIPPED))
        else:
            verdict = positions_verdict(positions.position(name) for name in self._names)
            stages.append(Stage("positions", verdict))
        for name, one in self._later.items():
            stage = stage_of(name, one, is_done=name in self._done)
            self._found.left_out[name] = stage.not_tested
            stages.append(stage)
        stages += self._missing()
        self._found.lines, self._found.positions = self._lines, positions
        nothing = self.counters.lines == 0
        trouble = self._trouble or ("there is no line of the wire in this dump" if nothing else None)
        result = result_of(
            Account(
                keyboard=self._keyboard,
                matrix=self._matrix,
                board=self._identity or Identity(),
                can=self._can,
                found=self._found,
                stages=tuple(stages),
                link=self.counters,
                trouble=trouble,
                remarks=(*self._remarks, *(positions.remarks() if positions else ())),
            ),
            after=after,
            tool="",
        )
        # A dump is only as complete as its stages. After `positions` one may have had nothing to ask.
        had_nothing = {(name, Verdict.SKIPPED) for name in LATER}
        complete = all(
            stage.verdict is Verdict.PASS or (stage.name, stage.verdict) in had_nothing for stage in stages
        )
        if result.verdict is Verdict.PASS and not complete:
            return replace(result, verdict=Verdict.INCOMPLETE)
        return result

    # -- inside --

    def _missing(self) -> list[Stage]:
        """The stages after `positions` that this dump has nothing of, with what they would have told."""
        wiring = self._keyboard.wiring
        of_this = [name for name in LATER if name != "extras" or wiring.dials or wiring.lights]
        return [
            Stage(name, Verdict.SKIPPED, (f"{TELLS[name]}: not in this dump",))
            for name in of_this
            if name not in self._later
        ]

    def _hello_stage(self) -> Stage:
        if self._identity is None:
            return Stage("hello", Verdict.SKIPPED, ("which board it was: the dump has no introduction",))
        return Stage("hello", Verdict.ERROR if self._trouble else Verdict.PASS)

    def _lines_stage(self) -> Stage:
        if self._lines is None or self._looked is None:
            return Stage("lines", Verdict.SKIPPED, ("what ties lines together: the dump has no whole table",))
        return Stage("lines", Verdict.FAIL if self._lines.bad else Verdict.PASS)

    def _take_seen(self, seen: Seen) -> None:
        if isinstance(seen, Looked):
            self._looked, self._wavering = seen.table, []
            self._lines = lines.findings(self._matrix, seen.table, self._resets)
        elif self._untouched and not isinstance(seen, Introduced):
            return
        elif self._now is not None:
            self._now.see(seen)
        elif isinstance(seen, Changed):
            self._changed(seen)
        elif isinstance(seen, Introduced):
            self._introduce(seen)
        elif isinstance(seen, Watching):
            self._watching(seen.table)

    def _changed(self, seen: Changed) -> None:
        if self._question is not None and len(self._waiting) < _MOST_WAITING:
            self._waiting.append(seen)
            return
        if self._waiting or (self._positions is not None and self._positions.asked is not None):
            self._count(None)  # whatever note comes next, this was no answer
        if self._positions is not None:
            self._positions.see(seen.table, steady=seen.steady)

    def _introduce(self, seen: Introduced) -> None:
        first = self._identity is None
        self._identity, self._can = seen.identity, dict(seen.can)
        found = hello.findings(seen.identity, self._fingerprint)
        if found.trouble is not None:
            self._trouble = found.trouble
        elif first:
            self._remarks += found.notes

    def _watching(self, table: Observation) -> None:
        self._waiting.append(Watching(table))
        self._deaf = False
        if self._positions is None or not self._positions.frames:
            # Nothing can have been asked for before there was a table.
            self._count(None)

    def _count(self, question: _Asked | None) -> None:
        """Lets what was heard since the last note count as answers to a question; None: in free order."""
        waiting, self._waiting = self._waiting, []
        if self._positions is not None:
            self._positions.ask(*((None, None) if question is None else self._names_of(question)))
        for one in waiting:
            if isinstance(one, Watching):
                self._begin_to_watch(one.table)
            elif isinstance(one, _Silent):
                if self._positions is not None and question is not None and one.switch == question.switch:
                    self._positions.silent()
            elif self._positions is not None:
                self._positions.see(one.table, steady=one.steady)

    def _lose(self) -> None:
        self._reader.lost()
        self._deaf = True
        if self._now is not None:
            self._now.lost()

    def _begin_to_watch(self, table: Observation) -> None:
        if self._is_plain:
            one_way = self._one_way()
            table = replace(table, over=one_way.over, rows=table.rows | one_way.rows)
            self._reader.assume(table)
        if self._positions is not None and self._positions.frames:
            self._positions.restart(table)
        else:
            self._begin(table)

    def _begin(self, now: Observation) -> None:
        """Positions count from the whole table with nothing pressed, or else from this one."""
        # Without a whole table nothing says what holds a line high; one that reads low all the time shows.
        base = self._looked or now
        found = self._lines or lines.findings(self._matrix, base)
        self._positions = Positions(self._matrix, found, base, now=now)

    def _one_way(self) -> Observation:
        """A table with nothing low, of a scan in the file's direction."""
        wiring = self._keyboard.wiring
        return Observation(rows=mask_of(wiring.driven) | 1 << REST, over=lines_of(wiring))

    def _take_note(self, note: _Note) -> None:
        """A note says that everything before it was heard: what waited counts, if no note is missing."""
        if not note.fields or not note.fields[0].isdecimal():
            return
        number, fields = int(note.fields[0]), note.fields[1:]
        self._untouched = note.name == "untouched" or (self._untouched and note.name in ("wavers", "lost"))
        if note.name == "wavers" and len(fields) == 2:
            self._waver(int(fields[0]), int(fields[1]))
        if self._now is not None and note.name not in LATER:
            self._take_later_note(note.name, fields, follows=number == self._notes)
            self._notes = number + 1
            return
        question = self._question if number == self._notes else None
        self._notes = number + 1
        if note.name == "silent" and len(fields) == 1:
            if not self._deaf:
                self._waiting.append(_Silent(int(fields[0])))
            self._question = question
            return
        self._count(question)
        self._question = question
        if note.name in LATER:
            self._begin_later(note.name)
        elif note.name == "lost":
            self._lose()
        elif note.name == "restarts" and len(fields) == 1:
            self._leave_out(int(fields[0]))
        elif note.name == "asked" and len(fields) == 2:
            self._question = _Asked(int(fields[0]), None if fields[1] == "none" else int(fields[1]))
        elif note.name == "ended" and self._positions is not None:
            self._positions.ask(None)
            self._positions.ended = True

    def _leave_out(self, pin: int) -> None:
        """The board restarted, twice, when this pin was driven."""
        self._resets.append(pin)
        self._reader.leave_out(pin)

    def _waver(self, gpio: int, other: int) -> None:
        """These two lines did not stay as they were with nothing touched."""
        if self._looked is None or gpio == other or not {gpio, other} <= {*members(self._looked.over)}:
            return
        self._wavering.append((gpio, other))
        both = lines.pairs_between([(gpio, other)])
        self._reader.waver(both)
        self._lines = lines.findings(self._matrix, self._looked, self._resets, self._wavering)
        self._looked = self._looked.with_wavering(both)

    def _begin_later(self, name: str) -> None:
        """A stage after `positions` begins: that one is over."""
        if self._positions is not None:
            self._positions.ask(None)
            self._positions.ended = True
            if self._lines is not None and self._looked is not None:
                self._lines = self._positions.lines
                wavers = lines.pairs_between(self._lines.wavering)
                self._reader.waver(wavers)
                self._looked = self._looked.with_wavering(wavers)
        self._found.lines, self._found.positions = self._lines, self._positions
        reading = Reading(self._keyboard, self._matrix, self._found, self._lines, self._looked, self._can)
        self._now = self._later[name] = later(name, reading)

    def _take_later_note(self, word: str, fields: tuple[str, ...], *, follows: bool) -> None:
        """`follows`: no note is missing before it. One that is may have been a question."""
        assert self._now is not None
        if not follows:
            self._now.unsure()
        if word == "lost":
            self._lose()
        elif word == "restarts" and len(fields) == 1:
            self._leave_out(int(fields[0]))
        elif word == "done":
            self._done |= {name for name, one in self._later.items() if one is self._now}
        else:
            self._now.note(word, fields)

    def _names_of(self, question: _Asked) -> tuple[str | None, str | None]:
        instead = None if question.instead is None else self._name(question.instead)
        return self._name(question.switch), instead

    def _name(self, number: int) -> str | None:
        return self._names[number] if 0 <= number < len(self._names) else None
