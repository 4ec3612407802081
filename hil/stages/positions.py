"""The stage `positions`: presses, one switch at a time → a verdict for each switch and its diode.

What is kept is evidence: which contact was seen while which switch was asked for. Verdicts are worked out
from it whenever somebody wants to know, so a later press can mend an earlier misunderstanding. What to
ask next is `guide`'s business.

* `proven` needs one press of the switch that was asked for, with its diode conducting one way only.
* Every other verdict needs two presses (or two silences) that agree.
* Touching the switch that was offered instead says "the one asked for is silent". That is believed once
  the touched one has shown, asked for itself, that it is where the file says.
* `swapped` needs a closed round: every switch in it answered twice as another one in it.
* Lines that read low for one another at one time and high at another, with no switch between them that was
  touched, let current through as they like (dirt). They are taken to do so always, and what is silent,
  elsewhere, in company or rough on such a board is no evidence: it is asked again once it is clean. Of a
  switch between two such lines nothing can be told. It shows as one that closes in the frame in which
  another one opens, though nobody was asked to touch it, or that conducts one way and then the other:
  contacts that open never make more lines conduct.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from enum import Enum
from typing import TYPE_CHECKING, NamedTuple

from hil.diagnosis.ghosts import Ghosts
from hil.judge import FASTER_THAN_A_HAND_US, Judgement, Matrix, Place, State, ends, lines_of
from hil.observe import REST, ROW, Observation, members, pairs
from hil.result import LineVerdict, Position, PositionVerdict
from hil.stages.lines import pairs_between, with_wavering, without_trust_in
from hil.wire import TIMES_US
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from hil.stages.lines import LineFindings
    from keyc.keyboard import Cap

_QUICK_US = 700_000  # two touches within this are meant as one gesture
_TOO_SHORT_US = 10_000  # of a press: no hand is that fast, but a contact that drops out is (from memory)
_AGREEING = 2
_DIODE_IS_WRONG = (PositionVerdict.REVERSED, PositionVerdict.SHORTED)
_NO_SLIP = 3  # presses that answered as one that has answered for itself: not a wrong key any more

ONCE_ONLY = "seen once; a second press that agrees is needed"
ROUGH = "its contact let go or rattled in the middle of a press, once; a second press is needed"
ROUGH_BEFORE = (
    "its contact let go or rattled in one press, and not in the next: no fault yet, but one to watch (the "
    "stage bounce presses it more often)"
)
NOT_ASKED = "not asked for, since no mend has touched it"
NO_PRESS = "no press reached it"
STAYS_DOWN = "still reads pressed; let go of it. If nobody holds it, it sticks"
NOT_LET_GO = "has not been let go yet"
TOO_SHORT = "was let go at once; a longer press is needed"
ONE_WAY = "diodes were not measured against their direction"


class Kind(Enum):
    """What one frame meant."""

    GOOD = "good"  # the switch that was asked for, and its diode is fine
    ANSWERED = "answered"  # another one; that is no fault yet
    FAULT = "fault"  # its diode conducts the wrong way, or both ways
    SILENT = "silent"  # the one that was asked for doesn't answer
    UNCLEAR = "unclear"  # several at once, or nothing that one contact explains
    UNSTEADY = "unsteady"
    RELEASED = "released"
    BACK = "back"  # two quick touches: the question before


class Noted(NamedTuple):
    """`switch`: the one seen. `asked`: the one that was asked for. `pressed`: all that newly read pressed.
    `unsettled`: another one than asked for, which may be the one asked for in the wrong place.
    `place`: where it was seen, if the file has no switch there."""

    kind: Kind
    switch: str | None
    asked: str | None
    pressed: tuple[str, ...] = ()
    unsettled: bool = False
    place: Place | None = None


class _Press(NamedTuple):
    asked: str | None
    instead: str | None
    state: State | None


class Positions:
    """All evidence about a keyboard's positions. `see` takes tables; `position` gives verdicts."""

    def __init__(
        self,
        matrix: Matrix,
        lines: LineFindings,
        base: Observation,
        *,
        now: Observation | None = None,
        fingers: bool = True,
        stands: frozenset[str] = frozenset(),
        unasked: Mapping[str, str] | None = None,
    ) -> None:
        """`base`: the table with nothing pressed. `now`: the table as it is (left out: the same).
        `fingers`: presses come from a finger, not from tweezers, which scratch. `stands`: proven in an
        earlier run that this one goes on with. `unasked`: switches that are not asked for this time, each
        with what is said of it instead."""
        # What an indicator's LED or a pin of the module lets through is no business of a switch.
        base = base.within(lines_of(matrix.wiring) | lines.spare)
        self.matrix, self.lines, self.base = matrix, lines, base
        self.ghosts = Ghosts(matrix)
        self.asked: str | None = None
        self.instead: str | None = None
        self.ended = False
        self.unasked = unasked or {}
        self.frames = 0
        self._fingers, self._stands = fingers, stands
        self._now = base if now is None else now
        self._pressed_now = matrix.read_pressed(self._now)
        # Counted and not kept: a dump may hold millions of presses.
        self._seen: defaultdict[str, Counter[_Press]] = defaultdict(Counter)
        self._last: dict[str, _Press] = {}
        self._while_asked: dict[str, list[str | Place | None]] = {}
        self._instead_of: dict[str, Counter[str]] = {}  # asked → those that had answered for themselves
        self._unclear: dict[str, list[tuple[str, ...]]] = {}
        self._unsteady: Counter[str] = Counter()
        self._rattled_since_asked = False
        self._rattled_while_asked: set[str] = set()
        self._reclosed: Counter[str] = Counter()
        self._closed_us: dict[str, int] = {}
        self._opened_us: dict[str, int] = {}
        self._let_go: set[str] = {*stands}
        self._held: dict[str, int] = {}  # switch → presses of others since it went down
        self._opened: set[str] = set()  # read pressed at rest, and then let go
        self._last_touch: tuple[str, int] | None = None
        self._judgeable: dict[str, bool] = {}
        self._elsewhere: Observation | None = None  # since the question: contact where no switch is
        self._beside: dict[str, Observation] = {}  # asked → what was read when a settled one answered
        self._tables: dict[str, list[Observation]] = {}  # asked → what was read then, nothing else held
        self._wavered = Counter(dict.fromkeys(lines.wavering, _AGREEING))
        self._wavering = pairs_between(lines.wavering)  # pairs that read as they like
        self._one_way = {
            switch.name: bool(matrix.backward(switch.name) & ~base.readable & ~base.wavers & ~_blinded(base))
            for switch in matrix.wiring.switches
        }
        self._note_openings(self._now)
        self._note_wavering(self._now)

    # -- evidence ----------------------------------------------------------------------------------

    @property
    def presses(self) -> int:
        return sum(presses.total() for presses in self._seen.values())

    @property
    def held(self) -> bool:
        """Whether a switch that was seen to close has not opened yet."""
        return bool(self._held)

    def ask(self, asked: str | None, instead: str | None = None) -> None:
        """From here on presses answer this question. None: free order."""
        self.asked, self.instead = asked, instead
        self._rattled_since_asked = False
        self._elsewhere = None

    def silent(self) -> Noted | None:
        """The person says that the switch asked for doesn't answer."""
        if self.asked is None:
            return None
        if self._rattled_since_asked:
            self._rattled_since_asked = False
            self._rattled_while_asked.add(self.asked)
            return Noted(Kind.UNSTEADY, None, self.asked)
        self._while_asked.setdefault(self.asked, []).append(None)
        self._read(self.asked, self._elsewhere or self._now)
        self._elsewhere = None
        return Noted(Kind.SILENT, None, self.asked)

    def restart(self, base: Observation) -> None:
        """The board was gone and is back: what was seen stands, what was held is asked again."""
        self._now = base = self._steadied(base)
        pressed = self._pressed_now = self.matrix.read_pressed(base)
        self._let_go |= {name for name in self._held if name not in pressed}
        self._held = {name: others for name, others in self._held.items() if name in pressed}
        self._last_touch = None
        self._note_openings(base)

    def see(self, table: Observation, *, steady: bool = True) -> Noted | None:
        """One frame: the table as it is now. What it meant; None if it meant nothing new."""
        self.frames += 1
        raw = table
        if self._wavering:
            table = self._steadied(table)
        if not steady:
            self._note_wavering(raw)
            if self._wavering:
                self._rattled_since_asked = True  # silence says nothing while it goes on
                return None
            return self._rattled(table)
        before = self._now
        self._note_restless(before, table)
        if self._wavering:
            before, table = self._steadied(before), self._steadied(table)
        self._now = table
        pressed = self.matrix.read_pressed(table)
        self.ghosts.see(self._pressed_now, pressed)
        self._pressed_now = pressed
        released = self._releases(table)
        if released and raw.low != self.base.low and not self._held:
            self._note_wavering(raw)
        gained = table.low & ~before.low
        if not gained:
            return Noted(Kind.RELEASED, released[0], self.asked) if released else None
        judged = self.matrix.judgement(before, table)
        if judged.elsewhere is not None and self.asked is not None and not self._held:
            return self._answered_at(judged.elsewhere, self.asked, table)
        if not judged.pressed:
            if gained & table.readable & before.readable:
                self._elsewhere = table
            return Noted(Kind.RELEASED, released[0], self.asked) if released else None
        switch = judged.switch
        if self.asked is not None and not (switch and self._is_another(switch)):
            self._read(self.asked, table)
        elif self.asked is not None and switch != self.instead and not self._held:
            self._beside[self.asked] = table
        if switch is None:
            return self._several(judged)
        if self.ghosts.completes(switch, pressed | {switch}):
            # Perhaps a ghost that came a frame late: no evidence for anything.
            return Noted(Kind.UNCLEAR, None, self.asked, judged.pressed)
        if switch in self._held:
            # More of a contact that is down already: this press settles nothing.
            self._seen[switch][self._last[switch]] -= 1
            self._note(switch, None)
            return None
        return self._pressed(switch, judged.state, table.time_us)

    def _note(self, name: str, state: State | None) -> None:
        press = self._last[name] = _Press(self.asked, self.instead, state)
        self._seen[name][press] += 1

    def _is_another(self, name: str) -> bool:
        """Whether this one, touched, is surely not the one asked for: it was offered instead, or known."""
        return name != self.asked and (name == self.instead or self.is_settled(name))

    def _read(self, asked: str, table: Observation) -> None:
        if not self._held:
            self._tables.setdefault(asked, []).append(table)

    def _note_wavering(self, table: Observation) -> None:
        """A frame that no press explains: one that never became quiet, or in which the last finger left."""
        changed = (table.low ^ self.base.low) & table.readable & self.base.readable & ~self._wavering
        if not changed or self.matrix.at(changed):
            return
        found = {
            (min(driven, line), max(driven, line))
            for driven in members(table.over & self.base.over)
            for line in members(changed >> (32 * driven) & ROW)
        }
        new = self._again(found)
        if new:
            self.lines = with_wavering(self.matrix, self.lines, new)
            self._distrust(new)

    def _note_restless(self, before: Observation, table: Observation) -> None:
        """A frame in which a switch closed that nobody was asked to touch, just as another one opened."""
        readable = before.readable & table.readable
        gained, lost = table.low & ~before.low & readable, before.low & ~table.low & readable
        if self.asked is None or not gained or not lost:
            return
        closed, opened = set(self.matrix.at(gained)), set(self.matrix.at(lost))
        restless = closed & opened  # it conducts the other way now
        if opened - closed:
            restless |= closed - opened - {self.asked, self.instead}
        lines = (self.lines_of_switch(name) for name in restless)
        new = self._again({(min(both), max(both)) for both in lines if len(both) > 1})
        if new:
            self.lines = without_trust_in(self.matrix, self.lines, new)
            self._distrust(new)

    def _again(self, found: set[tuple[int, int]]) -> list[tuple[int, int]]:
        """Of these pairs of lines, all told, those that now have been seen often enough."""
        self._wavered.update(found)
        return [both for both in found if self._wavered[both] >= _AGREEING]

    def _distrust(self, wavering: Iterable[tuple[int, int]]) -> None:
        self._wavering |= pairs_between(wavering)
        self.base, self._now = self._steadied(self.base), self._steadied(self._now)
        self._judgeable.clear()

    def _steadied(self, table: Observation) -> Observation:
        """The table with pairs that waver as what may leak, whatever they read."""
        return table.with_wavering(self._wavering)

    def _rattled(self, table: Observation) -> Noted | None:
        """A frame that never became quiet: the next quiet one is compared with the one before."""
        judged = self.matrix.judgement(self._now, table)
        name = judged.switch or (next(iter(self._held)) if len(self._held) == 1 else None)
        if name is None or self._held.keys() - {name}:
            # Perhaps the one asked for, perhaps the last one's end: not silence, at any rate.
            self._rattled_since_asked = True
            return None
        self._unsteady[name] += 1
        return Noted(Kind.UNSTEADY, name, self.asked, judged.pressed)

    def _answered_at(self, place: Place, asked: str, table: Observation) -> Noted:
        """The one asked for, by all that is known, where the file has no switch."""
        self._read(asked, table)
        self._while_asked.setdefault(asked, []).append(place)
        return Noted(Kind.ANSWERED, None, asked, unsettled=True, place=place)

    def _several(self, judged: Judgement) -> Noted:
        if self.asked is not None and self.asked in judged.pressed:
            self._unclear.setdefault(self.asked, []).append(judged.pressed)
        return Noted(Kind.UNCLEAR, None, self.asked, judged.pressed)

    def _pressed(self, name: str, state: State | None, time_us: int) -> Noted:
        for other in self._held:
            self._held[other] += 1
        self._held[name] = 0
        self._closed_us[name] = time_us
        settled_before = self.is_settled(name)
        opened_us = self._opened_us.get(name)
        let_go = opened_us is not None and (time_us - opened_us) % TIMES_US <= FASTER_THAN_A_HAND_US
        self._reclosed[name] += let_go
        touch, self._last_touch = self._last_touch, None
        self._note(name, state)
        asked = self.asked
        if name == asked:
            return Noted(Kind.GOOD if state is State.GOOD else Kind.FAULT, name, asked, (name,))
        if let_go:
            # Nobody has touched it again, so it says nothing of the one asked for.
            return Noted(Kind.UNSTEADY, name, None, (name,))
        if asked is not None and name == self.instead:
            self._while_asked.setdefault(asked, []).append(name)
            return Noted(Kind.SILENT, name, asked, (name,))
        if settled_before:
            if asked is not None:
                self._instead_of.setdefault(asked, Counter())[name] += 1 + self._take_back(asked, name)
            quick = touch is not None and touch[0] == name and (time_us - touch[1]) % TIMES_US <= _QUICK_US
            self._last_touch = None if quick else (name, time_us)
            return Noted(Kind.BACK if quick else Kind.ANSWERED, name, asked, (name,))
        if asked is not None:
            self._while_asked.setdefault(asked, []).append(name)
        kind = Kind.FAULT if state in (State.REVERSED, State.SHORTED) else Kind.ANSWERED
        return Noted(kind, name, asked, (name,), unsettled=asked is not None)

    def _take_back(self, asked: str, name: str) -> bool:
        """What answers where it isn't offered was perhaps no word of silence when it was."""
        seen = self._while_asked.get(asked, [])
        if name not in seen:
            return False
        seen.remove(name)
        return True

    def _releases(self, table: Observation) -> list[str]:
        low = table.low
        released = [name for name in self._held if not low & self._shows(name) & ~self.base.low]
        for name in released:
            del self._held[name]
            self._opened_us[name] = table.time_us
            if (table.time_us - self._closed_us[name]) % TIMES_US >= _TOO_SHORT_US:
                self._let_go.add(name)
        self._note_openings(table)
        return released

    def _note_openings(self, table: Observation) -> None:
        """A switch that read pressed at rest and doesn't any more was held, not stuck."""
        for name, state in self.lines.closed.items():
            shows = self.matrix.backward(name) if state is State.REVERSED else self.matrix.forward(name)
            if not table.low & shows:
                self._opened.add(name)

    def tables(self) -> dict[str, Observation]:
        """Per switch what was read while it was pressed, where that is believed: the good press that proves
        it, one of several in which its diode was wrong, one where it answered as the same other one as in
        another press, or two that agree (with silence, and where others were touched instead, the table at
        rest)."""
        if self._wavering:
            return {}
        found: dict[str, Observation] = {}
        for name, tables in self._tables.items():
            alike = Counter(table.low & table.readable for table in tables).most_common(1)[0]
            low, times = alike
            known = self.is_good(name) or self._verdict(name)[0] in _DIODE_IS_WRONG
            at = name if known else self.answered_elsewhere(name)
            if times >= _AGREEING or (isinstance(at, str) and low & self._shows(at)):
                found[name] = next(table for table in tables if table.low & table.readable == low)
        for name in self._while_asked.keys() - found.keys():
            verdict, _, elsewhere, _ = self._verdict(name)
            if verdict is PositionVerdict.OPEN and elsewhere is None:
                # Silent because others were touched instead: their tables are their own.
                found[name] = self.base
        for name, table in self._beside.items():
            if name not in self._tables and self.answers_beside(name) is not None:
                found[name] = table
        return found

    def _shows(self, name: str) -> int:
        """What a contact in this place can show, whichever way its diode leads."""
        return self.matrix.forward(name) | self.matrix.backward(name)

    # -- what it amounts to ------------------------------------------------------------------------

    def is_settled(self, name: str) -> bool:
        """Whether this switch, asked for, has answered as itself."""
        return name in self._stands or any(press.asked == name for press in self._kinds_of(name))

    def is_judgeable(self, name: str) -> bool:
        """Whether a press of this switch can show what it is, or another fault hides it."""
        known = self._judgeable.get(name)
        if known is None:
            known = self._judgeable[name] = self.matrix.can_be_judged(
                self.base, name, both_directions=not self._one_way[name]
            )
        return known

    def answered_elsewhere(self, name: str) -> str | Place | None:
        """The position that this switch, asked for, answered as, twice and never as another one or itself;
        or the place, if the file has no switch there."""
        if self._wavering:
            return None
        seen = [other for other in self._while_asked.get(name, ()) if other is not None]
        # Who touched what was offered did what was said; one wrong key more doesn't make two that agree.
        for other in self._touched_instead(name).elements():
            if other in seen:
                seen.remove(other)
        if not seen and (beside := self.answers_beside(name)) is not None:
            return beside
        # Where others answered too, a hand was not careful: then a third has to agree.
        enough = _AGREEING + bool(self._instead_of.get(name))
        if self.is_settled(name) or len(seen) < enough or len(set(seen)) > 1:
            return None
        return seen[0]

    def _touched_instead(self, name: str) -> Counter[str]:
        """How often which switch was touched because it was offered instead of this one, and has answered for
        itself since."""
        found: Counter[str] = Counter()
        for other in {each for each in self._while_asked.get(name, ()) if isinstance(each, str)}:
            if self.is_settled(other):
                presses = self._seen[other].items()
                found[other] = sum(n for p, n in presses if p.asked == name and p.instead == other)
        return found

    def was_touched_for(self, name: str, other: str) -> bool:
        """Whether this other one answered where it was offered to say that `name` is silent."""
        return bool(self._touched_instead(name)[other])

    def lines_of_switch(self, name: str) -> set[int]:
        """The pins that this switch is on."""
        switch = self.matrix.switches[name]
        return {pin for pin in (switch.row, switch.column, switch.direct) if pin is not None}

    def answers_for(self, other: str, name: str) -> bool:
        """Whether this other one has answered when `name` was asked for."""
        return bool(self._instead_of.get(name, Counter())[other])

    def answers_beside(self, name: str) -> str | None:
        """The switch that answers for itself, and each time that this one is asked for."""
        if self._wavering:
            return None
        for other, times in self._instead_of.get(name, Counter()).most_common(1):
            if times >= _NO_SLIP and not self.is_settled(name):
                return other
        return None

    def disagrees(self, name: str) -> bool:
        """Whether two answers to this question say different things, so that a third has to decide."""
        seen = self._while_asked.get(name, [])
        if self.is_settled(name) or len(seen) != _AGREEING:
            return False
        # The same one, offered once as the word of silence, and once not.
        return len(set(seen)) == _AGREEING or 0 < self._touched_instead(name).total() < _AGREEING

    def round_of(self, name: str) -> tuple[str, ...]:
        """The switches that answer as one another, closed to a round, or up to one that answers where the
        file has no switch; empty while neither is reached."""
        found = [name]
        while (at := self.answered_elsewhere(found[-1])) is not None:
            if at == name or isinstance(at, Place):
                return tuple(found)
            if at in found:
                return ()
            found.append(at)
        return ()

    def contacts(self) -> dict[str, Place]:
        """Where each switch was seen to make contact, as far as that is believed; its diode's direction is
        the file's, unless the file has no switch there."""
        found: dict[str, Place] = {}
        for name in self.matrix.switches:
            at = name if self.is_settled(name) else self.answered_elsewhere(name)
            if isinstance(at, Place):
                found[name] = at
            elif at is not None:
                switch = self.matrix.switches[at]
                if switch.direct is not None:
                    found[name] = Place(switch.direct, REST)
                else:
                    found[name] = Place(*ends(self.matrix.wiring, switch))
        return found

    def silences(self, name: str) -> int:
        """How often this switch, asked for, did not answer, as far as that is believed."""
        if self._wavering:
            return 0
        counts = Counter(self._while_asked.get(name, ()))
        silences = said = counts.pop(None, 0)
        offered = self._touched_instead(name)
        for other, times in counts.items():
            if isinstance(other, str) and self.is_settled(other):
                # Who answers once where it isn't offered was perhaps no word of silence where it was.
                if times - offered[other] != 1:
                    silences += times
                elif said:
                    silences += offered[other]
        return silences

    def unclear_times(self, name: str) -> int:
        return len(self._unclear.get(name, ()))

    def seen_with(self, name: str) -> tuple[str, ...]:
        """The positions that answered together with this one, twice alike."""
        alike = Counter(self._unclear.get(name, ())).most_common(1)
        if self._wavering or not alike or alike[0][1] < _AGREEING:
            return ()
        return tuple(other for other in alike[0][0] if other != name)

    def rolled_over(self, name: str) -> str | None:
        """The switch that was asked for when this one was touched instead, if its own word is still due."""
        for press in self._kinds_of(name):
            if press.asked is not None and press.instead == name and press.state is State.GOOD:
                return press.asked
        return None

    def _kinds_of(self, name: str) -> list[_Press]:
        """The presses of a switch, each kind once."""
        seen = self._seen.get(name)
        return [press for press, times in seen.items() if times] if seen else []

    def position(self, name: str) -> Position:
        """The verdict on one switch, from all evidence so far."""
        verdict, state, answered_as, blocked_by = self._verdict(name)
        switch = self.matrix.switches[name]
        forward, backward = self._readings(name, verdict, state)
        is_direct = switch.direct is not None
        return Position(
            switch=name,
            row=_pin(switch.row),
            column=_pin(switch.column),
            verdict=verdict,
            forward=None if is_direct else forward,
            backward=None if is_direct else backward,
            direct=forward if is_direct else None,
            answered_as=None if answered_as is None else str(answered_as),
            blocked_by=blocked_by,
            presses=self._seen.get(name, Counter()).total(),
            pin=_pin(switch.direct),
        )

    def _verdict(
        self, name: str
    ) -> tuple[PositionVerdict, State | None, str | Place | None, tuple[str, ...]]:
        stuck = self._stuck_state(name)
        if stuck is not None:
            return PositionVerdict.STUCK, stuck, None, ()
        hidden = self.hidden_by(name)
        if hidden:
            return PositionVerdict.UNTESTED, None, None, hidden
        presses = self._kinds_of(name)
        counts: Counter[State | None] = Counter()
        for press in presses:
            # Asked for another one it may have been that one, in this one's place.
            if press.asked in (None, name) or press.instead == name:
                counts[press.state] += self._seen[name][press]
        rough = self._fingers and not self._wavering
        # ... or the other one, wired to this place: so this one is asked for once itself.
        asked = any(press.asked in (None, name) for press in presses)
        sure = asked and not self._wavering
        bad = [s for s in (State.REVERSED, State.SHORTED) if sure and counts[s] >= _AGREEING]
        if bad and (counts[State.GOOD] or len(bad) > 1):
            return PositionVerdict.INTERMITTENT, None, None, ()
        if bad == [State.REVERSED]:
            return PositionVerdict.REVERSED, State.REVERSED, None, ()
        if bad == [State.SHORTED]:
            return PositionVerdict.SHORTED, State.SHORTED, None, ()
        if rough and self._reclosed[name] >= _AGREEING:
            return PositionVerdict.INTERMITTENT, None, None, ()
        if rough and self._unsteady[name] >= max(_AGREEING, counts[State.GOOD]):
            return PositionVerdict.CHATTERING, None, None, ()
        if rough and self._was_rough_once(name):
            return PositionVerdict.UNTESTED, None, None, (ROUGH,)
        if self.is_good(name):
            # A contact that closes and doesn't open again is no good switch.
            if name in self._let_go:
                return PositionVerdict.PROVEN, State.GOOD, None, ()
            return (
                PositionVerdict.ANSWERS,
                State.GOOD,
                None,
                (NOT_LET_GO if name in self._held else TOO_SHORT,),
            )
        if self.round_of(name):
            return PositionVerdict.SWAPPED, None, self.answered_elsewhere(name), ()
        elsewhere = self.answered_elsewhere(name)
        if not presses and self.silences(name) >= _AGREEING:
            return PositionVerdict.OPEN, None, elsewhere, ()
        if counts[State.GOOD] or (counts[None] and self._one_way[name]):
            state = State.GOOD if counts[State.GOOD] else None
            return PositionVerdict.ANSWERS, state, elsewhere, ()
        return PositionVerdict.UNTESTED, None, elsewhere, self._why_untested(name)

    def remarks(self) -> tuple[str, ...]:
        """The switches that are proven, and whose contact let go or rattled once before it was clean."""
        if not self._fingers or self._wavering:
            return ()
        verdicts = {name: self._verdict(name)[0] for name in self.matrix.switches}
        # What a switch that chatters did as it was let go may have looked like the next one's.
        rattled = {name for name, times in self._unsteady.items() if times} | self._rattled_while_asked
        if PositionVerdict.CHATTERING in verdicts.values():
            rattled = set()
        return tuple(
            f"{name}: {ROUGH_BEFORE}"
            for name, verdict in verdicts.items()
            if verdict is PositionVerdict.PROVEN and (self._reclosed[name] or name in rattled)
        )

    def _was_rough_once(self, name: str) -> bool:
        """Whether a press was not clean, and no second one has been since."""
        if not self._unsteady[name] + self._reclosed[name]:
            return False
        good = sum(
            self._seen[name][press]
            for press in self._kinds_of(name)
            if press.state is State.GOOD and press.asked == name
        )
        return good <= self._reclosed[name] + 1

    def is_good(self, name: str) -> bool:
        """Whether this switch, asked for, has shown a contact and a diode as they should be."""
        if name in self._stands:
            return True
        for press in self._kinds_of(name):
            if press.state is not State.GOOD:
                continue
            if press.asked == name:
                return True
            # Touched instead of another one, which has since answered for itself: so this was it.
            if press.instead == name and press.asked is not None and self.is_settled(press.asked):
                return True
        return False

    def _stuck_state(self, name: str) -> State | None:
        """How a switch conducts that reads pressed though nobody touches it; None if it isn't stuck."""
        if name in self.lines.closed and name not in self._opened:
            enough = self.ended or self.frames >= _AGREEING
            return self.lines.closed[name] if enough else None
        if name in self._held and (self.ended and self._held[name] >= 1):
            known = [self._last[name].state, *(press.state for press in self._kinds_of(name))]
            return next((state for state in known if state), State.GOOD)
        return None

    def hidden_by(self, name: str) -> tuple[str, ...]:
        """The faults in whose company no press of this switch can be judged; empty if it can."""
        if name in self.lines.maybe_closed:
            return (f"closed {name}", self.lines.maybe_closed[name])
        if name in self.lines.closed and name not in self._opened:
            return ("reads pressed with nothing touched",)
        if self.is_judgeable(name):
            return ()
        mine = self.lines_of_switch(name)
        if self.lines.wavers_between(*mine) and not any(self._is_weak(gpio) for gpio in mine):
            return (self._restless(name),)
        found: list[str] = []
        for gpio in mine:
            found += self.lines.troubles_of(gpio)
        if not found:
            found = [f"closed {other}" for other in self.lines.closed if other != name]
        return tuple(dict.fromkeys(found)) or ("the board did not measure its lines",)

    def _is_weak(self, gpio: int) -> bool:
        line = self.lines.line(gpio)
        return line is not None and line.verdict is LineVerdict.WEAK

    def _restless(self, name: str) -> str:
        a, b = sorted(self.lines_of_switch(name))
        return (
            f"{name} reads pressed now and then by itself: flux or dirt between GPIO{a} and GPIO{b} is "
            "likely; clean there, and press again"
        )

    def _why_untested(self, name: str) -> tuple[str, ...]:
        if self._wavering:
            a, b = min(self.lines.wavering)
            if self._is_weak(a) or self._is_weak(b):
                return (f"leaky GPIO{a} GPIO{b}",)
            return tuple(self._restless(name) for name in self.matrix.at(pairs_between([(a, b)])))
        together = self.seen_with(name)
        if together:
            return (f"answers together with {' and '.join(together)}",)
        if name in self._rattled_while_asked:
            return (ROUGH,)
        if self._kinds_of(name) or self.unclear_times(name):
            return (ONCE_ONLY,)
        for other, times in self._instead_of.get(name, Counter()).most_common(1):
            if times >= _AGREEING:
                return (f"{other} answered instead, which answers for itself too",)
        if self._while_asked.get(name):
            elsewhere = self.answered_elsewhere(name)
            if elsewhere:
                return (f"answered as {elsewhere}, and nothing answered as {name}",)
            return ("asked for once without an answer; a second time is needed",)
        return (self.unasked.get(name, NO_PRESS),)

    def _readings(
        self, name: str, verdict: PositionVerdict, state: State | None
    ) -> tuple[str | None, str | None]:
        if verdict is PositionVerdict.OPEN:
            return "high", (None if self._one_way[name] else "high")
        if verdict is PositionVerdict.ANSWERS and state is None:
            return "low", None
        if state is None:
            return None, None
        if state is State.REVERSED:
            return "high", "low"
        both = state is State.SHORTED or self.matrix.wiring.diodes is Diodes.NONE
        return "low", "low" if both else "high"

    @property
    def any_one_way(self) -> bool:
        """Whether diodes went unmeasured because the board reads the matrix in one direction."""
        return any(self._one_way.values())


def rows_of_caps(caps: Sequence[Cap]) -> tuple[tuple[str, ...], ...]:
    """Switch names by the shape's lines, left to right."""
    lines: dict[int, list[Cap]] = {}
    for cap in caps:
        lines.setdefault(cap.line, []).append(cap)
    return tuple(tuple(cap.switch for cap in lines[line]) for line in sorted(lines))


def _pin(gpio: int | None) -> str | None:
    return None if gpio is None else f"GPIO{gpio}"


def _blinded(base: Observation) -> int:
    """Pairs that can't be read because of a fault, rather than because nobody drives that line."""
    return pairs(base.held | base.slow, ROW) | pairs(ROW, base.held | base.slow)
