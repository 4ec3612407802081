"""Which of a key's two lines is its row: told by how the lines hang together, lie and are called."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from keyc.netlist.wired_board import Key, Side, natural

_SEARCHED_MOST = 400  # keys; 30 pins make a matrix of 225 at most


def oriented(
    keys: Iterable[Key], towards_row: Callable[[str, list[Key]], float], *, keeps_words: bool
) -> tuple[list[Key], list[Key]]:
    """The keys with rows and columns told apart, and those whose lines can't be.

    `towards_row` says of a line with its keys how much it looks like a row (positive) or a column (negative).
    `keeps_words`: what a file calls rows isn't turned round, whatever the diodes do.
    """
    groups: list[list[Key]] = []
    odd: list[Key] = []
    single: list[Key] = []
    for members in _hanging_together(keys):
        if not any(key.row is not None and key.column is not None for key in members):
            single += members
            continue
        sides = _two_sides(members)
        if sides is None:
            bad = _spoilers(members)
            odd += bad
            members = [key for key in members if key not in bad]
            sides = _two_sides(members) or {}
        groups.append(_with_rows(members, sides, towards_row))
    agreed = [key for keys in groups for key in keys] if keeps_words else _agreed(groups)
    return [*agreed, *single], odd


def _with_rows(
    keys: list[Key], colour: Mapping[str, int], towards_row: Callable[[str, list[Key]], float]
) -> list[Key]:
    """Keys whose lines hang together, their rows being what is called so, or lies so."""
    by_colour: tuple[dict[str, list[Key]], dict[str, list[Key]]] = (defaultdict(list), defaultdict(list))
    for key in keys:
        for net in (key.row, key.column):
            if net is not None:
                by_colour[colour.get(net, 1)][net].append(key)
    score = 0.0
    for number, lines in enumerate(by_colour):
        for net, members in lines.items():
            towards = towards_row(net, members)
            score += towards if number == 0 else -towards
    row_colour = 0 if score >= 0 else 1
    return [
        key
        if (key.row is not None and colour.get(key.row, -1) == row_colour)
        or (key.row is None and colour.get(key.column or "", -1) != row_colour)
        else _flipped(key)
        for key in keys
    ]


def _hanging_together(keys: Iterable[Key]) -> list[list[Key]]:
    """The keys in groups that share no line with one another."""
    by_net: dict[str, list[Key]] = defaultdict(list)
    listed = list(keys)
    for key in listed:
        for net in (key.row, key.column):
            if net is not None:
                by_net[net].append(key)
    groups: list[list[Key]] = []
    seen: set[Key] = set()
    for first in listed:
        if first in seen:
            continue
        group: list[Key] = []
        waiting = [first]
        seen.add(first)
        while waiting:
            key = waiting.pop()
            group.append(key)
            for net in (key.row, key.column):
                for other in by_net.pop(net, []) if net is not None else []:
                    if other not in seen:
                        seen.add(other)
                        waiting.append(other)
        groups.append(group)
    return groups


def _two_sides(keys: Sequence[Key]) -> dict[str, int] | None:
    """0 or 1 for each line, so that every key joins a 0 and a 1; None if that can't be."""
    joined: dict[str, list[str]] = defaultdict(list)
    for key in keys:
        if key.row is not None and key.column is not None:
            joined[key.row].append(key.column)
            joined[key.column].append(key.row)
    side: dict[str, int] = {}
    for first in joined:
        if first in side:
            continue
        side[first] = 0
        waiting = [first]
        while waiting:
            net = waiting.pop()
            for other in joined[net]:
                if other not in side:
                    side[other] = 1 - side[net]
                    waiting.append(other)
                elif side[other] == side[net]:
                    return None
    return side


def _spoilers(keys: list[Key]) -> list[Key]:
    """The keys without which the lines fall into rows and columns: one if one will do, else as they come.

    Where any of several would do, it's the one whose switch is on a line with others' diodes, or the like.
    """
    if len(keys) <= _SEARCHED_MOST:
        at_row = Counter(key.row for key in keys)
        at_column = Counter(key.column for key in keys)
        alone = [key for key in keys if _two_sides([other for other in keys if other is not key]) is not None]
        if alone:
            return [max(alone, key=lambda key: at_column[key.row] + at_row[key.column])]
    kept: list[Key] = []
    bad: list[Key] = []
    for key in keys:
        fits = _two_sides([*kept, key]) is not None if len(keys) <= _SEARCHED_MOST else False
        (kept if fits else bad).append(key)
    return bad


def _flipped(key: Key) -> Key:
    return replace(key, row=key.column, column=key.row, cathode=key.cathode and key.cathode.other)


def _agreed(components: list[list[Key]]) -> list[Key]:
    """All keys, with groups flipped whose diodes all point against those of the others.

    Which line of a group is the row is a matter of words; which way all diodes point isn't.
    """

    is_told = any(key.cathode is not None for keys in components for key in keys)

    def leaning(key: Key) -> Side | None:
        """Where packages lie with their common pin tells as much, if nothing is known of any diode."""
        return key.cathode if is_told else key.cathode_if_known

    def balance(keys: Iterable[Key]) -> int:
        return sum((leaning(key) is Side.ROW) - (leaning(key) is Side.COLUMN) for key in keys)

    whole = balance(key for keys in components for key in keys)
    agreed: list[Key] = []
    for keys in components:
        own = balance(keys)
        known = sum(leaning(key) is not None for key in keys)
        flip = whole * own < 0 and abs(own) > known / 2
        agreed += [_flipped(key) for key in keys] if flip else keys
    return agreed


def with_twins(keys: list[Key]) -> list[Key]:
    """The keys, those that join the same two lines put together as twins of the first."""
    at: dict[tuple[str, str], list[Key]] = defaultdict(list)
    alone: list[Key] = []
    for key in keys:
        if key.row is None or key.column is None:
            alone.append(key)
        else:
            at[key.row, key.column].append(key)
    grouped = []
    for members in at.values():
        first, *others = sorted(members, key=lambda key: natural(key.name))
        grouped.append(replace(first, twins=tuple(others)) if others else first)
    return [*grouped, *alone]
