"""`keyc check --prove`: the compiled engine explored for one keymap, state by state.

The engine keeps all its state in one block of the caller's memory, which is copied and compared: from
each state every finger movement is tried, and a state that was met before isn't tried again. Where that
comes to an end, what holds in every state is proved, for:

* events as the debounce tells them, one after the other, each told to the host before the next comes;
* at most so many keys down at once, and so many events waiting to be decided (see `LEVELS`), or the keys
  of one chord;
* fingers that are quick beside all rules, and waits past each time that the keymap's rules name;
* keys that are alike stand for one another: two of each kind are moved.

Shortest ways are found first, so a counter-example is as short as can be.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from hashlib import blake2b
from textwrap import wrap
from time import monotonic
from typing import NamedTuple
from zlib import compress, decompress

from keyc.diagnostics import Diagnostic
from keyc.engine.engine import MOVE_DOWN, MOVE_DOWN_AND_UP, MOVE_NONE, MOVE_UP, Engine
from keyc.engine.library import load
from keyc.keyboard import (
    Action,
    Bottom,
    ByTaps,
    Keyboard,
    NextOnly,
    Off,
    Press,
    Rules,
    TapOrHold,
    Through,
    UntilPressedAgain,
)
from keyc.language.ways import cells_on, parts_of
from keyc.source import Span
from keyc.tables import tables_of
from keyc.usages import FIRST_MODIFIER, KEYBOARD_PAGE, modifier_name

SECONDS_MOST = 60.0
STATES_MOST = 400_000  # some 300 bytes each

_ALIKE_MOST = 2
_STEP_LEAST_US = 8_000
_LONGEST_TELLING_US = 120_000_000
_PROGRESS_S = 0.5
_WIDTH = 80
_NAMED_MOST = 4


class Level(NamedTuple):
    """How far is explored: keys down at once, and movements that wait to be decided."""

    fingers: int
    waiting: int


# One after the other. Three that wait are a dual-role key and another one that is tapped meanwhile.
LEVELS = (Level(1, 2), Level(2, 3), Level(3, 2))


class Verdict(Enum):
    """How an exploration ended for one claim; the words are those of the screen."""

    PROVED = "proved"
    FAILED = "FAILED"
    NOT_ALL = "not all"
    OPEN = "not known"


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing to prove. `script`: the shortest way to a counter-example, for `keyc try --script`; `span`:
    what in the file leads there, if it is one thing."""

    what: str
    verdict: Verdict
    remark: str = ""
    script: str | None = None
    span: Span | None = None


@dataclass(frozen=True, slots=True)
class Proof:
    """What was proved, and the levels that were explored whole. `stopped_by` says what ended it before
    all of them were. `states` are the last one's; of it every way of up to `moves_whole` movements and waits
    was tried."""

    claims: tuple[Claim, ...]
    explored: tuple[Level, ...]
    states: int
    moved_keys: int
    all_keys: int
    stopped_by: str | None
    moves_whole: int
    unreached: tuple[Diagnostic, ...]

    @property
    def failed(self) -> bool:
        return any(claim.verdict is Verdict.FAILED for claim in self.claims)

    @property
    def complete(self) -> bool:
        return self.stopped_by is None and all(claim.verdict is Verdict.PROVED for claim in self.claims)


class _Move(NamedTuple):
    """A switch that moves, or a wait; how a script says it."""

    switch: int
    moves: int
    wait_us: int
    script: str


def proved(
    keyboard: Keyboard,
    *,
    seconds_most: float = SECONDS_MOST,
    states_most: int = STATES_MOST,
    levels: Sequence[Level] = LEVELS,
    progress: Callable[[str], None] = lambda text: None,
) -> Proof:
    """Explores one level after the other. UserError (3) without an engine."""
    until = shown = monotonic()
    until += seconds_most
    seen: list[_Exploration] = []
    stopped_by = None
    for level in levels:
        exploration = _Exploration(keyboard, level)
        seen.append(exploration)
        for _ in exploration.steps():
            now, count = monotonic(), len(exploration.parents)
            if now > until:
                stopped_by = f"after {seconds_most:g} s"
            elif count > states_most:
                stopped_by = f"at {states_most:,} states"
            if stopped_by is not None:
                return _judged(keyboard, seen, stopped_by)
            if now > shown + _PROGRESS_S:
                shown = now
                progress(f"{level.fingers} keys down at most: {count:,} states, {exploration.share:.0%} done")
        if exploration.stuck is not None or exploration.lost is not None:
            break
        exploration.forget()
    return _judged(keyboard, seen, None)


class _Exploration:
    """All states with up to so many keys down, breadth first. State 0 is the start."""

    def __init__(self, keyboard: Keyboard, level: Level) -> None:
        self.level = level
        tables = tables_of(keyboard)
        self._engine = Engine(load(), tables)
        self.parents = array("I")
        self._ways: list[_Move | None] = []
        self._packed: list[bytes | None] = []
        self._down: list[frozenset[int]] = []
        self.modes: list[bytes] = []
        self.edges = (array("I"), array("I"))
        self.expanded = 0
        self._cut: set[int] = set()  # not tried with every move: too many movements would wait
        self._restarting: set[int] = set()  # where a move restarts the board
        self.stuck: tuple[int, str] | None = None
        self.lost: tuple[int, _Move] | None = None
        self._known: dict[bytes, int] = {}
        self.layers = bytearray(tables.layer_count)
        self.cells = bytearray(tables.layer_count * tables.switch_count)
        self.chords = bytearray(max(1, len(keyboard.chords)))
        self.switch_count = tables.switch_count
        names = [switch.name for switch in keyboard.wiring.switches]
        self.moved = moved_switches(keyboard)
        self._chords = [frozenset(map(names.index, chord.members)) for chord in keyboard.chords]
        every = (keyboard.timing.debounce, *keyboard.timing.for_switch.values())
        debounce_us = max(one.time_us for one in every)
        self.step_us = max(_STEP_LEAST_US, -(-(debounce_us + 3_000) // 1000) * 1000)
        self._downs = {n: _Move(n, MOVE_DOWN, self.step_us, f"down {names[n]}") for n in self.moved}
        self._ups = {n: _Move(n, MOVE_UP, self.step_us, f"up {names[n]}") for n in self.moved}
        self._turns = [
            _Move(n, MOVE_DOWN_AND_UP, self.step_us, "") for n in range(len(names), tables.switch_count)
        ]
        self._waits = [self._wait(time_us) for time_us in _times_of(keyboard)]

    def _wait(self, time_us: int) -> _Move:
        steps_us = -(-(time_us + 1_000) // self.step_us) * self.step_us
        return _Move(0, MOVE_NONE, steps_us, f"wait {steps_us // 1000}ms")

    @property
    def share(self) -> float:
        """How many of the states that are known were tried."""
        return self.expanded / len(self.parents)

    @property
    def moves_whole(self) -> int:
        """Every way of so many movements and waits was tried: shorter ones come first."""
        number, moves = min(self.expanded, len(self.parents) - 1), 0
        while number:
            number, moves = self.parents[number], moves + 1
        return moves

    def forget(self) -> None:
        """What only going on would need."""
        self._known = {}
        self._packed = []

    def steps(self) -> Iterator[None]:
        """Explores one state after the other."""
        self._engine.step(0, MOVE_NONE, self.step_us, _LONGEST_TELLING_US)
        self._add(self._engine.saved(), frozenset(), 0, None, 0)
        while self.expanded < len(self.parents) and self.stuck is None and self.lost is None:
            number = self.expanded
            self._expand(number)
            self._packed[number] = None
            self.expanded += 1
            yield

    def _expand(self, number: int) -> None:
        packed = self._packed[number]
        assert packed is not None
        state = decompress(packed)
        down = self._down[number]
        for move, after in self._moves(down):
            self._engine.restore(state)
            step = self._engine.step(move.switch, move.moves, move.wait_us, _LONGEST_TELLING_US)
            if step.lost:
                self.lost = (number, move)
                return
            if step.restarted:
                self._restarting.add(number)
                continue
            if step.waiting > (len(after) if self._may_play(after) else self.level.waiting):
                self._cut.add(number)
                continue
            reached = self._add(self._engine.saved(), after, number, move, step.waiting)
            if step.untold and self.stuck is None:
                self.stuck = (reached, "it never ends")
            sources, targets = self.edges
            sources.append(number)
            targets.append(reached)

    def _moves(self, down: frozenset[int]) -> Iterator[tuple[_Move, frozenset[int]]]:
        for switch in self.moved:
            if switch in down:
                yield self._ups[switch], down - {switch}
            elif len(down) < self.level.fingers or self._may_play(down | {switch}):
                yield self._downs[switch], down | {switch}
        for move in (*self._turns, *self._waits):
            yield move, down

    def _may_play(self, down: frozenset[int]) -> bool:
        """Whether these keys, more than the level has fingers for, are some or all of one chord's."""
        return len(down) > self.level.fingers and any(map(down.issubset, self._chords))

    def _add(self, state: bytes, down: frozenset[int], parent: int, move: _Move | None, waiting: int) -> int:
        digest = blake2b(repr(sorted(down)).encode() + state, digest_size=16).digest()
        number = self._known.setdefault(digest, len(self.parents))
        if number < len(self.parents):
            return number
        rest = self._engine.rest()
        self._engine.note_found(self.layers, self.cells, self.chords)
        self.parents.append(parent)
        self._ways.append(move)
        self._packed.append(compress(state, 1))
        self._down.append(down)
        self.modes.append(rest.modes)
        if not down and waiting == 0 and (rest.holds or rest.shows) and self.stuck is None:
            self.stuck = (number, "something is still held")
        return number

    def script_to(self, number: int, last: _Move | None = None) -> str | None:
        """The way to a state in the words of a scenario; None if a dial is turned on it."""
        ways = [last] if last else []
        while number:
            way = self._ways[number]
            assert way is not None
            ways.append(way)
            number = self.parents[number]
        if not all(way.script for way in ways):
            return None
        quick = f"wait {self.step_us // 1000}ms"
        words = [way.script if way.moves == MOVE_NONE else f"{way.script} {quick}" for way in reversed(ways)]
        return " ".join(words)

    def trapped(self, is_in: Callable[[bytes], bool]) -> int | None:
        """The first state of those that `is_in` chooses from which no way leads out of them; None if there
        is none, as far as is known."""
        inside = {number for number, modes in enumerate(self.modes) if is_in(modes)}
        back: dict[int, list[int]] = {}
        onward = dict.fromkeys(inside, 0)
        free = {number for number in inside if number >= self.expanded or number in self._cut}
        for source, target in zip(*self.edges, strict=True):
            if source not in inside or source == target:
                continue
            onward[source] += 1
            if target in inside:
                back.setdefault(target, []).append(source)
            else:
                free.add(source)
        waiting = list(free)
        while waiting:
            for source in back.get(waiting.pop(), ()):
                if source not in free:
                    free.add(source)
                    waiting.append(source)
        return min(inside - free - self._about_to_restart(onward, back), default=None)

    def _about_to_restart(self, onward: dict[int, int], back: dict[int, list[int]]) -> set[int]:
        """States from which all that comes is a restart, which ends every mode: `usb-boot` is pressed, but
        waits for another key to be decided. `onward` counts each one's ways to other states."""
        restarting = {number for number in self._restarting if onward.get(number) == 0}
        waiting = list(restarting)
        while waiting:
            for source in back.get(waiting.pop(), ()):
                onward[source] -= 1
                if onward[source] == 0 and source not in restarting:
                    restarting.add(source)
                    waiting.append(source)
        return restarting


def _times_of(keyboard: Keyboard) -> list[int]:
    """The times past which something is decided, ascending; only those of rules that can matter."""
    timing = keyboard.timing
    actions = [cell.action for layer in keyboard.layers for cell in layer.cells.values()]
    actions += [chord.cell.action for chord in keyboard.chords]
    times: set[int] = set()
    for rules in (timing.rules, *timing.rules_for.values()):
        if any(isinstance(action, TapOrHold) for action in actions):
            times |= {rules.hold_after_us, rules.tap_if_typing_within_us, rules.repeat_if_tapped_within_us}
        if any(isinstance(action, ByTaps) for action in actions):
            times.add(rules.taps_within_us)
        if keyboard.chords:
            times.add(rules.chord_within_us)
    return sorted(times - {0})


# ---- keys that are alike ---------------------------------------------------------------------------


def moved_switches(keyboard: Keyboard) -> list[int]:
    """The numbers of the switches that are moved: of those that are alike, the first two."""
    seen: dict[object, int] = {}
    moved = []
    members = {name for chord in keyboard.chords for name in chord.members}
    timing = keyboard.timing
    for number, switch in enumerate(keyboard.wiring.switches):
        kind: object = number
        if switch.name not in members:
            cells = tuple(_kind_of(layer.cells[switch.name].action) for layer in keyboard.layers)
            kind = (cells, _rules_that_matter(cells, timing.rules_for.get(switch.name, timing.rules)))
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] <= _ALIKE_MOST:
            moved.append(number)
    return moved


def _rules_that_matter(cells: tuple[object, ...], rules: Rules) -> Rules | None:
    plain = all(isinstance(cell, tuple) and cell[0] in ("key", "nothing") for cell in cells)
    return None if plain else rules


def _kind_of(action: Action) -> object:
    """Two actions of one kind differ in no way that the engine would go by."""
    match action:
        case Through():
            return ("nothing", "beneath")
        case Off():
            return ("nothing", "off")
        case Press(usage, modifiers):
            if usage.page == KEYBOARD_PAGE and usage.id >= FIRST_MODIFIER:
                return action
            return ("key", usage.page, modifiers)
        case TapOrHold(tap, hold):
            return ("dual", _kind_of(tap), hold)
        case ByTaps(actions):
            return ("taps", *map(_kind_of, actions))
    return action


# ---- what follows ----------------------------------------------------------------------------------


def _judged(keyboard: Keyboard, seen: list[_Exploration], stopped_by: str | None) -> Proof:
    whole = seen if stopped_by is None else seen[:-1]
    verdict = Verdict.PROVED if whole else Verdict.OPEN
    reached, unreached = _reach(keyboard, seen, whole=stopped_by is None)
    return Proof(
        (
            _held_claim(seen[-1], verdict),
            *_way_out_claims(keyboard, seen, verdict),
            _lost_claim(seen[-1], verdict),
            *reached,
        ),
        tuple(one.level for one in whole),
        len(seen[-1].parents),
        len(seen[-1].moved),
        len(keyboard.wiring.switches),
        stopped_by,
        seen[-1].moves_whole,
        tuple(unreached if stopped_by is None else ()),
    )


def _held_claim(seen: _Exploration, verdict: Verdict) -> Claim:
    what = "with all keys up nothing stays down but what is locked or waits for the next key"
    if seen.stuck is None:
        return Claim(what, verdict)
    number, remark = seen.stuck
    return Claim(what, Verdict.FAILED, remark, seen.script_to(number))


def _lost_claim(seen: _Exploration, verdict: Verdict) -> Claim:
    what = "no key's movement is lost"
    if seen.lost is None:
        return Claim(what, verdict)
    return Claim(what, Verdict.FAILED, "there is no room for one", seen.script_to(*seen.lost))


def _way_out_claims(keyboard: Keyboard, seen: list[_Exploration], verdict: Verdict) -> Iterator[Claim]:
    """For each mode that was met: whether it can be left from every state that it's on in."""
    names = [layer.name for layer in keyboard.layers]
    met = set().union(*(one.modes for one in seen))
    first = seen[0].modes[0][0]
    for bottom in sorted({modes[0] for modes in met} - {first}):
        name = names[bottom]
        span = _first_span(keyboard, name, Bottom)
        yield _way_out(seen, verdict, f"bottom({name}) can be left", _Mode(0, bottom, exact=True), span)
    modifiers = [FIRST_MODIFIER + bit for bit in range(8)]
    locked, armed = (UntilPressedAgain, NextOnly), (NextOnly,)
    lists: list[tuple[int, int, str, str | int, tuple[type[Action], ...]]] = [
        *((1, 1 << bit, "lock({}) can be undone", usage, locked) for bit, usage in enumerate(modifiers)),
        *((2, 1 << bit, "next({}) can be spent", usage, armed) for bit, usage in enumerate(modifiers)),
        *((3 + number, 1, "lock({}) can be undone", name, locked) for number, name in enumerate(names)),
        *((3 + number, 2, "next({}) can be spent", name, armed) for number, name in enumerate(names)),
    ]
    for place, mask, what, target, kinds in lists:
        mode = _Mode(place, mask)
        if any(map(mode.is_on, met)):
            name = target if isinstance(target, str) else modifier_name(target)
            yield _way_out(seen, verdict, what.format(name), mode, _first_span(keyboard, target, *kinds))


def _first_span(keyboard: Keyboard, target: str | int, *kinds: type[Action]) -> Span | None:
    """Where the file first says an action of these kinds, those named first before the others, that turns
    on this layer or this modifier (its usage id)."""
    cells = [cell for layer in keyboard.layers for cell in cells_on(keyboard, layer)]
    for kind in kinds:
        for cell in cells:
            for part in parts_of(cell.action):
                match part:
                    case Bottom(on) | UntilPressedAgain(on) | NextOnly(on) if isinstance(part, kind):
                        if on == target or (isinstance(on, tuple) and target in on):
                            return cell.span
    return None


@dataclass(frozen=True, slots=True)
class _Mode:
    """A byte of the modes, and what in it says that this one is on."""

    place: int
    value: int
    exact: bool = False

    def is_on(self, modes: bytes) -> bool:
        byte = modes[self.place]
        return byte == self.value if self.exact else byte & self.value != 0


def _way_out(seen: list[_Exploration], verdict: Verdict, what: str, mode: _Mode, span: Span | None) -> Claim:
    for one in seen:
        number = one.trapped(mode.is_on)
        if number is not None:
            return Claim(what, Verdict.FAILED, "no way leads out of this", one.script_to(number), span)
    return Claim(f"{what}, wherever it leads", verdict)


def _reach(
    keyboard: Keyboard, seen: list[_Exploration], *, whole: bool
) -> tuple[list[Claim], list[Diagnostic]]:
    """Whether every layer comes on, every cell is found by a press, every chord is played; which of them
    aren't is said in the claims, too, unless all was explored: then they are warnings."""
    unreached: list[Diagnostic] = []
    missing: list[str] = []
    names = [switch.name for switch in keyboard.wiring.switches]
    layers = [layer.name for number, layer in enumerate(keyboard.layers) if _any(seen, "layers", number)]
    total = len(keyboard.chords)
    for number, layer in enumerate(keyboard.layers):
        for switch, name in enumerate(names):
            cell = layer.cells[name]
            if isinstance(cell.action, (Through, Off)):
                continue
            total += 1
            if not _any(seen, "cells", number * seen[0].switch_count + switch):
                unreached.append(_never(f"a press of {name} never finds this", cell.span, seen[-1]))
                missing.append(f"{name} on {layer.name}")
    for number, chord in enumerate(keyboard.chords):
        if not _any(seen, "chords", number):
            unreached.append(_never("this chord is never played", chord.span, seen[-1]))
            missing.append(f"the chord {' '.join(chord.members)} on {chord.layer}")
    out_of_reach = [layer.name for layer in keyboard.layers if layer.name not in layers]
    return [
        _all_claim("every layer is reached", out_of_reach, len(keyboard.layers), named=True),
        _all_claim("every cell and every chord is reached", missing, total, named=not whole),
    ], unreached


def _any(seen: list[_Exploration], what: str, number: int) -> bool:
    return any(getattr(one, what)[number] for one in seen)


def _all_claim(what: str, missing: Sequence[str], total: int, *, named: bool) -> Claim:
    remark = f"{total - len(missing)} of {total}"
    if missing and named:
        more = [f"{len(missing) - _NAMED_MOST} more"] if len(missing) > _NAMED_MOST else []
        remark += f"; not reached: {', '.join([*missing[:_NAMED_MOST], *more])}"
    return Claim(what, Verdict.NOT_ALL if missing else Verdict.PROVED, remark)


def _never(message: str, span: Span, seen: _Exploration) -> Diagnostic:
    return Diagnostic(
        "never-reached",
        "warning",
        f"{message}, with {seen.level.fingers} keys down at most",
        span,
        "put it where a press finds it, or take it out",
    )


# ---- telling ---------------------------------------------------------------------------------------


def diagnostics_of(proof: Proof, keyboard: Keyboard) -> list[Diagnostic]:
    """An error for each claim that failed, and a warning for each cell that can't be reached."""
    failed = [
        Diagnostic(
            "proof-failed",
            "error",
            f"not so: {claim.what}; {claim.remark}",
            claim.span or keyboard.span,
            f'keyc try {keyboard.span.source.name} --script "{claim.script}"'
            if claim.script
            else "the way there turns a dial, which no script can",
        )
        for claim in proof.claims
        if claim.verdict is Verdict.FAILED
    ]
    return [*failed, *proof.unreached]


def as_text(proof: Proof) -> str:
    """Each claim and what became of it, and how far all was explored, 80 columns wide."""
    keys = f"{proof.moved_keys} keys" + (
        f" that stand for {proof.all_keys}" if proof.moved_keys < proof.all_keys else ""
    )
    levels = ", ".join(f"{one.fingers} down and {one.waiting} undecided" for one in proof.explored[1:])
    depth = (
        f"explored whole with up to {levels or 'one key down'}" if proof.explored else "not explored whole"
    )
    if proof.stopped_by is not None:
        fingers, moves = LEVELS[len(proof.explored)].fingers, proof.moves_whole
        depth += f"{'; then' if proof.explored else ','} stopped {proof.stopped_by}, when every way of up to "
        depth += f"{_counted(moves, 'movement')} and waits with {_counted(fingers, 'key')} down was tried"
    lines = wrap(f"{depth} ({keys}, {proof.states:,} states)", _WIDTH)
    for claim in proof.claims:
        remark = f": {claim.remark}" if claim.remark else ""
        head = f"  {claim.verdict.value:<9}  "
        lines += wrap(f"{claim.what}{remark}", _WIDTH, initial_indent=head, subsequent_indent=" " * len(head))
        if claim.script:
            lines.append(f"{' ' * len(head)}shortest way there: {claim.script}")
    return "\n".join(lines)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
