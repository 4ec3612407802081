"""The stage `typing`: what a hand that types as usual shows of each switch, and what the computer got of it.

A switch that goes down again sooner after its release than a finger can is most likely a contact that
chatters for longer than the debounce time: a fast typist makes about 12 presses a second over all keys
(common practice), so the same switch hardly comes twice within 50 ms.

Counts and shortest gaps are all that is kept: neither the order of the keys nor what was typed.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from hil.judge import FASTER_THAN_A_HAND_US
from hil.result import Cause, Fault, PositionVerdict, Verdict
from hil.wire import TIMES_US

if TYPE_CHECKING:
    from collections.abc import Collection

CLOSE_US = 50_000  # below this it is worth a note
_AGREEING = 2  # one such gap may be a slip

NO_COMPUTER = (
    "what arrived at the computer: nobody listened there, so only what the board sent is known "
    "(--page listens, in the browser)"
)
NOT_TYPED = "not typed"


@dataclass(frozen=True, slots=True)
class KeyReceived:
    """A key as a program on the computer got it: `KeyboardEvent.code` of W3C UI Events."""

    code: str
    down: bool


@dataclass(slots=True)
class _Seen:
    presses: int = 0
    is_down: bool = False
    up_us: int | None = None  # when it was let go last
    shortest_us: int | None = None
    suspect: int = 0
    close: int = 0


@dataclass(frozen=True, slots=True)
class TypedSwitch:
    """One switch: how often it was pressed, the shortest time from a release to the next press, how many of
    these were suspect or close, and whether its last release never came."""

    switch: str
    presses: int
    shortest_gap_us: int | None
    suspect: int
    close: int
    still_down: bool

    def as_json(self) -> dict[str, Any]:
        return {
            "switch": self.switch,
            "presses": self.presses,
            "shortest_gap_us": self.shortest_gap_us,
            "suspect": self.suspect,
            "close": self.close,
            "still_down": self.still_down,
        }


@dataclass(frozen=True, slots=True)
class TypedKey:
    """One key: how often the board told the computer that it went down, and how often that arrived there
    (None: nobody listened). `still_down`: its release was not told, or didn't arrive."""

    key: str
    sent: int
    received: int | None
    still_down: bool

    def as_json(self) -> dict[str, Any]:
        return {
            "key": self.key,
            "sent": self.sent,
            "received": self.received,
            "still_down": self.still_down,
        }


@dataclass(frozen=True, slots=True)
class TypingFindings:
    """What typing showed. `positions`: the switches with a verdict; `notes`: remarks in words."""

    verdict: Verdict
    switches: tuple[TypedSwitch, ...]
    keys: tuple[TypedKey, ...]
    positions: dict[str, PositionVerdict] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()
    not_tested: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def presses(self) -> int:
        return sum(one.presses for one in self.switches)

    def as_json(self) -> dict[str, Any]:
        return {
            "presses": self.presses,
            "switches": [one.as_json() for one in self.switches],
            "keys": [one.as_json() for one in self.keys],
        }


class Typing:
    """Takes in what the board tells while somebody types. `names`: the switches by their numbers."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self._seen = {name: _Seen() for name in names}
        self._names = names
        self._sent: Counter[str] = Counter()
        self._down: set[str] = set()
        self._received: Counter[str] | None = None
        self._received_down: set[str] = set()
        self._lost = False

    @property
    def presses(self) -> int:
        return sum(one.presses for one in self._seen.values())

    @property
    def all_up(self) -> bool:
        """Whether no switch is down."""
        return not any(one.is_down for one in self._seen.values())

    def switch(self, number: int, time_us: int, *, down: bool) -> str | None:
        """A switch moved, at that time of the board's clock; its name, or None for a number that is none."""
        if not 0 <= number < len(self._names):
            return None
        name = self._names[number]
        seen = self._seen[name]
        if down == seen.is_down:
            return name  # told once more, after a gap
        seen.is_down = down
        if not down:
            seen.up_us = time_us
            return name
        seen.presses += 1
        if seen.up_us is not None:
            gap_us = (time_us - seen.up_us) % TIMES_US
            seen.shortest_us = gap_us if seen.shortest_us is None else min(seen.shortest_us, gap_us)
            seen.suspect += gap_us < FASTER_THAN_A_HAND_US
            seen.close += FASTER_THAN_A_HAND_US <= gap_us < CLOSE_US
        return name

    def counted(self, name: str, presses: int, shortest_gap_us: int | None) -> None:
        """All presses of a switch at once, of a run that is read again."""
        seen = self._seen[name]
        seen.presses, seen.shortest_us = presses, shortest_gap_us

    def counted_quick(self, name: str, suspect: int, close: int, *, is_down: bool) -> None:
        """... and its quick ones, and whether its last release never came."""
        seen = self._seen[name]
        seen.suspect, seen.close, seen.is_down = suspect, close, is_down

    def key(self, key: str, *, down: bool) -> None:
        """The computer has taken a report by which this key went down, or up."""
        if down and key not in self._down:
            self._sent[key] += 1
        (self._down.add if down else self._down.discard)(key)

    def listens(self) -> None:
        """Somebody on the computer listens from now on."""
        if self._received is None:
            self._received = Counter()

    def received(self, key: KeyReceived) -> None:
        """What arrived there; the repeats that a computer makes of a held key don't count."""
        self.listens()
        assert self._received is not None
        if key.down and key.code not in self._received_down:
            self._received[key.code] += 1
        (self._received_down.add if key.down else self._received_down.discard)(key.code)

    @property
    def sent_down(self) -> tuple[str, ...]:
        """The keys that are down for the computer, as the board told it."""
        return tuple(sorted(self._down))

    def interrupted(self) -> None:
        """Something is lost of what the board said: what is down comes anew, and no gap counts across it."""
        self._lost = True
        for seen in self._seen.values():
            seen.is_down, seen.up_us = False, None
        self._down.clear()

    def findings(self, hidden: Collection[str] = ()) -> TypingFindings:
        """The verdict, once nobody types any more. `hidden`: switches of which other faults make something
        else; two on joined rows go down at one press, so what either does isn't its own."""
        switches = tuple(
            TypedSwitch(name, one.presses, one.shortest_us, one.suspect, one.close, one.is_down)
            for name, one in self._seen.items()
        )
        bad = {one.switch: _position(one) for one in switches if one.switch not in hidden}
        positions = {name: verdict for name, verdict in bad.items() if verdict is not None}
        faults = tuple(_fault(one) for one in switches if one.switch in positions)
        once = [one.switch for one in switches if one.suspect and one.switch not in {*positions, *hidden}]
        not_typed = [one.switch for one in switches if not one.presses]
        not_tested = [f"{name}: {NOT_TYPED}" for name in not_typed]
        not_tested += [
            f"{name}: once let go and down again within {FASTER_THAN_A_HAND_US // 1000} ms; type it some more"
            for name in once
        ]
        if self._received is None:
            not_tested.append(NO_COMPUTER)
        if faults:
            verdict = Verdict.FAIL
        elif not_typed or once:
            verdict = Verdict.INCOMPLETE
        else:
            verdict = Verdict.PASS
        keys = self._keys()
        notes = (*_close_notes(switches), *_key_notes(keys, all_up=self.all_up))
        if self._lost:
            notes = (
                *notes,
                "a part of what the board said while typing is lost: presses may be missing",
            )
        return TypingFindings(verdict, switches, keys, positions, faults, tuple(not_tested), notes)

    def _keys(self) -> tuple[TypedKey, ...]:
        there = self._received or Counter()
        down = self._down | self._received_down
        return tuple(
            TypedKey(key, self._sent[key], None if self._received is None else there[key], key in down)
            for key in sorted({*self._sent, *there, *down})
        )


def _position(one: TypedSwitch) -> PositionVerdict | None:
    """Two gaps must agree, as everywhere on the bench."""
    if one.still_down:
        return PositionVerdict.STUCK
    return PositionVerdict.CHATTERING if one.suspect >= _AGREEING else None


def _fault(one: TypedSwitch) -> Fault:
    name = one.switch
    if one.still_down:
        return Fault(
            kind="sticks",
            where=(name,),
            rank=0,
            causes=(
                Cause(
                    f"{name} is held down, or its contact is stuck",
                    f"{name}: take the cap off, see that the stem comes up and the case doesn't press it",
                    f"on ohms, board unplugged, across {name}'s two legs: silent while nobody presses it",
                ),
            ),
            evidence=(f"{name} was pressed while typing, and its release never came",),
            switches=(name,),
        )
    assert one.shortest_gap_us is not None
    return Fault(
        kind="bounces",
        where=(name,),
        rank=0,
        causes=(
            Cause(
                f"the contact of {name} is dirty or worn: it bounces for longer than the debounce time",
                f"{name}: work it thirty times and type again; else a longer debounce, or a new switch",
                f"on ohms, board unplugged, across {name}'s two legs, pressed: a steady reading under 1 Ω",
            ),
            Cause(
                "a joint that isn't wetted",
                f"the joints of {name} and its diode",
                f"on ohms, board unplugged, across {name}'s pads while you wiggle it, pressed: steady",
            ),
        ),
        evidence=(
            f"{name} was down again within {FASTER_THAN_A_HAND_US // 1000} ms of its release "
            f"{one.suspect} times in {one.presses} presses, the shortest {one.shortest_gap_us / 1000:.1f} ms",
        ),
        switches=(name,),
    )


def _close_notes(switches: tuple[TypedSwitch, ...]) -> tuple[str, ...]:
    return tuple(
        f"{one.switch}: {one.close} time{'s' if one.close > 1 else ''} down again "
        f"{FASTER_THAN_A_HAND_US // 1000} to {CLOSE_US // 1000} ms after its release: "
        "a quick finger, or a contact to watch"
        for one in switches
        if one.close
    )


def _key_notes(keys: tuple[TypedKey, ...], *, all_up: bool) -> tuple[str, ...]:
    """What was sent beside what arrived. A computer keeps some keys to itself, so that alone is no fault."""
    notes = []
    for one in keys:
        if one.received is not None and one.received != one.sent:
            notes.append(f"{one.key}: the board sent it {one.sent} times, {one.received} arrived at the page")
        if one.still_down and all_up:
            notes.append(f"{one.key} is still down for the computer although no switch is (a lock does that)")
    return tuple(notes)
