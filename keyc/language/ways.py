"""Ways through the layers: which lead where, which lead nowhere, which chords can be played.

A stack is a set of layers that are on, over a bottom. `Ways` says what a press finds on it, as the
engine does. What follows here is about one stack and the keys that lead on from it; what needs the
keys' times and the order of their moves is left to `prove.py`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from functools import partial

from keyc.diagnostics import Diagnostic, Label
from keyc.keyboard import (
    Action,
    Bottom,
    ByTaps,
    Cell,
    Chord,
    Diodes,
    Keyboard,
    Layer,
    LayerHeld,
    NextOnly,
    TapOrHold,
    Through,
    UntilPressedAgain,
)

# Further stacks are not looked at: then nothing is said.
_STACKS_MOST = 512

Stack = frozenset[str]


def parts_of(action: Action) -> Iterator[Action]:
    """The action itself, and those that it chooses between."""
    match action:
        case TapOrHold(tap):
            yield tap
        case ByTaps(actions):
            yield from actions
    yield action


def layers_in(action: Action) -> Iterator[str]:
    """The layers that an action turns on or puts at the bottom."""
    for part in parts_of(action):
        match part:
            case LayerHeld(layer) | Bottom(layer):
                yield layer
            case NextOnly(target) | UntilPressedAgain(target) | TapOrHold(_, target):
                if isinstance(target, str):
                    yield target


def cells_on(keyboard: Keyboard, layer: Layer) -> Iterator[Cell]:
    """What can be done on a layer: by its cells, its chords and its dials."""
    yield from layer.cells.values()
    for chord in keyboard.chords:
        if chord.layer == layer.name:
            yield chord.cell
    for turn in keyboard.dials:
        if turn.layer == layer.name:
            yield turn.clockwise
            yield turn.counter_clockwise


def layers_ahead(keyboard: Keyboard) -> dict[str, frozenset[str]]:
    """For each layer those that its keys, chords and dials turn on or put at the bottom."""
    return {
        layer.name: frozenset(name for cell in cells_on(keyboard, layer) for name in layers_in(cell.action))
        for layer in keyboard.layers
    }


def reached_layers(keyboard: Keyboard, ahead: Mapping[str, frozenset[str]]) -> frozenset[str]:
    """The layers that can ever be on. Those that only wait for one another can't."""
    together = [layer for layer in keyboard.layers if layer.when]
    reached = {keyboard.layers[0].name}
    waiting = list(reached)
    while waiting:
        new = ahead[waiting.pop()].union(one.name for one in together if reached.issuperset(one.when))
        for name in new - reached:
            reached.add(name)
            waiting.append(name)
    return frozenset(reached)


def unreached_groups(
    keyboard: Keyboard, ahead: Mapping[str, frozenset[str]], reached: Collection[str]
) -> Iterator[tuple[list[Layer], list[Layer]]]:
    """The layers that are never on, by cause: those that nothing leads to (or that only lead to one another),
    and those that would be reached from there. Each layer once, in file order."""
    lost = [layer for layer in keyboard.layers if layer.name not in reached]
    from_it = {layer.name: _layers_behind(layer.name, lost, ahead) for layer in lost}
    told: set[str] = set()
    for layer in lost:
        behind = from_it[layer.name]
        ring = {name for name in behind if layer.name in from_it[name]}
        before = {one.name for one in lost if layer.name in from_it[one.name]}
        if layer.name in told or before > ring:
            continue
        told |= ring
        yield (
            [one for one in lost if one.name in ring],
            [one for one in lost if one.name in behind - told],
        )
        told |= behind


def _layers_behind(start: str, lost: Sequence[Layer], ahead: Mapping[str, frozenset[str]]) -> frozenset[str]:
    """The layers among the lost ones that would be reached, or come nearer, if this one were; itself, too."""
    behind = {start}
    waiting = [start]
    while waiting:
        now = waiting.pop()
        for layer in lost:
            if layer.name not in behind and (layer.name in ahead[now] or now in layer.when):
                behind.add(layer.name)
                waiting.append(layer.name)
    return frozenset(behind)


class Ways:
    """What a press finds on a stack, and where it leads."""

    def __init__(self, keyboard: Keyboard) -> None:
        self._keyboard = keyboard
        self.first = keyboard.layers[0].name
        self.order = {layer.name: number for number, layer in enumerate(keyboard.layers)}
        self.layers = {layer.name: layer for layer in keyboard.layers}
        self.locks_twice = any(
            rules.next_twice_locks for rules in (keyboard.timing.rules, *keyboard.timing.rules_for.values())
        )
        self._special = [
            switch.name
            for switch in keyboard.wiring.switches
            if any(map(_leads_on, self._cells_of(switch.name)))
        ]

    def _cells_of(self, switch: str) -> Iterator[Action]:
        return (layer.cells[switch].action for layer in self._keyboard.layers)

    def with_others(self, on: Stack, bottom: str) -> Stack:
        """The stack, and the layers that are on while these are."""
        while True:
            added = {
                layer.name
                for layer in self._keyboard.layers
                if layer.when and layer.name not in on and on.union({bottom}).issuperset(layer.when)
            }
            if not added:
                return on
            on |= added

    def found_layer(self, switch: str, on: Stack, bottom: str) -> str | None:
        """The layer on which a press of the switch finds its cell."""
        for name in (*sorted(on, key=self.order.__getitem__, reverse=True), bottom):
            if not isinstance(self.layers[name].cells[switch].action, Through):
                return name
        return None

    def actions(self, on: Stack, bottom: str) -> Iterator[Action]:
        """What can be done on a stack that changes stacks: by keys, chords and dials."""
        for switch in self._special:
            found = self.found_layer(switch, on, bottom)
            if found is not None:
                yield from parts_of(self.layers[found].cells[switch].action)
        for chord in self._keyboard.chords:
            if all(self.found_layer(switch, on, bottom) == chord.layer for switch in chord.members):
                yield from parts_of(chord.cell.action)
        for turn in self._keyboard.dials:
            if turn.layer in on or turn.layer == bottom:
                yield from parts_of(turn.clockwise.action)
                yield from parts_of(turn.counter_clockwise.action)

    def can_be_done(self, on: Stack, bottom: str, wanted: Callable[[Action], bool]) -> bool:
        """Whether some wanted action is on this stack or on one that more layers make of it. True also if
        those are too many to look at."""
        return any(action is None or wanted(action) for action in self._all_actions(on, bottom))

    def stuck_bottom(self, layer: str, locks: Callable[[Action], bool]) -> str | None:
        """The first bottom that the layer, once locked, can come to lie on with no way to unlock it, be it
        over other bottoms. `locks` also unlocks."""
        alone = self._bottoms_from({self.first}, frozenset())
        begins = {bottom for bottom in alone if self.can_be_done(frozenset(), bottom, locks)}
        locked = self._bottoms_from(begins, frozenset({layer}))
        free = {bottom for bottom in locked if self.can_be_done(frozenset({layer}), bottom, locks)}
        stuck = (
            bottom for bottom in locked if free.isdisjoint(self._bottoms_from({bottom}, frozenset({layer})))
        )
        return min(stuck, key=self.order.__getitem__, default=None)

    def _bottoms_from(self, begins: set[str], on: Stack) -> set[str]:
        """Those that can be chosen, one after the other, while these layers are on."""
        found, waiting = set(begins), list(begins)
        while waiting:
            for action in self._all_actions(on, waiting.pop()):
                if isinstance(action, Bottom) and action.layer not in found:
                    found.add(action.layer)
                    waiting.append(action.layer)
        return found

    def _all_actions(self, on: Stack, bottom: str) -> Iterator[Action | None]:
        """What is on this stack and on those that more layers make of it; None: they are too many."""
        start = self.with_others(on, bottom)
        seen, waiting = {start}, deque([start])
        while waiting:
            stack = waiting.popleft()
            for action in self.actions(stack, bottom):
                yield action
                for name in () if isinstance(action, Bottom) else layers_in(action):
                    higher = self.with_others(stack | {name}, bottom)
                    if higher not in seen:
                        if len(seen) >= _STACKS_MOST:
                            yield None
                            return
                        seen.add(higher)
                        waiting.append(higher)


def _leads_on(action: Action) -> bool:
    kinds = (LayerHeld, NextOnly, UntilPressedAgain, Bottom, TapOrHold)
    return any(isinstance(part, kinds) for part in parts_of(action))


# ---- layers that can't be left ------------------------------------------------------------------


def without_way_out(keyboard: Keyboard, reached: Collection[str]) -> Iterator[Diagnostic]:
    """Layers that stay, once locked or at the bottom, whatever is pressed."""
    cells = _first_cells(keyboard, reached)
    if not cells:
        return
    ways = Ways(keyboard)
    for action, cell in cells.items():
        match action:
            case Bottom(layer) if layer != ways.first:
                if not ways.can_be_done(frozenset(), layer, partial(_is_other_bottom, layer)):
                    yield _no_other_bottom(ways, layer, cell)
            case UntilPressedAgain(str(layer)) | NextOnly(str(layer)):
                wanted = partial(_unlocks, layer, ways.locks_twice)
                stuck = ways.stuck_bottom(layer, wanted)
                if stuck is not None:
                    yield _no_unlocking(ways, layer, stuck, cell)


def _first_cells(keyboard: Keyboard, reached: Collection[str]) -> dict[Action, Cell]:
    """What locks a layer (one action for each) or changes the bottom, and the first cell that does it."""
    rules = (keyboard.timing.rules, *keyboard.timing.rules_for.values())
    twice = any(one.next_twice_locks for one in rules)
    cells: dict[Action, Cell] = {}
    locked: set[str] = set()
    for layer in keyboard.layers:
        if layer.name not in reached:
            continue
        for cell in cells_on(keyboard, layer):
            for part in parts_of(cell.action):
                match part:
                    case Bottom():
                        cells.setdefault(part, cell)
                    case UntilPressedAgain(str(target)):
                        pass
                    case NextOnly(str(target)) if twice:
                        pass
                    case _:
                        continue
                if not isinstance(part, Bottom) and target not in locked:
                    locked.add(target)
                    cells[part] = cell
    return cells


def _is_other_bottom(layer: str, action: Action) -> bool:
    return isinstance(action, Bottom) and action.layer != layer


def _unlocks(layer: str, locks_twice: bool, action: Action) -> bool:
    match action:
        case UntilPressedAgain(target):
            return target == layer
        case NextOnly(target):
            return locks_twice and target == layer
    return False


def _no_unlocking(ways: Ways, layer: str, bottom: str, cell: Cell) -> Diagnostic:
    there = "" if bottom == ways.first else f" and `{bottom}` is at the bottom"
    return Diagnostic(
        "layer-without-way-out",
        "warning",
        f"once `{layer}` is locked{there}, no key unlocks it: only pulling the plug does",
        ways.layers[layer].span,
        f"write lock({layer}) into a cell of `{layer}`, or `..` there where the lock lies beneath",
        (Label("locked here", cell.span),),
    )


def _no_other_bottom(ways: Ways, layer: str, cell: Cell) -> Diagnostic:
    return Diagnostic(
        "layer-without-way-out",
        "warning",
        f"once `{layer}` is at the bottom, no key puts another layer there",
        ways.layers[layer].span,
        f"write bottom({ways.first}) into a cell of `{layer}`",
        (Label("put at the bottom here", cell.span),),
    )


def nothing_beneath_another_bottom(keyboard: Keyboard, reached: Collection[str]) -> Iterator[Diagnostic]:
    """`..` on a layer that can become the bottom one: there it does nothing."""
    first = keyboard.layers[0].name
    layers = {layer.name: layer for layer in keyboard.layers}
    for action, cell in _first_cells(keyboard, reached).items():
        if not isinstance(action, Bottom) or action.layer == first:
            continue
        layer = layers[action.layer]
        names = [name for name, one in layer.cells.items() if isinstance(one.action, Through)]
        if names:
            listed = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
            yield Diagnostic(
                "nothing-beneath",
                "warning",
                f"with `{layer.name}` at the bottom nothing lies beneath it, so {listed} will do nothing",
                layer.span,
                f"write what they do there, or `off`: {names[0]} = Escape, {names[0]} = off",
                (Label("put at the bottom here", cell.span),),
            )


# ---- chords that can't be played ------------------------------------------------------------------


def chords_hidden(keyboard: Keyboard) -> Iterator[Diagnostic]:
    """Chords whose switches never find their cells on the chord's layer all at once."""
    ways = Ways(keyboard) if keyboard.chords else None
    for chord in keyboard.chords:
        if ways is None:
            return
        layer = ways.layers[chord.layer]
        open_cells = [name for name in chord.members if isinstance(layer.cells[name].action, Through)]
        holder = _only_holder(keyboard, chord, ways)
        hiding = _hiding_layer(chord, ways)
        if holder is not None:
            yield _hidden(
                chord,
                f"{holder} is what holds `{layer.name}`, so it can't go down again for this chord",
                "take another switch",
            )
        elif open_cells:
            yield _hidden(
                chord,
                f"{open_cells[0]} is `..` on `{layer.name}`, so this chord never counts",
                f"give {open_cells[0]} something on `{layer.name}`, or put the chord on the layer beneath",
            )
        elif hiding is not None:
            yield _hidden(
                chord,
                f"whenever `{layer.name}` is on, `{hiding}` lies over it: this chord never counts",
                f"put the chord on `{hiding}`, or write `..` there",
                *(
                    Label("the chord that counts instead", other.cell.span)
                    for other in keyboard.chords
                    if other.layer == hiding and set(other.members) & set(chord.members)
                ),
            )


def _hidden(chord: Chord, message: str, help: str, *labels: Label) -> Diagnostic:
    return Diagnostic("chord-hidden", "warning", message, chord.span, help, labels)


def _stack_of(chord_layer: str, ways: Ways) -> Stack:
    """The least that is on when a layer is."""
    layer = ways.layers[chord_layer]
    on = frozenset() if chord_layer == ways.first else frozenset({chord_layer, *layer.when})
    return ways.with_others(on - {ways.first}, ways.first)


def _hiding_layer(chord: Chord, ways: Ways) -> str | None:
    """A layer that is always on with the chord's and hides one of its switches."""
    on = _stack_of(chord.layer, ways)
    found = [ways.found_layer(name, on, ways.first) for name in chord.members]
    return next((name for name in found if name is not None and name != chord.layer), None)


def _ways_to(keyboard: Keyboard, layer: str) -> tuple[frozenset[str], bool]:
    """The switches that hold a layer, and whether there are other ways to it."""
    holders = set()
    for one in keyboard.layers:
        for name, cell in one.cells.items():
            if layer in layers_in(cell.action):
                if cell.action != LayerHeld(layer) and not isinstance(cell.action, TapOrHold):
                    return frozenset(), True
                holders.add(name)
    others = any(layer in layers_in(chord.cell.action) for chord in keyboard.chords)
    others |= any(layer in layers_in(turn.clockwise.action) for turn in keyboard.dials)
    others |= any(layer in layers_in(turn.counter_clockwise.action) for turn in keyboard.dials)
    return frozenset(holders), others


def _only_holder(keyboard: Keyboard, chord: Chord, ways: Ways) -> str | None:
    """A switch of the chord without which its layer is never on."""
    if chord.layer == ways.first or ways.layers[chord.layer].when:
        return None
    holders, others = _ways_to(keyboard, chord.layer)
    if not others and holders and holders <= set(chord.members):
        return sorted(holders)[0]
    return None


def chords_that_ghost(keyboard: Keyboard) -> Iterator[Diagnostic]:
    """Without diodes: chords that, with the switch that holds their layer, read as more than they are."""
    wiring = keyboard.wiring
    if wiring.diodes is not Diodes.NONE or not wiring.rows or not keyboard.chords:
        return
    from hil.board import Board

    board = Board(wiring)
    first = keyboard.layers[0].name

    def ghosts(pressed: frozenset[str]) -> list[str]:
        table = board.table(pressed)
        return [
            switch.name
            for switch in wiring.switches
            if switch.row is not None
            and switch.column is not None
            and table.driven[switch.row].low >> switch.column & 1
            and switch.name not in pressed
        ]

    for chord in keyboard.chords:
        members = frozenset(chord.members)
        listed = " and ".join((", ".join(chord.members[:-1]), chord.members[-1]))
        seen = ghosts(members)
        if not seen and chord.layer != first:
            holders, others = _ways_to(keyboard, chord.layer)
            with_holder = {holder: ghosts(members | {holder}) for holder in holders - members}
            if not others and with_holder and all(with_holder.values()):
                holder = sorted(with_holder)[0]
                seen = with_holder[holder]
                listed += f" with {holder}, which holds `{chord.layer}`,"
        if seen:
            yield Diagnostic(
                "chord-ghosts",
                "warning",
                f"without diodes {listed} read as if {' and '.join(seen)} were pressed, too",
                chord.span,
                "choose switches of which no three are corners of a rectangle in the matrix, or fit diodes",
            )
