"""Random keymaps and hands on the C engine, beside the reference.

The keymap's text goes through the compiler; the changes enter the engine as the debounce would tell
them; every state that the host is told is compared, in order, for each interface by itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from hil.board import Board
from keyc.compile import check_text
from keyc.engine.engine import Engine, Report
from keyc.engine.library import EngineLibrary
from keyc.engine.scenarios import usages_in
from keyc.source import Source
from keyc.table_rows import Tables
from keyc.tables import tables_of
from tests.meaning.generator import Features, RandomKeymap, random_changes, random_keymap
from tests.meaning.reference import Change, Usage, dial_switch, outcome

State = frozenset[tuple[int, int]]
INTERFACES = {"keyboard": 0x07, "consumer": 0x0C, "system": 0x01}
_CONSUMER_MOST = 2  # usages that a consumer report has room for
_REST_US = 3_000_000  # longer than any time that a keymap measures


@dataclass(frozen=True)
class Difference:
    """The first state that the engine and the reference tell differently."""

    seed: int
    interface: str
    place: int
    expected: Sequence[State]
    told: Sequence[State]
    changes: Sequence[Change]
    text: str

    def __str__(self) -> str:
        def shown(states: Sequence[State]) -> str:
            near = states[max(0, self.place - 3) : self.place + 3]
            return " ".join(
                "{" + " ".join(f"{page:X}:{number:02X}" for page, number in sorted(state)) + "}"
                for state in near
            )

        hands = " ".join(f"{c.time_us / 1000:g}{'+' if c.pressed else '-'}{c.switch}" for c in self.changes)
        return (
            f"seed {self.seed}, {self.interface} state {self.place}\n"
            f"reference: {shown(self.expected)}\nengine:    {shown(self.told)}\n{hands}\n{self.text}"
        )


def tables_of_text(made: RandomKeymap) -> Tables:
    """The compiler's tables for a random keymap. AssertionError if it finds an error."""
    keyboard, found = check_text(Source(f"random{made.seed}.keys", made.text))
    errors = [one for one in found if one.severity == "error"]
    assert keyboard is not None, f"seed {made.seed}: {errors}\n{made.text}"
    return tables_of(keyboard)


def numbers(made: RandomKeymap) -> dict[str, int]:
    """Each switch's number in the tables; a dial's two ways come after all switches."""
    names = list(made.switches)
    for dial in made.dials:
        names += [dial_switch(dial, clockwise=True), dial_switch(dial, clockwise=False)]
    return {name: number for number, name in enumerate(names)}


def engine_reports(
    library: EngineLibrary,
    tables: Tables,
    number_of: dict[str, int],
    changes: Iterable[Change],
    begins_us: int = 0,
) -> list[Report]:
    """`begins_us`: what the clock shows when the changes begin to count."""
    engine = Engine(library, tables, begins_us)
    reports: list[Report] = []
    for change in changes:
        reports += engine.run_without_board(begins_us + change.time_us)
        while not engine.tell(number_of[change.switch], pressed=change.pressed):
            reports += engine.run_without_board(engine.now_us + 1000)  # the host is slower than the hands
    return reports + engine.run_without_board(engine.now_us + _REST_US)


def states_told(reports: Iterable[Report], interface: str) -> list[State]:
    return [
        frozenset((usage.page, usage.id) for usage in usages_in(report))
        for report in reports
        if report.which == interface
    ]


def states_expected(states: Iterable[frozenset[Usage]], page: int) -> list[State]:
    """The reference's states as one interface shows them, repetitions left out."""
    kept: list[State] = []
    for state in states:
        own = frozenset((usage.page, usage.id) for usage in state if usage.page == page)
        if own != (kept[-1] if kept else frozenset()):
            kept.append(own)
    return kept


def scanned_reports(
    library: EngineLibrary,
    made: RandomKeymap,
    tables: Tables,
    changes: Iterable[Change],
    begins_us: int = 0,
) -> list[Report]:
    """The same through the whole board: an ideal one, whose switches the engine scans and debounces."""
    keyboard, _ = check_text(Source(f"random{made.seed}.keys", made.text))
    assert keyboard is not None
    board = Board(keyboard.wiring)
    engine = Engine(library, tables, begins_us)
    closed: frozenset[str] = frozenset()
    reports: list[Report] = []
    for change in changes:
        reports += engine.run_until(begins_us + change.time_us)
        closed ^= {change.switch}
        table = board.table(closed)
        rows = [row.low for row in table.driven]
        engine.set_lines(table.at_rest.low, table.pulled_down.low, rows, table.rise_ns)
    return reports + engine.run_until(engine.now_us + _REST_US)


def difference(
    library: EngineLibrary, seed: int, count: int, features: Features = Features.ALL, *, scanned: bool = False
) -> Difference | None:
    """One keymap and about `count` changes; None if both say the same.

    Raises QueueOverrun where the reference can't judge.
    """
    made = random_keymap(seed, features)
    return difference_of(library, made, random_changes(seed, made, count), scanned=scanned)


def difference_of(
    library: EngineLibrary, made: RandomKeymap, changes: Sequence[Change], *, scanned: bool = False
) -> Difference | None:
    expected = outcome(made.keymap, changes).states
    tables = tables_of_text(made)
    if scanned:
        reports = scanned_reports(library, made, tables, changes)
    else:
        reports = engine_reports(library, tables, numbers(made), changes)
    for interface, page in INTERFACES.items():
        due, told = states_expected(expected, page), states_told(reports, interface)
        if due == told or any(len(state) > _CONSUMER_MOST for state in due if interface == "consumer"):
            continue
        pairs = enumerate(zip(due, told, strict=False))
        place = next((n for n, (one, other) in pairs if one != other), min(len(due), len(told)))
        return Difference(made.seed, interface, place, due, told, changes, made.text)
    return None


def shortest(library: EngineLibrary, found: Difference, features: Features = Features.ALL) -> Difference:
    """A difference of the same keymap with as few changes as leaving some out leads to."""
    made = random_keymap(found.seed, features)
    best = found
    size = len(best.changes) // 2
    while size:
        start = 0
        while start < len(best.changes):
            left = _sound([*best.changes[:start], *best.changes[start + size :]])
            again = difference_of(library, made, left) if len(left) < len(best.changes) else None
            best, start = (again, start) if again is not None else (best, start + size)
        size //= 2
    return best


def _sound(changes: Iterable[Change]) -> list[Change]:
    """Changes that switches can make: what repeats a switch's last one is left out."""
    down: set[str] = set()
    kept = []
    for change in changes:
        if (change.switch in down) is not change.pressed:
            (down.add if change.pressed else down.remove)(change.switch)
            kept.append(change)
    last_us = kept[-1].time_us if kept else 0
    return [*kept, *(Change(last_us + 5000 * n, name, False) for n, name in enumerate(sorted(down), 1))]
