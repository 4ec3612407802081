"""`hil learn`: the wiring of a board that nobody described, from one press of each of its keys.

The bench image drives every usable pin in turn, so one press shows which two lines a contact joins and
which way its diode leads; a key to ground reads low with nothing driven. Lines sort into rows and columns
by what they are joined to: cathodes on one side, anodes on the other.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hil.observe import REST, Changed, Gap, Looked, Observation, Reader, Spoke, Watching, members
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from hil.link import Link

_HEAR_US = 20_000
_QUICK_US = 700_000  # two touches within this are meant as one gesture
_CLOCK = 1 << 32


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
        grounded = gained >> (32 * REST) & 0x3FFFFFFF
        first = self._first_of
        if grounded:
            lines = {first[gpio] for gpio in members(grounded)}
            return Contact(lines.pop(), None, False) if len(lines) == 1 else None
        pairs_ = {
            (first[line], first[driven])
            for driven in members(table.rows & ~(1 << REST))
            for line in members(gained >> (32 * driven) & 0x3FFFFFFF)
            if first[line] != first[driven]
        }
        if len(pairs_) == 1:
            return Contact(*pairs_.pop(), True)
        if len(pairs_) == 2:
            (a, b), other = sorted(pairs_)
            return Contact(a, b, False) if other == (b, a) else None
        return None

    def pressed(self, contact: Contact) -> bool:
        """Whether this key is new."""
        if contact in self.contacts:
            return False
        self.contacts.append(contact)
        return True


@dataclass(frozen=True, slots=True)
class Learnt:
    """A wiring in the file's words, and what is odd about it."""

    wiring: str
    shape: str
    switches: tuple[str, ...]
    remarks: tuple[str, ...]


def learnt(contacts: Sequence[Contact], names: Sequence[str] = ()) -> Learnt:
    """The `wiring` of these keys, in the order of their presses. `names`: from a shape, in its order; left
    out, they are SW1, SW2 …. Raises UserError where lines don't sort into rows and columns."""
    named = dict(
        zip(contacts, [*names, *(f"SW{n}" for n in range(len(names) + 1, len(contacts) + 1))], strict=False)
    )
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
    by_row: list[list[str]] = []
    for row in rows:
        by_row.append([places[row, column] for column in columns if (row, column) in places])
    by_row += [list(direct.values())] if direct else []
    shape = "\n".join(["shape {", *("    " + " ".join(line) for line in by_row), "}"]) + "\n"
    return Learnt(wiring, shape, tuple(named.values()), tuple(remarks))


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
    tell: Callable[[str], None],
    *,
    done: Callable[[Learner], bool],
) -> Learner:
    """Listens to a board with a bench image until `done`, two quick touches on a known key, or Ctrl-C.

    Raises UserError (status 3) when nothing answers.
    """
    from hil.link import BoardRestarted, Lost, NoAnswer, Refused
    from hil.transport import PortGone

    reader = Reader()

    def table_of(said: Sequence[object]) -> Observation | None:
        found = None
        for one in said:
            seen = reader.lost() if isinstance(one, Lost) else reader.take(one)  # type: ignore[arg-type]
            if isinstance(seen, Looked | Watching):
                found = seen.table
        return found

    learner: Learner | None = None
    try:
        table_of(link.who())
        base = table_of(link.look())
        if base is None:
            raise NoAnswer("no whole table")
        usable = base.over & ~base.held & ~base.row(REST)
        base = base.within(usable)
        learner = Learner(base)
        tell("press every key once, one at a time, in any order. Two quick touches on one end it")
        for a, b in learner.joined:
            tell(f"GPIO{a} and GPIO{b} read as one line with nothing pressed: a bridge, or a stuck key")
        table_of(link.watch(usable))
        down: Contact | None = None
        last: tuple[Contact, int] | None = None
        while not done(learner):
            said = link.sentence(_HEAR_US)
            if said is None:
                continue
            seen = reader.lost() if isinstance(said, Lost) else reader.take(said)
            if isinstance(seen, Gap | Spoke):
                table_of(link.watch(usable))
                continue
            if not isinstance(seen, Changed) or not seen.steady:
                continue
            contact = learner.contact_in(seen.table)
            if contact is None:
                if seen.table.low & ~base.low & base.readable:
                    tell("more than one key, or a key that reads oddly: one at a time, please")
                down = None
                continue
            if contact == down:
                continue
            down = contact
            if learner.pressed(contact):
                tell(f"key {len(learner.contacts)}: {contact.in_words()}")
                last = None
                continue
            tell(f"that is key {learner.contacts.index(contact) + 1} again")
            if (
                last is not None
                and last[0] == contact
                and (seen.table.time_us - last[1]) % _CLOCK <= _QUICK_US
            ):
                break
            last = (contact, seen.table.time_us)
    except KeyboardInterrupt:
        if learner is None:
            raise
    except (PortGone, BoardRestarted, NoAnswer, Refused) as error:
        if learner is None or not learner.contacts:
            raise UserError(
                f"the board can't be measured: {error}",
                "load the bench image for any board: keyc firmware --image bench -o bench.uf2",
                exit_status=3,
            ) from None
        tell("the board is gone; what was learnt until then follows")
    assert learner is not None
    return learner
