"""`hil learn`: the wiring of a board that nobody described, from one press of each of its keys.

The bench image drives every usable pin in turn, so one press shows which two lines a contact joins and
which way its diode leads; a key to ground reads low with nothing driven. Lines sort into rows and columns
by what they are joined to: cathodes on one side, anodes on the other.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING

from hil.events import Event
from hil.hands import HEAR_US
from hil.link import BoardRestarted, Lost, NoAnswer, Refused
from hil.observe import (
    REST,
    Changed,
    Gap,
    Looked,
    Observation,
    Reader,
    Seen,
    Spoke,
    Watching,
    members,
    row_of,
)
from hil.places import places_of_caps
from hil.stages.positions import rows_of_caps
from hil.transport import PortGone
from hil.wire import TIMES_US
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from hil.link import Link
    from hil.wire import Sentence
    from keyc.keyboard import Cap

_QUICK_US = 700_000  # two touches within this are meant as one gesture
_HOW = "press every key once, one at a time. Two quick touches on a known key end it; so does Ctrl-C"


@dataclass(frozen=True, slots=True)
class Contact:
    """What one key joins: current goes from `anode` to `cathode` (`one_way`), or both ways, or to ground.

    Both ways: `anode` is the lower pin. To ground: `cathode` is None.
    """

    anode: int
    cathode: int | None
    one_way: bool

    def in_words(self) -> str:
        if self.cathode is None:
            return f"GPIO{self.anode} to ground"
        if self.one_way:
            return f"GPIO{self.anode} → GPIO{self.cathode}"
        return f"GPIO{self.anode} — GPIO{self.cathode}, no diode"


class Learner:
    """Takes tables; `contacts` are the keys in the order of their first press."""

    def __init__(self, base: Observation) -> None:
        """`base`: the table with nothing pressed. Lines that copper joins count as the lowest of them."""
        self.base = base
        self.contacts: list[Contact] = []
        self.names: list[str | None] = []  # of the contacts, where a shape says them
        self.silent: list[str] = []  # names that no key answered to
        self._first_of = {gpio: gpio for gpio in range(REST)}
        for gpio in members(base.over):
            for other in members(base.row(gpio)):
                if base.row(other) >> gpio & 1:
                    first = min(self._first_of[gpio], self._first_of[other])
                    self._first_of[gpio] = self._first_of[other] = first

    @property
    def joined(self) -> tuple[tuple[int, int], ...]:
        """Pairs of lines that read as one with nothing pressed."""
        return tuple((first, gpio) for gpio, first in self._first_of.items() if first != gpio)

    def contact_in(self, table: Observation) -> Contact | None:
        """The one key that is down; None when none is, or more than one."""
        gained = table.low & ~self.base.low & table.readable & self.base.readable
        grounded = row_of(gained, REST)
        first = self._first_of
        if grounded:
            lines = {first[gpio] for gpio in members(grounded)}
            return Contact(lines.pop(), None, False) if len(lines) == 1 else None
        pairs_ = {
            (first[line], first[driven])
            for driven in members(table.rows & ~(1 << REST))
            for line in members(row_of(gained, driven))
            if first[line] != first[driven]
        }
        if len(pairs_) == 1:
            return Contact(*pairs_.pop(), True)
        if len(pairs_) == 2:
            (a, b), other = sorted(pairs_)
            return Contact(a, b, False) if other == (b, a) else None
        return None

    @property
    def one_way(self) -> tuple[tuple[int, int], ...]:
        """Pairs of lines, anode and cathode, between which a diode conducts with nothing pressed."""
        base = self.base
        return tuple(
            (line, driven)
            for driven in members(base.over)
            for line in members(base.row(driven))
            if not base.row(line) >> driven & 1
        )

    def pressed(self, contact: Contact, name: str | None = None) -> bool:
        """Whether this key is new; then the name is its."""
        if contact in self.contacts:
            return False
        self.contacts.append(contact)
        self.names.append(name)
        return True


@dataclass(frozen=True, slots=True)
class Learnt:
    """A wiring in the file's words, and what is odd about it."""

    wiring: str
    rows: tuple[tuple[str, ...], ...]  # as a shape in the matrix's order would have them
    switches: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def shape(self) -> str:
        return "\n".join(["shape {", *("    " + " ".join(row) for row in self.rows), "}"]) + "\n"


def learnt(contacts: Sequence[Contact], names: Sequence[str | None] = ()) -> Learnt:
    """The `wiring` of these keys, in the order of their presses. `names` belong to the first of them; those
    that have none are SW1, SW2 …. Raises UserError where lines don't sort into rows and columns."""
    free = (name for n in count(1) if (name := f"SW{n}") not in names)
    given = [*names, *[None] * len(contacts)]
    named = {contact: name or next(free) for contact, name in zip(contacts, given, strict=False)}
    matrix = [one for one in contacts if one.cathode is not None]
    cathodes, anodes = _sides(matrix)
    rows_are_cathodes = len(cathodes) <= len(anodes)
    rows, columns = (cathodes, anodes) if rows_are_cathodes else (anodes, cathodes)
    remarks = []
    places: dict[tuple[int, int], str] = {}
    one_way = [one for one in matrix if one.one_way]
    for one in matrix:
        assert one.cathode is not None
        row, column = (one.cathode, one.anode) if one.cathode in rows else (one.anode, one.cathode)
        if (row, column) in places:
            remarks.append(
                f"{named[one]} answers where {places[row, column]} does: its diode is the other way round"
            )
            continue
        places[row, column] = named[one]
        if one.one_way and (one.cathode in rows) != rows_are_cathodes:
            remarks.append(f"{named[one]}: its diode leads the other way than most")
        elif one_way and not one.one_way:
            remarks.append(f"{named[one]}: conducts both ways, its diode is shorted or missing")
    direct = {one.anode: named[one] for one in contacts if one.cathode is None}
    setting = "none" if not one_way else "cathode-to-row" if rows_are_cathodes else "cathode-to-column"
    lines = []
    if matrix:
        lines.append(["columns", *(f"GPIO{gpio}" for gpio in columns)])
        lines += [
            [f"row GPIO{row}", *(places.get((row, column), "--") for column in columns)] for row in rows
        ]
    width = [
        max((len(line[n]) for line in lines if n < len(line)), default=0) for n in range(len(columns) + 1)
    ]
    text = [
        "    " + "  ".join(word.ljust(width[n]) for n, word in enumerate(line)).rstrip() for line in lines
    ]
    text += [f"    direct GPIO{gpio}  {name}" for gpio, name in direct.items()]
    wiring = "\n".join(["wiring {", f"    diodes {setting}", *text, "}"]) + "\n"
    by_row = [tuple(places[row, column] for column in columns if (row, column) in places) for row in rows]
    by_row += [tuple(direct.values())] if direct else []
    return Learnt(wiring, tuple(by_row), tuple(named.values()), tuple(remarks))


@dataclass(frozen=True, slots=True)
class Wanted:
    """A `shape` whose switches are to be found: its caps, and its text."""

    caps: tuple[Cap, ...]
    text: str

    @property
    def names(self) -> tuple[str, ...]:
        """Line by line, from the left."""
        return tuple(name for row in rows_of_caps(self.caps) for name in row)

    @property
    def places(self) -> dict[str, str]:
        return places_of_caps(self.caps)


def wanted_in(path: str) -> Wanted:
    """The `shape` in a file, whatever else the file holds. Raises UserError where there is none."""
    from keyc.command import say
    from keyc.compile import read_source
    from keyc.diagnostics import has_errors, render_text
    from keyc.language.shape import shape_alone
    from keyc.language.syntax import parsed

    file = parsed(read_source(path))
    caps, text, mistakes = shape_alone(file)
    if has_errors(mistakes):
        say(render_text(mistakes))
        raise UserError(f"the `shape` in {path} has mistakes", "mend them, and learn again")
    if not caps:
        raise UserError(
            f"there is no `shape` in {path}", "write one, with the keys' names: shape { SW1 SW2 … }"
        )
    return Wanted(caps, text)


def file_text(found: Learnt, wanted: Wanted | None) -> str:
    """A keymap file that checks clean, to go on from: with the shape that was wanted, or one in the matrix's
    order."""
    rows = rows_of_caps(wanted.caps) if wanted else found.rows
    shape = f"{wanted.text}\n" if wanted else found.shape
    layer = "\n".join(["layer base {", *("    " + " ".join("off" for _ in row) for row in rows), "}"])
    title = 'keyboard "Learnt" {\n    usb 0x1209:0x0001  maker "Nobody"\n}\n'
    return f"{title}{found.wiring}{shape}{layer}\n"


def _sides(matrix: Sequence[Contact]) -> tuple[list[int], list[int]]:
    """Lines on the cathodes' side, and on the anodes', in the order in which presses showed them."""
    beside: dict[int, set[int]] = {}
    votes: Counter[int] = Counter()
    for one in matrix:
        assert one.cathode is not None
        beside.setdefault(one.anode, set()).add(one.cathode)
        beside.setdefault(one.cathode, set()).add(one.anode)
        if one.one_way:
            votes[one.cathode] += 1
            votes[one.anode] -= 1
    side: dict[int, bool] = {}
    for start in beside:
        if start in side:
            continue
        group, waiting = {start: True}, [start]
        while waiting:
            at = waiting.pop()
            for other in sorted(beside[at]):
                if other not in group:
                    group[other] = not group[at]
                    waiting.append(other)
                elif group[other] == group[at]:
                    raise UserError(
                        f"the keys on GPIO{at} and GPIO{other} don't fit rows and columns",
                        "press each key alone, and learn again; a bridge or a stuck key does this too: "
                        "hil bench says which",
                    )
        # Most diodes say which side the cathodes are on; without any, the smaller side becomes the rows.
        lead = sum(votes[gpio] if is_one else -votes[gpio] for gpio, is_one in group.items())
        if not lead:
            lead = sum(-1 if is_one else 1 for is_one in group.values())
        side.update({gpio: is_one == (lead >= 0) for gpio, is_one in group.items()})
    return [gpio for gpio in beside if side[gpio]], [gpio for gpio in beside if not side[gpio]]


def learn(
    link: Link,
    tell: Callable[[Event], None],
    *,
    names: Sequence[str] = (),
    places: Mapping[str, str] | None = None,
    enough: int | None = None,
    skip: Callable[[], bool] = lambda: False,
) -> Learner:
    """Listens to a board with a bench image until `enough` keys, all of `names`, two quick touches on a known
    key, or Ctrl-C. `names` go to the keys as they are pressed; `skip` says, since the last call, that the
    one asked for doesn't answer. Raises UserError (status 3) when nothing answers.
    """
    return _Listening(link, tell, names, places or {}, enough, skip).run()


class _Listening:
    def __init__(
        self,
        link: Link,
        tell: Callable[[Event], None],
        names: Sequence[str],
        places: Mapping[str, str],
        enough: int | None,
        skip: Callable[[], bool],
    ) -> None:
        self._link, self._tell, self._skip = link, tell, skip
        self._names, self._places, self._enough = list(names), places, enough
        self._total = len(self._names)
        self._reader = Reader()
        self._learner: Learner | None = None
        self._down: Contact | None = None
        self._touched: tuple[Contact, int] | None = None  # a key that was known, and when

    def run(self) -> Learner:
        try:
            return self._listen()
        except KeyboardInterrupt:
            if self._learner is None:
                raise
        except (PortGone, BoardRestarted, NoAnswer, Refused) as error:
            if self._learner is None or not self._learner.contacts:
                raise UserError(
                    f"the board can't be measured: {error}",
                    "load the bench image for any board: keyc firmware --image bench -o bench.uf2",
                    exit_status=3,
                ) from None
            self._tell(Event("trouble", "the board is gone; what was learnt until then follows"))
        return self._learner

    def _listen(self) -> Learner:
        self._table_of(self._link.who())
        base = self._table_of(self._link.look())
        if base is None:
            raise NoAnswer("no whole table")
        usable = base.over & ~base.held & ~base.row(REST)
        base = base.within(usable)
        learner = self._learner = Learner(base)
        self._tell(Event("stage", _HOW, stage="learn"))
        for a, b in learner.joined:
            words = f"GPIO{a} and GPIO{b} read as one line with nothing pressed: a bridge, or a stuck key"
            self._tell(Event("line", words))
        for a, b in learner.one_way:
            words = f"GPIO{a} → GPIO{b} conducts with nothing pressed: is a key there held down?"
            self._tell(Event("line", words))
        self._table_of(self._link.watch(usable))
        self._ask()
        while not self._is_done(learner):
            seen = self._heard()
            if isinstance(seen, Gap | Spoke):
                self._table_of(self._link.watch(usable))
            elif isinstance(seen, Changed) and seen.steady and self._pressed(learner, seen.table):
                break
            elif seen is None and self._names and self._skip():
                self._skipped(learner)
        return learner

    def _is_done(self, learner: Learner) -> bool:
        if self._enough is not None and len(learner.contacts) >= self._enough:
            return True
        return self._total > 0 and not self._names

    def _heard(self) -> Seen | None:
        said = self._link.sentence(HEAR_US)
        if said is None:
            return None
        return self._reader.lost() if isinstance(said, Lost) else self._reader.take(said)

    def _pressed(self, learner: Learner, table: Observation) -> bool:
        """Whether this was the second of two quick touches on a known key."""
        contact = learner.contact_in(table)
        if contact is None:
            if table.low & ~learner.base.low & learner.base.readable:
                words = "more than one key, or a key that reads oddly: one at a time, please"
                self._tell(Event("press", words, meant="unclear"))
            self._down = None
            return False
        if contact == self._down:
            return False
        self._down = contact
        is_new = contact not in learner.contacts
        name = self._names.pop(0) if is_new and self._names else None
        if learner.pressed(contact, name):
            number = len(learner.contacts)
            words = f"key {number}: {f'{name}, ' if name else ''}{contact.in_words()}"
            self._tell(
                Event("press", words, switch=name, meant="good", proven=number, total=self._total or None)
            )
            self._touched = None
            self._ask()
            return False
        at = learner.contacts.index(contact)
        words = f"that is key {at + 1}{f', {learner.names[at]},' if learner.names[at] else ''} again"
        self._tell(Event("press", words, switch=learner.names[at], meant="answered"))
        before, self._touched = self._touched, (contact, table.time_us)
        return (
            before is not None
            and before[0] == contact
            and (table.time_us - before[1]) % TIMES_US <= _QUICK_US
        )

    def _skipped(self, learner: Learner) -> None:
        name = self._names.pop(0)
        learner.silent.append(name)
        self._tell(Event("verdict", f"{name}: doesn't answer", switch=name, verdict="open"))
        self._ask()

    def _ask(self) -> None:
        if not self._names:
            return
        name = self._names[0]
        place = self._places.get(name)
        words = f"press {name}: {place}" if place else f"press {name}"
        known = 0 if self._learner is None else len(self._learner.contacts)
        self._tell(Event("prompt", words, "learn", switch=name, place=place, proven=known, total=self._total))

    def _table_of(self, said: Sequence[Sentence | Lost]) -> Observation | None:
        found = None
        for one in said:
            seen = self._reader.lost() if isinstance(one, Lost) else self._reader.take(one)
            if isinstance(seen, Looked | Watching):
                found = seen.table
        return found
