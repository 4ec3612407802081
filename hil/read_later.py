"""The stages after `positions`, fed from a saved dump: what the bench asked is in its notes (DUMP.md)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from hil.observe import Changed, Edge, Holding, Introduced, Watching
from hil.result import Stage, Verdict
from hil.stages.bounce import Bounces
from hil.stages.extras import Extras, Way
from hil.stages.flex import Flex
from hil.stages.together import NOTHING
from hil.stages.typing import NO_COMPUTER, Typing

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from hil.judge import Matrix
    from hil.observe import Observation, Seen
    from hil.outcome import Found
    from hil.stages.lines import LineFindings
    from keyc.keyboard import Keyboard

NAMES = ("together", "bounce", "flex", "typing", "extras")

_CUT = "this dump ends in the middle of it"
_NO_TABLE = "the dump has no whole table of it"
_NO_COMPUTER = "what arrived at the computer while somebody typed: a dump doesn't keep that"


class Later(Protocol):
    """One stage that is read again. What it finds grows in the `Found` that it was given."""

    def note(self, word: str, fields: Sequence[str]) -> None:
        """A note of the bench. Raises ValueError where its fields are none."""
        ...

    def see(self, seen: Seen) -> None: ...

    def lost(self) -> None:
        """Something that the board said is missing here: it was watched anew."""
        ...

    def unsure(self) -> None:
        """Something is missing that the bench had: lines of the board's, or a note, perhaps a question."""
        ...

    def verdict(self) -> tuple[Verdict, tuple[str, ...]]:
        """How it ended, and what it did not test, as far as this dump goes."""
        ...


class Reading:
    """What every stage needs to be read: the keyboard, what was found before, and the table at rest."""

    def __init__(
        self,
        keyboard: Keyboard,
        matrix: Matrix,
        found: Found,
        lines: LineFindings | None,
        base: Observation | None,
        can: Mapping[str, int],
    ) -> None:
        self.keyboard, self.matrix, self.found = keyboard, matrix, found
        self.lines, self.base, self.can = lines, base, can
        self.names = [switch.name for switch in keyboard.wiring.switches]

    def name(self, number: str) -> str:
        """The switch of that number. Raises ValueError where there is none."""
        if not number.isdecimal() or int(number) >= len(self.names):
            raise ValueError(number)
        return self.names[int(number)]


def later(name: str, reading: Reading) -> Later:
    """The stage of that name, from its first note on."""
    stages: dict[str, Callable[[Reading], Later]] = {
        "together": _Together,
        "bounce": _Bounce,
        "flex": _Flex,
        "typing": _Typing,
        "extras": _Extras,
    }
    return stages[name](reading)


def stage_of(name: str, one: Later, *, is_done: bool) -> Stage:
    """What a dump says of a stage. One that it has no end of is incomplete at best."""
    if not is_done:
        one.unsure()
    verdict, not_tested = one.verdict()
    if not is_done:
        verdict = verdict if verdict is Verdict.FAIL else Verdict.INCOMPLETE
        not_tested = (*not_tested, f"{name}: {_CUT}")
    return Stage(name, verdict, not_tested)


class _Together:
    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._chord: tuple[str, ...] = ()

    def note(self, word: str, fields: Sequence[str]) -> None:
        together = self._reading.found.together
        if together is None:
            return
        if word in ("hold", "also"):
            names = tuple(self._reading.name(field) for field in fields)
            self._chord = names if word == "hold" else (*self._chord, *names)
            together.ask(self._chord)
        elif word == "out":
            together.give_up()
        elif word == "enough":
            together.give_up_the_rest()

    def see(self, seen: Seen) -> None:
        reading = self._reading
        if isinstance(seen, Watching):
            if reading.found.together is not None:
                reading.found.together.restart(seen.table)
            elif reading.base is not None:
                reading.found.together_asks(reading.keyboard, reading.matrix, reading.base, seen.table)
        elif isinstance(seen, Changed) and seen.steady and reading.found.together is not None:
            reading.found.together.see(seen.table)

    def lost(self) -> None:
        """The table is told anew before anything counts."""

    def unsure(self) -> None:
        if self._reading.found.together is not None:
            self._reading.found.together.ask(None)

    def verdict(self) -> tuple[Verdict, tuple[str, ...]]:
        together = self._reading.found.together
        if together is None:
            return Verdict.SKIPPED, (f"together: {_NO_TABLE}",)
        left = together.question()
        if not self._chord and left is None:
            return Verdict.SKIPPED, (NOTHING,)
        verdict = together.verdict()
        is_whole = left is None or verdict is Verdict.FAIL
        return verdict if is_whole else Verdict.INCOMPLETE, together.left_out()


class _Bounce:
    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._bounces = reading.found.bounces = Bounces(reading.matrix, reading.lines)

    def note(self, word: str, fields: Sequence[str]) -> None:
        if word == "quiet":
            self._bounces.quiet()

    def see(self, seen: Seen) -> None:
        if isinstance(seen, Holding):
            self._bounces.hold(seen)
        elif isinstance(seen, Edge):
            self._bounces.see(seen)

    def lost(self) -> None:
        self._bounces.lost()

    unsure = lost

    def verdict(self) -> tuple[Verdict, tuple[str, ...]]:
        usable = self._reading.found.usable(self._reading.keyboard, self._reading.matrix)
        return self._bounces.verdict(usable), self._bounces.left_out(usable)


class _Flex:
    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._first: Changed | None = None  # waits for the time that it was watched since
        self._is_away = self._is_timed = False

    def note(self, word: str, fields: Sequence[str]) -> None:
        flex = self._reading.found.flex
        if flex is None or word not in ("since", "until") or len(fields) != 1:
            return
        if word == "until":
            flex.pass_time(int(fields[0]))
        elif self._first is not None:
            flex.start(int(fields[0]))
            first, self._first = self._first, None
            self._is_timed = True
            flex.see(first.table)

    def see(self, seen: Seen) -> None:
        reading = self._reading
        if isinstance(seen, Introduced):
            self._is_away = True
        elif isinstance(seen, Watching):
            if reading.found.flex is not None:
                reading.found.flex.restart(seen.table, away=self._is_away)
            elif reading.base is not None:
                reading.found.flex = Flex(reading.matrix, reading.base, seen.table)
            self._is_away, self._is_timed = False, False
        elif isinstance(seen, Changed) and reading.found.flex is not None:
            if self._is_timed:
                reading.found.flex.see(seen.table)
            else:
                self._first = self._first or seen

    def lost(self) -> None:
        self._first = None
        if self._reading.found.flex is not None:
            self._reading.found.flex.lost()

    def unsure(self) -> None:
        self.lost()
        if self._reading.found.flex is not None:
            self._reading.found.flex.cut_short()

    def verdict(self) -> tuple[Verdict, tuple[str, ...]]:
        flex = self._reading.found.flex
        if flex is None:
            return Verdict.SKIPPED, (f"flex: {_NO_TABLE}",)
        return flex.verdict(), flex.left_out()


class _Typing:
    """A dump keeps counts alone of what was typed."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._typing = reading.found.typing = Typing(tuple(reading.names))

    def note(self, word: str, fields: Sequence[str]) -> None:
        if word == "typed" and len(fields) == 3:
            shortest_us = None if fields[2] == "none" else int(fields[2])
            self._typing.counted(self._reading.name(fields[0]), int(fields[1]), shortest_us)
        elif word == "quick" and len(fields) == 4:
            suspect, close, is_down = (int(field) for field in fields[1:])
            self._typing.counted_quick(self._reading.name(fields[0]), suspect, close, is_down=bool(is_down))

    def see(self, seen: Seen) -> None:
        """No key that moved is in a dump."""

    def lost(self) -> None:
        """Nor does it matter what is missing in between."""

    unsure = lost

    def verdict(self) -> tuple[Verdict, tuple[str, ...]]:
        found = self._typing.findings(self._reading.found.hidden(self._reading.matrix))
        others = (text for text in found.not_tested if text != NO_COMPUTER)
        return found.verdict, (*others, _NO_COMPUTER)


class _Extras:
    def __init__(self, reading: Reading) -> None:
        self._reading = reading

    def note(self, word: str, fields: Sequence[str]) -> None:
        extras = self._reading.found.extras
        wiring = self._reading.keyboard.wiring
        if extras is None:
            return
        if word == "turn" and len(fields) == 2:
            ways = {str(way.sign): way for way in Way}
            number = int(fields[0])
            if number < len(wiring.dials) and fields[1] in ways:
                extras.ask(wiring.dials[number].name, ways[fields[1]])
        elif word == "out":
            extras.give_up()
        elif len(fields) == 1 and int(fields[0]) in {light.pin for light in wiring.lights}:
            pin = int(fields[0])
            if word in ("lit", "dark"):
                extras.answer(pin, lit=word == "lit")
            elif word == "held":
                extras.held(pin)
            elif word == "followed":
                extras.followed(pin)

    def see(self, seen: Seen) -> None:
        reading = self._reading
        if isinstance(seen, Watching):
            if reading.found.extras is not None:
                reading.found.extras.restart(seen.table)
            elif reading.lines is not None:
                lit_high = reading.can.get("lit-high", 0)
                reading.found.extras = Extras(reading.keyboard.wiring, reading.lines, seen.table, lit_high)
        elif isinstance(seen, Changed) and reading.found.extras is not None:
            reading.found.extras.see(seen.table)

    def lost(self) -> None:
        """The table is told anew before anything counts; the question stays."""

    def unsure(self) -> None:
        if self._reading.found.extras is not None:
            self._reading.found.extras.ask_nothing()

    def verdict(self) -> tuple[Verdict, tuple[str, ...]]:
        extras = self._reading.found.extras
        if extras is None:
            return Verdict.SKIPPED, (f"extras: {_NO_TABLE}",)
        return extras.verdict(), extras.left_out()
