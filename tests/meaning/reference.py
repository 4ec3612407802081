"""What a keymap means, as plain Python: an independent reference for the tests.

Written from the language page alone; what the page leaves open is settled in `DECISIONS.md`, whose
numbers stand here as [n]. Nothing of keyc is imported. Clarity counts, not speed.

A keymap and a list of changes (switch goes down, switch goes up) go in; the reports that a host
sees come out. Since decisions depend on the changes' times alone [10], the whole list is known
from the start and "what comes next" is simply looked up in it.
Times are microseconds. A usage is (page, id) as in the USB HID Usage Tables.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import NamedTuple

QUEUE_LENGTH = 64


class Usage(NamedTuple):
    """A HID usage: page and id."""

    page: int
    id: int

    @property
    def is_modifier(self) -> bool:  # [5]
        return self.page == 0x07 and 0xE0 <= self.id <= 0xE7


Target = str | Usage  # a layer's name, or a modifier [8]


# ---- what a cell does


@dataclass(frozen=True)
class Beneath:
    """`..`"""


@dataclass(frozen=True)
class Off:
    """`off`"""


@dataclass(frozen=True)
class UsbBoot:
    """`usb-boot`"""


@dataclass(frozen=True)
class Press:
    """`A`, `Control+Z`, `"!"`: a usage with the modifiers put around it."""

    usage: Usage
    modifiers: frozenset[Usage] = frozenset()


@dataclass(frozen=True)
class WhileHeld:
    """A layer's name; or what stands after the `/` of a dual-role key: a layer or modifiers."""

    targets: tuple[Target, ...]


@dataclass(frozen=True)
class NextOnly:
    """`next(x)`"""

    target: Target


@dataclass(frozen=True)
class Lock:
    """`lock(x)`"""

    target: Target


@dataclass(frozen=True)
class Bottom:
    """`bottom(layer)`"""

    layer: str


@dataclass(frozen=True)
class Text:
    """A quoted text in a sequence, as the strokes that type it."""

    strokes: tuple[Press, ...]


@dataclass(frozen=True)
class Pause:
    """`wait 50ms`"""

    time_us: int


@dataclass(frozen=True)
class Typing:
    """A sequence, or a quoted text in a cell: texts, keys and waits."""

    items: tuple[Text | Press | Pause, ...]


Simple = Beneath | Off | UsbBoot | Press | WhileHeld | NextOnly | Lock | Bottom | Typing


@dataclass(frozen=True)
class TapOrHold:
    """`tap/hold`"""

    tap: Simple
    hold: WhileHeld


@dataclass(frozen=True)
class ByTaps:
    """`taps(A, B)`"""

    actions: tuple[Simple, ...]


Action = Simple | TapOrHold | ByTaps


# ---- the keymap


@dataclass(frozen=True)
class Layer:
    name: str
    cells: Mapping[str, Action]  # a switch that isn't named is `..`
    when: tuple[str, ...] = ()


@dataclass(frozen=True)
class Chord:
    members: frozenset[str]
    layer: str
    action: Action


@dataclass(frozen=True)
class Rules:
    """The rules of one `timing` block; None: it doesn't say."""

    hold_after_us: int | None = None
    chord_within_us: int | None = None
    taps_within_us: int | None = None
    hold_if_another_key: str | None = None  # "tapped" or "pressed"
    tap_if_typing_within_us: int | None = None
    repeat_if_tapped_within_us: int | None = None
    next_twice_locks: bool | None = None

    def over(self, general: Rules) -> Rules:
        """These rules where they say something, the general ones elsewhere [34]."""
        said = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None}
        return replace(general, **said)


DEFAULTS = Rules(hold_after_us=180_000, chord_within_us=40_000, taps_within_us=200_000)


@dataclass(frozen=True)
class Keymap:
    layers: tuple[Layer, ...]
    chords: tuple[Chord, ...] = ()
    rules: Rules = Rules()
    rules_of: Mapping[str, Rules] = field(default_factory=dict)


# ---- what goes in and what comes out


class Change(NamedTuple):
    """A switch went down or up, as the debounce tells it."""

    time_us: int
    switch: str
    pressed: bool


class Report(NamedTuple):
    """All usages that are down from this moment on, on all interfaces together.

    `time_us` is the moment of decision; while a sequence types it is an estimate.
    """

    time_us: int
    down: frozenset[Usage]


@dataclass(frozen=True)
class Outcome:
    """What the host saw, without repetitions, and how the board stands in the end."""

    reports: tuple[Report, ...]
    layers_on: frozenset[str]
    locked: frozenset[Target]
    armed: frozenset[Target]
    bottom: str
    switches_down: frozenset[str]
    restarted: bool

    @property
    def states(self) -> tuple[frozenset[Usage], ...]:
        return tuple(report.down for report in self.reports)


class QueueOverrun(Exception):
    """More changes while a sequence types than the reference judges: see [14]."""


def detent(time_us: int, dial: str, *, clockwise: bool) -> tuple[Change, Change]:
    """A dial's detent: a press and a release at the same moment [3]."""
    name = dial_switch(dial, clockwise=clockwise)
    return Change(time_us, name, True), Change(time_us, name, False)


def dial_switch(dial: str, *, clockwise: bool) -> str:
    """The switch that stands for one direction of a dial, in `Layer.cells` too."""
    return f"{dial} {'clockwise' if clockwise else 'counter-clockwise'}"


def boot_report(down: Iterable[Usage]) -> tuple[int, tuple[int, ...]]:
    """Modifier bits and the six key fields, in ascending order [57].

    HID 1.11: 8.3 for the bits' order, appendix C for ErrorRollOver in all fields.
    """
    down = frozenset(down)
    bits = sum(1 << (usage.id - 0xE0) for usage in down if usage.is_modifier)
    keys = sorted(usage.id for usage in down if usage.page == 0x07 and not usage.is_modifier)
    return bits, (0x01,) * 6 if len(keys) > 6 else (*keys, *(0,) * (6 - len(keys)))


def outcome(
    keymap: Keymap,
    changes: Iterable[Change],
    *,
    report_us: int = 1000,
    most_waiting: int = QUEUE_LENGTH,
    queue_length: int = QUEUE_LENGTH,
) -> Outcome:
    """What the keymap makes of the changes, which are in the order in which they were told.

    `report_us`: how long the host takes for a report, which matters only while a sequence types.
    `queue_length`: another one than the board's shows what the queue's end does.
    Raises QueueOverrun if more than `most_waiting` changes wait at a sequence's end, and ValueError
    for changes that no switches can make.
    """
    board = _Board(keymap, _checked(changes), report_us, most_waiting, queue_length)
    board.run()
    return board.outcome()


def _checked(changes: Iterable[Change]) -> list[Change]:
    changes = list(changes)
    down: set[str] = set()
    last_us = 0
    for change in changes:
        if change.time_us < last_us:
            raise ValueError(f"{change} comes before {last_us} us")
        if (change.switch in down) is change.pressed:
            raise ValueError(f"{change}: the switch is so already")
        (down.add if change.pressed else down.remove)(change.switch)
        last_us = change.time_us
    return changes


@dataclass(eq=False)
class _Deed:
    """What one press did, for its release to undo [19]. A chord's members share one."""

    holds: list[Target] = field(default_factory=list)
    lifting: list[Target] = field(default_factory=list)  # those of `holds` that the next key lifts [39]
    next_target: Target | None = None
    next_used: bool = False
    released: bool = False


@dataclass
class _LastPress:
    """The latest press that had its turn, for `repeat-if` [31a]."""

    switches: frozenset[str] = frozenset()
    deed: _Deed | None = None
    tap_released_us: int | None = None
    was_tap: bool = False


class _Board:
    def __init__(
        self, keymap: Keymap, changes: Sequence[Change], report_us: int, most_waiting: int, queue_length: int
    ) -> None:
        self._keymap = keymap
        self._layers = {layer.name: layer for layer in keymap.layers}
        self._general = keymap.rules.over(DEFAULTS)
        self._report_us = report_us
        self._most_waiting = most_waiting
        self._queue_length = queue_length

        self._queue = deque(changes)  # the changes that are still to come stand behind the queue's 64
        self._clock_us = 0

        self._bottom = keymap.layers[0].name
        self._count: Counter[Target] = Counter()
        self._deeds: dict[str, _Deed] = {}  # by switch, until its release
        self._locked: set[Target] = set()
        self._armed: set[Target] = set()
        self._cover: list[Target] = []
        self._covered: _Deed | None = None
        self._typed_us: int | None = None
        self._last_press = _LastPress()

        self._text_modifiers: frozenset[Usage] | None = None  # while a text is typed: the stroke's own
        self._reports: list[Report] = []
        self._restarted = False

    def outcome(self) -> Outcome:
        return Outcome(
            tuple(self._reports),
            frozenset(self._stack()),
            frozenset(self._locked),
            frozenset(self._armed),
            self._bottom,
            frozenset(self._deeds),
            self._restarted,
        )

    # ---- the queue

    def run(self) -> None:
        while self._queue and not self._restarted:  # [9]
            change = self._queue[0]
            self._clock_us = max(self._clock_us, change.time_us)
            if change.pressed:
                self._turn(change)
            else:
                self._queue.popleft()
                self._release(change)

    def _behind(self, until_us: int) -> Iterator[tuple[int, Change]]:
        """The changes behind the head that are told before `until_us` and find room in the queue."""
        for place in range(1, min(len(self._queue), self._queue_length)):
            change = self._queue[place]
            if change.time_us >= until_us:  # [4]
                return
            yield place, change

    def _waited_us(self, until_us: int) -> int:
        """When waiting until `until_us` ends: then, or when the queue is too short for it [13]."""
        if len(self._queue) > self._queue_length:
            return min(until_us, self._queue[self._queue_length].time_us)
        return until_us

    def _take_out(self, places: Iterable[int]) -> None:
        for place in sorted(places, reverse=True):
            del self._queue[place]

    def _rules(self, switch: str) -> Rules:
        own = self._keymap.rules_of.get(switch)
        return self._general if own is None else own.over(self._general)

    # ---- the stack

    def _stack(self) -> list[str]:
        """The layers in effect, the bottom first [20]–[22]."""
        active = {name for name in self._layers if self._count[name] > 0}
        while True:
            on = active | {self._bottom}
            more = {
                layer.name
                for layer in self._keymap.layers
                if layer.when and layer.name not in active and on.issuperset(layer.when)
            }
            if not more:
                break
            active |= more
        return [self._bottom, *(name for name in self._layers if name in active)]

    def _topmost_cell(self, stack: Sequence[str], switch: str) -> tuple[str | None, Action]:
        """The layer on which a press of the switch finds its cell, and the cell [17]."""
        for name in reversed(stack):
            action = self._layers[name].cells.get(switch, Beneath())
            if not isinstance(action, Beneath):
                return name, action
        return None, Off()

    # ---- a press

    def _turn(self, press: Change) -> None:
        self._end_cover()  # [15]
        self._send()
        stack = self._stack()
        last_press = self._last_press

        chord, gathered = self._chord(press, stack)  # [16]
        if chord is None:
            switches = frozenset({press.switch})
            _, action = self._topmost_cell(stack, press.switch)
            typed_us = press.time_us
        else:
            switches = chord.members
            action = chord.action
            typed_us = self._queue[max(gathered)].time_us
            self._take_out(gathered)

        was_tap = False
        if isinstance(action, TapOrHold):
            repeats = chord is None and last_press.was_tap and last_press.switches == switches
            was_tap = self._is_tap(press, switches, last_press.tap_released_us if repeats else None)
            action = action.tap if was_tap else action.hold
        elif isinstance(action, ByTaps):
            number, counted = self._taps(press, len(action.actions))
            typed_us = self._queue[max(counted, default=0)].time_us
            self._take_out(counted)
            action = action.actions[number - 1]

        deed = _Deed()
        for switch in switches:
            self._deeds[switch] = deed
        self._last_press = _LastPress(switches, deed, None, was_tap)
        self._queue.popleft()
        self._act(action, deed, press.switch, typed_us)

    def _chord(self, press: Change, stack: Sequence[str]) -> tuple[Chord | None, list[int]]:
        """The chord that the press begins, and its other members' places in the queue (D)."""
        possible = [
            chord
            for chord in self._keymap.chords
            if press.switch in chord.members
            and not any(member in self._deeds for member in chord.members)  # [24]
            and all(self._topmost_cell(stack, member)[0] == chord.layer for member in chord.members)
        ]
        if not possible:
            return None, []
        within_us = self._rules(press.switch).chord_within_us  # [28]
        assert within_us is not None
        until_us = press.time_us + within_us

        gathered = {press.switch: 0}  # switch → place, in the order of the presses
        ended_us = self._waited_us(until_us)
        for place, change in self._behind(until_us):  # [25]
            if change.pressed:
                together = {*gathered, change.switch}
                if not any(together <= chord.members for chord in possible):
                    ended_us = change.time_us
                    break
                gathered[change.switch] = place
                is_complete = any(together == chord.members for chord in possible)
                if is_complete and not any(together < chord.members for chord in possible):
                    ended_us = change.time_us
                    break
            elif change.switch in gathered:
                ended_us = change.time_us
                break
        self._clock_us = max(self._clock_us, ended_us)

        complete = [chord for chord in possible if chord.members <= gathered.keys()]
        if not complete:
            return None, []
        # [26]: most members, then complete first, then first in the file, as `min` keeps the first.
        best = min(complete, key=lambda chord: (-len(chord.members), max(gathered[m] for m in chord.members)))
        return best, [gathered[m] for m in best.members if m != press.switch]

    def _is_tap(self, press: Change, own: frozenset[str], tap_released_us: int | None) -> bool:
        """Whether a dual-role key, or a chord that is one, is tapped [31]."""
        rules = self._rules(press.switch)
        repeat_us, typing_us = rules.repeat_if_tapped_within_us, rules.tap_if_typing_within_us
        assert rules.hold_after_us is not None
        if (
            repeat_us is not None
            and tap_released_us is not None
            and press.time_us - tap_released_us < repeat_us
        ):
            return True
        if (
            typing_us is not None
            and self._typed_us is not None
            and press.time_us - self._typed_us < typing_us
        ):
            return True
        until_us = press.time_us + rules.hold_after_us
        pressed_since: set[str] = set()
        for _, change in self._behind(until_us):
            if change.switch in own:
                # Its switches are down, so the first change of any of them is a release [28].
                self._clock_us = max(self._clock_us, change.time_us)
                return True
            if change.pressed:
                pressed_since.add(change.switch)
                decides = rules.hold_if_another_key == "pressed"
            else:
                decides = rules.hold_if_another_key is not None and change.switch in pressed_since
            if decides:
                self._clock_us = max(self._clock_us, change.time_us)
                return False
        self._clock_us = max(self._clock_us, self._waited_us(until_us))
        return False

    def _taps(self, press: Change, most: int) -> tuple[int, list[int]]:
        """How many presses `taps` counts, and the places of what it takes from the queue (F)."""
        within_us = self._rules(press.switch).taps_within_us
        assert within_us is not None
        number, last_us = 1, press.time_us
        counted: list[int] = []
        released: int | None = None
        place = 1
        while number < most:  # [36]
            until_us = last_us + within_us
            if place >= min(len(self._queue), self._queue_length) or self._queue[place].time_us >= until_us:
                self._clock_us = max(self._clock_us, self._waited_us(until_us))
                break
            change = self._queue[place]
            if change.switch == press.switch:
                if change.pressed:
                    assert released is not None
                    number, last_us = number + 1, change.time_us
                    counted += [released, place]
                else:
                    released = place
            elif change.pressed:
                self._clock_us = max(self._clock_us, change.time_us)
                break
            place += 1
        self._clock_us = max(self._clock_us, last_us)
        return number, counted

    # ---- what a press does

    def _act(self, action: Action, deed: _Deed, switch: str, typed_us: int) -> None:
        if _counts_for_next(action):
            self._spend_next(deed)
        match action:
            case Press(usage, modifiers):
                own = sorted(modifiers)
                self._put_down(deed, [*own, usage])
                if not usage.is_modifier:
                    deed.lifting = [*own]
                    self._typed_us = typed_us  # [6]
            case WhileHeld(targets):
                self._put_down(deed, targets)
            case NextOnly(target):
                self._next(target, deed, switch)
            case Lock(target):
                self._lock(target)
            case Bottom(layer):
                self._bottom = layer  # [46]
            case Typing(items):
                self._typed_us = typed_us
                self._type(items)
            case UsbBoot():  # [48]
                self._count.clear()
                self._restarted = True
                self._send()
            case Off():
                pass  # [47]
            case _:
                raise ValueError(f"{action} can't be done")

    def _put_down(self, deed: _Deed | None, targets: Iterable[Target]) -> None:
        """Counts the targets for the deed's press; with usages among them, in two reports [38], [39]."""
        targets = list(targets)
        usages = [target for target in targets if isinstance(target, Usage)]
        if usages:
            self._lift()
            self._send(without={usage for usage in usages if not usage.is_modifier})
        self._count.update(targets)
        if deed is not None:
            deed.holds += targets
        self._send()

    def _lift(self) -> None:
        """Lifts the modifiers that were put around earlier presses [39]."""
        for deed in self._deeds.values():
            for usage in deed.lifting:
                self._count[usage] -= 1
                deed.holds.remove(usage)
            deed.lifting = []

    def _release(self, change: Change) -> None:
        deed = self._deeds.pop(change.switch)
        if deed is self._last_press.deed:
            self._last_press.tap_released_us = change.time_us
        if deed.released:
            return  # another member ended the chord [29]
        deed.released = True
        for target in deed.holds:
            self._count[target] -= 1
        deed.holds, deed.lifting = [], []
        if deed.next_target is not None and not deed.next_used and deed.next_target not in self._armed:
            self._armed.add(deed.next_target)  # [42]
            self._count[deed.next_target] += 1
        if deed is self._covered:
            self._end_cover()  # [44]
        self._send()

    # ---- next, lock

    def _next(self, target: Target, deed: _Deed, switch: str) -> None:
        if self._rules(switch).next_twice_locks:  # [45]
            if target in self._locked:
                self._unlock(target)
                return
            if target in self._armed:
                self._armed.remove(target)
                self._locked.add(target)  # what counted as armed counts as locked
                return
        deed.next_target = target
        self._put_down(deed, [target])

    def _spend_next(self, deed: _Deed) -> None:
        for other in self._deeds.values():
            other.next_used = True  # [42]
        self._cover, self._armed = list(self._armed), set()  # [43]
        self._covered = deed

    def _end_cover(self) -> None:
        for target in self._cover:
            self._count[target] -= 1
        self._cover, self._covered = [], None

    def _lock(self, target: Target) -> None:  # [41]
        if target in self._locked:
            self._unlock(target)
        else:
            self._locked.add(target)
            self._put_down(None, [target])

    def _unlock(self, target: Target) -> None:
        self._locked.remove(target)
        self._count[target] -= 1
        self._send()

    # ---- sequences

    def _type(self, items: Iterable[Text | Press | Pause]) -> None:
        for item in items:
            match item:
                case Pause(time_us):
                    self._clock_us += time_us
                case Text(strokes):
                    self._text_modifiers = frozenset()  # [52]
                    self._send(takes_time=True)
                    for stroke in strokes:
                        self._stroke(stroke)
                case Press():
                    self._text_modifiers = None
                    self._send(takes_time=True)
                    self._stroke(item)
        self._text_modifiers = None
        self._send(takes_time=True)
        waiting = sum(
            1
            for _, change in zip(range(self._most_waiting + 1), self._queue, strict=False)
            if change.time_us <= self._clock_us
        )
        if waiting > self._most_waiting:
            raise QueueOverrun(f"{waiting} changes wait at {self._clock_us} us")

    def _stroke(self, stroke: Press) -> None:  # [51]
        is_text = self._text_modifiers is not None
        self._lift()
        self._send(without=set() if stroke.usage.is_modifier else {stroke.usage}, takes_time=True)
        down: list[Target] = [stroke.usage]
        if is_text:
            self._text_modifiers = stroke.modifiers
        else:
            down += stroke.modifiers
        self._count.update(down)
        self._send(takes_time=True)
        self._count.subtract(down)
        if is_text:
            self._text_modifiers = frozenset()
        self._send(takes_time=True)

    # ---- reports

    def _send(self, *, without: Iterable[Usage] = (), takes_time: bool = False) -> None:
        """Tells the host what is down, if that is anything new [55]."""
        down = {target for target, count in self._count.items() if count > 0 and isinstance(target, Usage)}
        if self._text_modifiers is not None:
            down = {usage for usage in down if not usage.is_modifier} | self._text_modifiers
        now = frozenset(down.difference(without))
        if now == (self._reports[-1].down if self._reports else frozenset()):
            return
        self._reports.append(Report(self._clock_us, now))
        if takes_time:
            self._clock_us += self._report_us


def _counts_for_next(action: Action) -> bool:  # [7]
    match action:
        case WhileHeld() | NextOnly():
            return False
        case Press(usage):
            return not usage.is_modifier
        case Lock(target):
            return isinstance(target, str)
    return True
