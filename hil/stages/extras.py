"""The stage `extras`: what isn't a switch. Tables while a dial is turned, and what a person says of a light
→ a verdict for each dial and light.

A dial's two contacts close its pins to ground, a quarter of a turn apart. Edges between two rests are one
detent, or several: which way they go, and how many they are, is all that a dial can show. A light shows
nothing on the wire, so a person says whether it lit. Any verdict but `proven` needs two answers that agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import TYPE_CHECKING

from hil.observe import REST, Observation, pair
from hil.result import Dial, Light, LineVerdict, PositionVerdict, Verdict
from hil.stages.lines import LineFindings
from hil.wire import TIMES_US

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from keyc.keyboard import Dial as WiredDial
    from keyc.keyboard import Light as WiredLight
    from keyc.keyboard import Wiring

DETENTS = 4  # to be seen each way: a whole round of the contacts, whatever a detent's edges
REST_US = 120_000  # without an edge: the dial rests in a detent (a hand that clicks on pauses longer)
_MOST = 3 * DETENTS  # movements, before the question is given up
_AGREEING = 2
_BAD = (PositionVerdict.OPEN, PositionVerdict.SWAPPED)

# Levels of contacts A and B (1: closed) in the order in which they follow one another clockwise.
_ROUND = ((0, 0), (1, 0), (1, 1), (0, 1))

WIRED_TO_GROUND = (
    "it lights when its pin is driven high, which the bench image does only for a light of its own keymap: "
    "load the bench image of this file"
)
FOLLOWED = "another pin follows its pin, so it isn't driven high: look for solder between the two"
NOT_SAID = "nobody said whether it lit"
NOT_TURNED = "it was not turned far enough each way"
FAULTY_LINE = "its pin has a fault of its own"
MISSED = "edges came too fast to tell them apart: turn it slowly, detent by detent"
ONE_WAY = "it counted the same way, whichever way it was to be turned"


class Way(Enum):
    """Which way a dial turns, seen from the front."""

    CLOCKWISE = "clockwise"
    COUNTER_CLOCKWISE = "counter-clockwise"

    @property
    def sign(self) -> int:
        return 1 if self is Way.CLOCKWISE else -1


@dataclass(frozen=True, slots=True)
class Movement:
    """From one rest to the next. `edges`: how many, counted clockwise; None where they can't be told.
    `moved`: which of A and B changed at all."""

    edges: int | None
    moved: tuple[bool, bool]


_Levels = list[tuple[int, tuple[int, int]]]  # since when, and the levels of A and B


@dataclass(slots=True)
class _Question:
    """What a dial did since it was asked for: a list of levels, and one more each time the board was away."""

    parts: list[_Levels]
    given_up: bool = False

    @property
    def movements(self) -> tuple[Movement, ...]:
        """From rest to rest. The first one after the board was away may be the end of one."""
        first, *further = (tuple(_movements(part)) for part in self.parts)
        return (*first, *(one for part in further for one in part[1:]))


class Extras:
    """All evidence about dials and lights. `ask` and `see` for dials, `answer` for lights."""

    def __init__(self, wiring: Wiring, lines: LineFindings, now: Observation, lit_high: int = 0) -> None:
        """`now`: the table as it is, the dials' pins among its lines. `lit_high`: the pins that the board
        drives high for a light (`can lit-high`)."""
        self._wiring, self._lines = wiring, lines
        self._dials = {dial.name: dial for dial in wiring.dials}
        self._questions: dict[tuple[str, Way], list[_Question]] = {
            (dial.name, way): [] for dial in wiring.dials for way in Way
        }
        self._lit: dict[int, list[bool]] = {light.pin: [] for light in wiring.lights}
        self._held: set[int] = set()
        self._followed: set[int] = set()
        self._lit_high = lit_high
        self._now = now
        self._asked: tuple[str, Way] | None = None

    # -- dials -------------------------------------------------------------------------------------

    def ask(self, dial: str, way: Way) -> None:
        """From here on this dial is turned that way."""
        self._asked = (dial, way)
        self._questions[dial, way].append(_Question([[(self._now.time_us, self._levels(dial))]]))

    def see(self, table: Observation) -> None:
        """The table as it is now."""
        self._now = table
        if self._asked is None:
            return
        seen, levels = self._questions[self._asked][-1].parts[-1], self._levels(self._asked[0])
        if levels != seen[-1][1]:
            seen.append((table.time_us, levels))

    def restart(self, table: Observation) -> None:
        """The board was away, or something was missed: the movement under way doesn't count."""
        self._now = table
        if self._asked is not None:
            start = (table.time_us, self._levels(self._asked[0]))
            self._questions[self._asked][-1].parts.append([start])

    def give_up(self) -> None:
        """The person says that the dial asked for doesn't answer."""
        if self._asked is not None:
            self._questions[self._asked][-1].given_up = True
            self._asked = None

    def ask_nothing(self) -> None:
        """What is seen from here on answers no question that is known."""
        self._asked = None

    def is_answered(self, dial: str, way: Way) -> bool:
        """Whether the last question has had its answer, whatever it is."""
        question = self._questions[dial, way][-1]
        if self._is_half(dial, way) or len(question.movements) >= _MOST:
            return True
        return self._answer(question, way, self._edges(dial)) != 0

    def is_settled(self, dial: str, way: Way) -> bool:
        """Whether nothing more needs to be asked about this dial and this way."""
        if self.dial(dial).verdict is PositionVerdict.OPEN or self._is_half(dial, way):
            return True
        return self._went(dial, way, self._edges(dial)) is not None

    def hidden_by(self, dial: str) -> tuple[str, ...]:
        """The faults of its lines, in whose company it can't be judged."""
        wired = self._dials[dial]
        troubles = [t for gpio in (wired.pin_a, wired.pin_b) for t in self._lines.troubles_of(gpio)]
        return tuple(dict.fromkeys(troubles))

    def dial(self, name: str) -> Dial:
        """What is known of a dial."""
        wired, blocked = self._dials[name], self.hidden_by(name)
        verdict, why, edges = self._verdict(wired)
        if blocked:
            verdict, why = PositionVerdict.UNTESTED, blocked
        still = tuple(
            f"GPIO{gpio}"
            for gpio, moved in zip((wired.pin_a, wired.pin_b), self._moved(name), strict=True)
            if not moved
        )
        counts = {
            way: sum(
                max(0, self._detents(one, way, edges))
                for question in self._questions[name, way]
                for one in question.movements
            )
            for way in Way
        }
        return Dial(
            name=name,
            pin_a=f"GPIO{wired.pin_a}",
            pin_b=f"GPIO{wired.pin_b}",
            verdict=verdict,
            clockwise=counts[Way.CLOCKWISE],
            counter_clockwise=counts[Way.COUNTER_CLOCKWISE],
            edges_per_detent=None if edges == wired.edges_per_detent else edges,
            still=still if verdict is PositionVerdict.OPEN else (),
            still_low=tuple(pin for pin in still if self._now.low & pair(REST, int(pin[4:]))),
            blocked_by=why,
        )

    def _verdict(self, wired: WiredDial) -> tuple[PositionVerdict, tuple[str, ...], int]:
        """Its verdict, why it has no other, and its edges from detent to detent."""
        name, edges = wired.name, self._edges(wired.name)
        movements = self._movements(name)
        if not all(self._moved(name)):
            given_up = sum(one.given_up for way in Way for one in self._questions[name, way])
            if all(self._is_half(name, way) for way in Way) or given_up >= _AGREEING:
                return PositionVerdict.OPEN, (), wired.edges_per_detent
            return PositionVerdict.UNTESTED, (NOT_TURNED,), wired.edges_per_detent
        went = {self._went(name, way, edges) for way in Way}
        if went == {True}:
            return PositionVerdict.PROVEN, (), edges
        if went == {False}:
            return PositionVerdict.SWAPPED, (), edges
        if None not in went:
            return PositionVerdict.UNTESTED, (ONE_WAY,), edges
        unclear = sum(one.edges is None for one in movements)
        return PositionVerdict.UNTESTED, (MISSED if unclear >= _AGREEING else NOT_TURNED,), edges

    def _went(self, name: str, way: Way, edges: int) -> bool | None:
        """Whether it went the way that it was to be turned; None where that isn't known. The wrong way takes
        two questions: a hand may still have been on its way from the last one."""
        answers = [self._answer(question, way, edges) for question in self._questions[name, way]]
        if 1 in answers:
            return True
        return False if answers.count(-1) >= _AGREEING else None

    def _answer(self, question: _Question, way: Way, edges: int) -> int:
        """1: far enough the right way, -1: the wrong way, 0: neither."""
        detents = [self._detents(one, way, edges) for one in question.movements]
        if sum(max(0, one) for one in detents) >= DETENTS:
            return 1
        return -1 if sum(min(0, one) for one in detents) <= -DETENTS else 0

    def _is_half(self, name: str, way: Way) -> bool:
        """Whether it was turned far enough this way, and one contact or both never moved. A hand that only
        wiggles it moves one of them, too: so it has to be so both ways."""
        if all(self._moved(name)):
            return False
        return any(len(question.movements) >= DETENTS for question in self._questions[name, way])

    def _edges(self, name: str) -> int:
        """Edges from detent to detent: the file's, unless few movements fit that and most fit fewer."""
        usual = self._dials[name].edges_per_detent
        every = [one.edges for one in self._movements(name) if one.edges]

        def fitting(edges: int) -> int:
            return sum(one % edges == 0 for one in every)

        if len(every) < _AGREEING or 4 * fitting(usual) > len(every):
            return usual
        likely = (fewer for fewer in (2, 1) if fewer < usual and 4 * fitting(fewer) >= 3 * len(every))
        return next(likely, usual)

    @staticmethod
    def _detents(one: Movement, way: Way, edges: int) -> int:
        """How many detents this way a movement is; below 0 the other way, 0 where it is none at all."""
        if not one.edges or one.edges % edges:
            return 0
        return one.edges // edges * way.sign

    def _movements(self, name: str) -> list[Movement]:
        return [one for way in Way for question in self._questions[name, way] for one in question.movements]

    def _moved(self, name: str) -> tuple[bool, bool]:
        every = [one.moved for one in self._movements(name)]
        return any(a for a, _ in every), any(b for _, b in every)

    def _levels(self, dial: str) -> tuple[int, int]:
        wired, low = self._dials[dial], self._now.row(REST)
        return low >> wired.pin_a & 1, low >> wired.pin_b & 1

    # -- lights ------------------------------------------------------------------------------------

    def answer(self, pin: int, *, lit: bool) -> None:
        """What the person says of the light on this pin, after it has blinked."""
        self._lit[pin].append(lit)

    def held(self, pin: int) -> None:
        """Its pin read otherwise than it was driven: it can't have lit."""
        self._held.add(pin)
        self.answer(pin, lit=False)

    def followed(self, pin: int) -> None:
        """Another pin was at the level of this one, so the board didn't go on."""
        self._followed.add(pin)

    def is_told(self, pin: int) -> bool:
        """Whether nothing more needs to be asked about this light."""
        said = self._lit[pin]
        return pin in self._followed or any(said) or len(said) >= _AGREEING

    def light(self, wired: WiredLight) -> Light:
        """What is known of a light."""
        said = self._lit[wired.pin]
        blocked = self.light_hidden_by(wired)
        verdict, why = PositionVerdict.UNTESTED, blocked or (NOT_SAID,)
        if any(said):
            verdict, why = PositionVerdict.PROVEN, ()
        elif len(said) >= _AGREEING:
            verdict, why = PositionVerdict.OPEN, ()
        is_held = verdict is PositionVerdict.OPEN and wired.pin in self._held
        return Light(f"GPIO{wired.pin}", wired.name, verdict, is_held, why, lit_low=wired.lit_low)

    def light_hidden_by(self, light: WiredLight) -> tuple[str, ...]:
        """Why the bench can't light it, or mustn't; empty if it can. High is driven only what is free."""
        if light.pin in self._followed:
            return (FOLLOWED,)
        if not light.lit_low and not self._lit_high >> light.pin & 1:
            return (WIRED_TO_GROUND,)
        line = self._lines.line(light.pin)
        faulty = (LineVerdict.LOW, LineVerdict.BRIDGED, LineVerdict.UNTESTED)
        if line is None or line.verdict in faulty or not (light.lit_low or line.verdict is LineVerdict.CLEAR):
            return self._lines.troubles_of(light.pin) or (FAULTY_LINE,)
        return ()

    def _told(self) -> list[tuple[str, PositionVerdict, tuple[str, ...]]]:
        dials, lights = self.findings()
        return [
            *((one.name, one.verdict, one.blocked_by) for one in dials),
            *((f"light {one.shows}", one.verdict, one.blocked_by) for one in lights),
        ]

    def left_out(self) -> tuple[str, ...]:
        """What isn't known of them, and why."""
        return tuple(
            f"{name}: {', '.join(why)}"
            for name, verdict, why in self._told()
            if verdict is PositionVerdict.UNTESTED
        )

    def verdict(self) -> Verdict:
        dials, _ = self.findings()
        misread = any(one.edges_per_detent is not None for one in dials)
        if misread or any(verdict in _BAD for _, verdict, _ in self._told()):
            return Verdict.FAIL
        return Verdict.INCOMPLETE if self.left_out() else Verdict.PASS

    def findings(self) -> tuple[tuple[Dial, ...], tuple[Light, ...]]:
        """Every dial and every light, in the order of the wiring."""
        dials = tuple(self.dial(name) for name in self._dials)
        return dials, tuple(self.light(wired) for wired in self._wiring.lights)


def _movements(seen: Sequence[tuple[int, tuple[int, int]]]) -> Iterator[Movement]:
    """Levels with the times since when they are → movements, each from rest to rest."""
    begin = 0
    for at in range(1, len(seen) + 1):
        if at < len(seen) and (at == begin + 1 or (seen[at][0] - seen[at - 1][0]) % TIMES_US < REST_US):
            continue
        if at - begin > 1:
            yield _movement([levels for _, levels in seen[begin:at]])
        begin = at - 1


def _movement(levels: Sequence[tuple[int, int]]) -> Movement:
    steps = [(_ROUND.index(after) - _ROUND.index(before)) % 4 for before, after in pairwise(levels)]
    edges: int | None = sum(1 if step == 1 else -1 for step in steps if step != 2)
    doubles = steps.count(2)
    if doubles and edges is not None:
        # Two edges at once go on the way that the others go; with no others nobody can say which.
        edges = edges + (2 * doubles if edges > 0 else -2 * doubles) if edges else None
    moved = tuple(len({level[n] for level in levels}) > 1 for n in (0, 1))
    return Movement(edges, (moved[0], moved[1]))
