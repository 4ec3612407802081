"""From the wire's sentences to observations: tables of what read low.

An observation is one table. Its readings are bits of one integer: bit 32 * d + q is set when line q
read low while GPIOd was driven low; d = 30 (`REST`) is the row with nothing driven. A line's own row
never holds the line itself. Whole tables then compare with `&` and `~`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple, Protocol

from hil.result import Identity
from keyc.pins import GPIO_COUNT

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from hil.board import Table

_MASKS = ("pins", "watch", "lit-high")  # words of `can` that a mask follows
REST = 30  # the row with nothing driven
ROW_BITS = 32
ROW = (1 << GPIO_COUNT) - 1


def pair(driven: int, line: int) -> int:
    """The bit for `line` reading low while `driven` is driven low."""
    return 1 << (ROW_BITS * driven + line)


@lru_cache(maxsize=1024)  # the same few masks, for every frame
def pairs(driven: int, lines: int) -> int:
    """The bits for every line of a mask crossed with every driven line of a mask (bit 30: nothing driven)."""
    result = 0
    while driven:
        lowest = driven & -driven
        result |= lines << (ROW_BITS * (lowest.bit_length() - 1))
        driven ^= lowest
    return result


def row_of(pairs_: int, driven: int) -> int:
    """The lines of these pairs that read low while `driven` is driven low."""
    return pairs_ >> (ROW_BITS * driven) & ROW


def driven_and_line(bit: int) -> tuple[int, int]:
    """The two of a pair's bit."""
    return divmod(bit.bit_length() - 1, ROW_BITS)


def members(mask: int) -> tuple[int, ...]:
    """The bit numbers of a mask, ascending."""
    found = []
    while mask:
        lowest = mask & -mask
        found.append(lowest.bit_length() - 1)
        mask ^= lowest
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Observation:
    """One table. Masks hold GPIO0-29.

    `rows`   which rows were read; bit 30 is the row with nothing driven
    `over`   which lines were read in each row
    `down`   lines that read low with everything pulled down; None when that wasn't looked at
    `held`   driven low, but read back high
    `slow`   did not recover after a drive: nothing rests on them
    `rise_us` how long every line that is high at rest took to rise after a drive; whole numbers (an int) from
             a board that tells no finer
    `wavers` pairs that read as they like: taken as low, and nothing rests on them
    """

    low: int = 0
    rows: int = 0
    over: int = 0
    down: int | None = None
    held: int = 0
    slow: int = 0
    rise_us: Mapping[int, float] = field(default_factory=dict)
    time_us: int = 0
    wavers: int = 0

    def row(self, driven: int) -> int:
        """Lines that read low with GPIO `driven` low, or with nothing driven (`REST`)."""
        return row_of(self.low, driven)

    def changed(self, driven: int, lines: int, time_us: int) -> Observation:
        """This table with one row read again later. A row that is told can be trusted again."""
        own = 0 if driven == REST else 1 << driven
        at = ROW_BITS * driven
        return Observation(
            self.low & ~(ROW << at) | (lines & ROW & ~own) << at,
            self.rows | 1 << driven,
            self.over,
            self.down,
            self.held & ~own,
            self.slow & ~own,
            self.rise_us,
            time_us,
            self.wavers,
        )

    def with_row(self, driven: int, lines: int) -> Observation:
        """This table with one row read (again). The line itself is no reading of its own row."""
        own = 0 if driven == REST else 1 << driven
        cleared = self.low & ~pairs(1 << driven, ROW)
        return replace(
            self, low=cleared | pairs(1 << driven, lines & ROW & ~own), rows=self.rows | 1 << driven
        )

    def within(self, lines: int) -> Observation:
        """This table with these lines alone: the others neither driven nor read."""
        rows = self.rows & (lines | 1 << REST)
        down = None if self.down is None else self.down & lines
        return replace(
            self,
            low=self.low & pairs(rows, lines),
            rows=rows,
            over=self.over & lines,
            down=down,
            held=self.held & lines,
            slow=self.slow & lines,
            wavers=self.wavers & pairs(rows, lines),
        )

    def with_wavering(self, wavers: int) -> Observation:
        """This table with these pairs as what may conduct, and may not."""
        return replace(self, low=self.low | wavers, wavers=self.wavers | wavers) if wavers else self

    @property
    def readable(self) -> int:
        """Every pair that this table has a trustworthy reading of."""
        doubtful = self.held | self.slow
        return _readable(self.rows & ~doubtful, self.over & ~doubtful) & ~self.wavers


@lru_cache(maxsize=1024)
def _readable(rows: int, lines: int) -> int:
    return pairs(rows, lines) & ~_OWN


_OWN = sum(pair(gpio, gpio) for gpio in range(GPIO_COUNT))


def observed(table: Table, over: int, *, driven: int | None = None) -> Observation:
    """What a board reads of a state of the electrical model; undefined readings count as high.

    `over`: the lines that take part. `driven`: those of them that are driven in turn, as while watching;
    left out, it is a whole look, which begins with the pulled-down row and drives no line that stays high.
    """
    stays_high = over & ~table.pulled_down.low if driven is None else 0
    drives = over & ~stays_high if driven is None else over & driven
    read_back_high = sum(1 << gpio for gpio in members(drives) if not table.driven[gpio].low >> gpio & 1)
    seen = Observation(
        over=over,
        down=table.pulled_down.low & over if driven is None else None,
        held=stays_high | read_back_high,
        rise_us={gpio: table.rise_ns[gpio] / 1000 for gpio in members(drives)},
    ).with_row(REST, table.at_rest.low & over)
    for gpio in members(drives):
        seen = seen.with_row(gpio, table.driven[gpio].low & over)
    return seen


class SentenceLike(Protocol):
    """A line of the wire, taken apart: `name`, and its fields without sequence number and CRC."""

    @property
    def name(self) -> str: ...

    @property
    def fields(self) -> tuple[str, ...]: ...


@dataclass(frozen=True, slots=True)
class Introduced:
    """`who` is answered: who the board is, and what it can do, by the words of `can`."""

    identity: Identity
    can: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Looked:
    """`look` is done: the whole table."""

    table: Observation


@dataclass(frozen=True, slots=True)
class Watching:
    """`watch` began: the table that changes count from."""

    table: Observation


class Changed(NamedTuple):
    """A frame: the table as it is now. Not `steady`: it never became quiet."""

    table: Observation
    steady: bool


@dataclass(frozen=True, slots=True)
class Spoke:
    """The board began to introduce itself: asked to, or because it has restarted."""


@dataclass(frozen=True, slots=True)
class AboutToDrive:
    gpio: int


@dataclass(frozen=True, slots=True)
class Gap:
    """Lines are missing: the table isn't known until the next `watch`."""


@dataclass(frozen=True, slots=True)
class Holding:
    """`edges` began: this pin is held low (`REST`: none), and these lines read low. Edges count from here."""

    driven: int
    low: int


@dataclass(frozen=True, slots=True)
class Edge:
    """A line came to a level, at this time of the board (µs modulo 2³²)."""

    line: int
    high: bool
    time_us: int


@dataclass(frozen=True, slots=True)
class LetGo:
    """No edges are told any more, or none began. `against`: the pin that something holds high."""

    against: int | None


Seen = Introduced | Looked | Watching | Changed | Spoke | AboutToDrive | Gap | Holding | Edge | LetGo


class Reader:
    """Folds sentences, in the order sent, into what they tell. Ill-formed ones change nothing."""

    def __init__(self) -> None:
        self._identity = Identity()
        self._can: dict[str, int] = {}
        self._table = Observation()  # the rows of a `look` or `watch` that is under way
        self._now: Observation | None = None  # the table since the last frame; None: not known
        self._next: Observation | None = None  # the frame that is coming in
        self._steady = True
        self._in_table = False
        self._holding = False
        self._row: tuple[int, int] | None = None  # the last row of `low-lines`
        self._against: int | None = None
        self._left_out = 0
        self._wavers = 0

    def take(self, sentence: SentenceLike) -> Seen | None:
        """What this sentence completes, if anything."""
        try:
            return self._taken(sentence.name, sentence.fields)
        except (ValueError, IndexError):
            return None

    def leave_out(self, gpio: int) -> None:
        """The board isn't asked to drive this pin any more: that it doesn't says nothing of the pin."""
        self._left_out |= 1 << gpio

    def waver(self, wavers: int) -> None:
        """These pairs read as they like, in every table while watching from here on."""
        self._wavers |= wavers

    def assume(self, table: Observation) -> None:
        """Starts from this table although the board has not told it: dumps of one-way firmware."""
        self._now = table

    def _taken(self, name: str, fields: tuple[str, ...]) -> Seen | None:
        if name == "finished":
            return self._finished(fields[0])
        if name == "change":
            self._change(fields)
        elif name == "low-lines":
            self._low_lines(fields)
        elif name == "rise":
            gpio, word = _gpio(fields[0]), fields[1]
            rise_us = float(word) if "." in word else int(word)
            self._table = replace(self._table, rise_us={**self._table.rise_us, gpio: rise_us})
        elif name == "edge":
            if self._holding and fields[1] in ("low", "high"):
                return Edge(_gpio(fields[0]), fields[1] == "high", int(fields[2]))
        elif name in ("not-recovered", "held-against"):
            if name == "held-against" and self._holding:
                self._holding = False
                return LetGo(_gpio(fields[0]))
            self._against = _gpio(fields[0])
            self._unusable(name, 1 << self._against)
        elif name == "unsteady":
            self._steady = False
        elif name == "about-to-drive":
            return AboutToDrive(_gpio(fields[0]))
        elif name == "missed":
            return self.lost()
        elif name == "hello":
            self.lost()
            self._can = {}
            self._identity = Identity(protocol=int(fields[0]), image=fields[1])
            return Spoke()
        elif name == "can":
            self._can[fields[0]] = int(fields[1], 16 if fields[0] in _MASKS else 10)
        elif name == "flash-id":
            self._identity = replace(self._identity, flash_id=_flash_id(fields[0]))
        elif name == "fingerprint":
            self._fingerprint(fields[0], _fingerprint(fields[1]))
        return None

    def lost(self) -> Gap:
        """Lines are missing here: what was coming in is thrown away."""
        self._table, self._now, self._next = Observation(), None, None
        self._steady, self._in_table, self._holding = True, False, False
        return Gap()

    def _fingerprint(self, what: str, digits: str | None) -> None:
        if what == "wiring":
            self._identity = replace(self._identity, wiring=digits)
        elif what == "keymap":
            self._identity = replace(self._identity, keymap=digits)
        elif what == "engine":
            self._identity = replace(self._identity, engine=digits)

    def _unusable(self, name: str, pin: int) -> None:
        """A row that says nothing: of the table under way, or of the frame that is coming in."""
        table = self._table if self._in_table else self._next or self._now
        if table is None:
            return
        if name == "held-against":
            table = replace(table, held=table.held | pin)
        else:
            table = replace(table, slow=table.slow | pin)
        if self._in_table:
            self._table = table
        else:
            self._next = table

    def _low_lines(self, fields: tuple[str, ...]) -> None:
        self._in_table = True
        how, lines = fields[0], int(fields[1], 16)
        if how == "down":
            # A look begins with this row.
            self._table = Observation(down=lines)
        elif how == "up":
            # In a look this is the second row, in a watch the first.
            before = self._table if self._table.down is not None else Observation()
            self._table = before.with_row(REST, lines)
        else:
            self._table = self._table.with_row(_gpio(how), lines)
        self._row = (REST if how == "up" else _gpio(how), lines) if how != "down" else None

    def _change(self, fields: tuple[str, ...]) -> None:
        if self._now is None:
            return
        row = REST if fields[0] == "up" else _gpio(fields[0])
        self._next = (self._next or self._now).changed(row, int(fields[1], 16), int(fields[2]))

    def _finished(self, word: str) -> Seen | None:
        if word == "change":
            return self._changed()
        if word == "who":
            return Introduced(self._identity, dict(self._can))
        if word == "edges":
            row, self._row = self._row, None
            self._table, self._in_table, self._now = Observation(), False, None
            self._holding = row is not None
            return LetGo(self._against) if row is None else Holding(*row)
        was_holding, self._holding = self._holding, False
        if word == "look":
            looked, self._table = self._complete("pins"), Observation()
            self._in_table = False
            return Looked(looked) if looked.down is not None and looked.rows >> REST else None
        if word == "watch":
            watched, self._table = self._complete("watch"), Observation()
            self._next, self._steady, self._in_table = None, True, False
            self._now = watched if watched.rows >> REST else None
            return Watching(watched.with_wavering(self._wavers)) if self._now is not None else None
        if word == "stop":
            self._now = self._next = None
            return LetGo(None) if was_holding else None
        return None

    def _changed(self) -> Changed | None:
        """The frame that is over now. An unsteady one may end as it began, without a line of change."""
        self._holding = False
        if self._now is None:
            return None
        steady, self._steady = self._steady, True
        if self._next is None:
            return None if steady else Changed(self._now.with_wavering(self._wavers), steady)
        self._now, self._next = self._next, None
        return Changed(self._now.with_wavering(self._wavers), steady)

    def _complete(self, what: str) -> Observation:
        """The table that came in. Lines that were not driven because they stay high belong to it too."""
        table = self._table
        over = table.rows & ROW | table.held | table.slow
        held = table.held
        if table.down is not None:
            held |= self._can.get(what, 0) & ~table.down & ~self._left_out
        return replace(table, over=over | held or self._can.get(what, 0), held=held)


def _gpio(field: str) -> int:
    number = int(field)
    if not 0 <= number < GPIO_COUNT:
        raise ValueError(field)
    return number


def _flash_id(text: str) -> str | None:
    """None for an id that says nothing: all zeros or all ones."""
    digits = text.upper()
    return None if set(digits) <= {"0"} or set(digits) <= {"F"} else digits


def _fingerprint(text: str) -> str | None:
    return None if set(text) <= {"0"} else text.lower()


def mask_of(gpios: Iterable[int]) -> int:
    """The mask with these bits."""
    mask = 0
    for gpio in gpios:
        mask |= 1 << gpio
    return mask
