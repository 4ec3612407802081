"""From what a run, or a dump, found out to the `Result` that is handed over."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from hil.diagnosis.contacts import (
    bouncing_faults,
    faults_of_chords,
    faults_of_dials,
    faults_of_lights,
    flexing_faults,
)
from hil.diagnosis.diagnose import diagnosis
from hil.diagnosis.suggested import suggested_wiring
from hil.judge import lines_of, switches_on
from hil.observe import members
from hil.places import names_in_short
from hil.result import (
    BAD_LINES,
    Fault,
    Identity,
    LineVerdict,
    LinkCounts,
    Position,
    PositionVerdict,
    Result,
    Stage,
    Verdict,
)
from hil.stages.bounce import ONCE, debounce, not_pooled
from hil.stages.lines import NOT_SEEN, LineFindings
from hil.stages.positions import NO_PRESS, ONE_WAY, rows_of_caps
from hil.stages.together import Together
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from hil.judge import Matrix
    from hil.link import Counters
    from hil.observe import Observation
    from hil.result import Flexed, Ghost, HeldTogether, Line, SwitchBounce
    from hil.stages.alive import AliveFindings
    from hil.stages.bounce import Bounces
    from hil.stages.extras import Extras
    from hil.stages.flex import Flex
    from hil.stages.positions import Positions
    from hil.stages.typing import Typing, TypingFindings
    from keyc.keyboard import Keyboard

_GHOSTING = "ghosting: not tested"
GHOSTING_NOT_TESTED = f"{_GHOSTING} (no three corners of a rectangle were pressed at once)"
NOT_NEIGHBOURS = "solder between the diodes of two switches of one line that don't lie side by side"

# What nothing is known about without these stages.
TELLS = {
    "lines": "what ties lines together",
    "positions": "switches, diodes and open joints",
    "together": "solder that shows only while switches are held down together",
    "bounce": "how contacts bounce, and which debounce time they need",
    "flex": "joints that let go when the case is squeezed",
    "typing": "contacts that chatter while somebody types, and what arrives at the computer",
    "extras": "dials and lights",
}

_KNOWN_DIODES = frozenset(
    {PositionVerdict.PROVEN, PositionVerdict.REVERSED, PositionVerdict.SHORTED, PositionVerdict.CHATTERING}
)

_ANSWERING = frozenset(
    {
        PositionVerdict.PROVEN,
        PositionVerdict.ANSWERS,
        PositionVerdict.CHATTERING,
        PositionVerdict.INTERMITTENT,
    }
)

# What keeps a line, or two that it joins, from showing anything else.
_HIDING = frozenset({"high", "low", "bridge", "closed", "leaky", "slow"})

# What a contact does in time adds to these; the others say what has to be mended first.
_MAY_GET_WORSE = frozenset(
    {
        PositionVerdict.PROVEN,
        PositionVerdict.ANSWERS,
        PositionVerdict.UNTESTED,
        PositionVerdict.CHATTERING,
    }
)


@dataclass(slots=True)
class Found:
    """What the stages found out; None where it never came to that. It grows while a run goes on."""

    alive: AliveFindings | None = None
    lines: LineFindings | None = None
    positions: Positions | None = None
    together: Together | None = None
    bounces: Bounces | None = None
    flex: Flex | None = None
    extras: Extras | None = None
    left_out: dict[str, tuple[str, ...]] = field(default_factory=dict)  # stage → what it did not test
    pools: tuple[tuple[int, int], ...] = ()  # presses pooled by this board's runs before, and their longest
    typing: Typing | None = None

    def usable(self, keyboard: Keyboard, matrix: Matrix) -> list[str]:
        """Switches of which a press can be expected to show, in the order of the caps: those that answered,
        or where nobody has pressed them yet, those whose lines are in order."""
        order = [name for row in rows_of_caps(keyboard.caps) for name in row]
        if self.lines is not None and self.lines.wavering:
            at = matrix.switches
            order = [n for n in order if not self.lines.wavers_between(at[n].row, at[n].column)]
        if self.positions is not None:
            return [name for name in order if self.positions.position(name).verdict in _ANSWERING]
        if self.lines is None:
            return order
        bad = {line.gpio for line in self.lines.lines if line.verdict in BAD_LINES}
        shut = {*self.lines.closed, *self.lines.maybe_closed}
        at = matrix.switches
        return [n for n in order if n not in shut and not {at[n].row, at[n].column, at[n].direct} & bad]

    def hidden(self, matrix: Matrix) -> frozenset[str]:
        """Switches whose presses other faults hide, or show as another one's too."""
        if self.positions is not None:
            return frozenset(name for name in matrix.switches if self.positions.hidden_by(name))
        if self.lines is None:
            return frozenset()
        troubled = [gpio for gpio in members(lines_of(matrix.wiring)) if self.lines.troubles_of(gpio)]
        return frozenset(name for gpio in troubled for name in switches_on(matrix.wiring, gpio))

    def together_asks(
        self,
        keyboard: Keyboard,
        matrix: Matrix,
        base: Observation,
        now: Observation,
        *,
        stands: frozenset[str] = frozenset(),
        touched: frozenset[str] | None = None,
    ) -> Together:
        """The stage `together`, with what is known by now. `stands`: proven before, and not touched since."""
        usable = self.usable(keyboard, matrix)
        good, doubtful = usable, list[str]()
        if self.positions is not None:
            positions = self.positions
            verdicts = {name: positions.position(name).verdict for name in matrix.switches}
            good = [
                name
                for name, verdict in verdicts.items()
                if verdict is PositionVerdict.PROVEN
                or (name in stands and verdict is PositionVerdict.UNTESTED and not positions.hidden_by(name))
            ]
            doubtful = [name for name in usable if verdicts[name] is PositionVerdict.ANSWERS]
        chords = [chord.members for chord in keyboard.chords]
        self.together = Together(
            matrix,
            base,
            now,
            good=good,
            doubtful=doubtful,
            caps=keyboard.caps,
            chords=chords,
            touched=touched,
        )
        return self.together


@dataclass(frozen=True, slots=True)
class Account:
    """All that is known at the end of a run, or of a dump."""

    keyboard: Keyboard
    matrix: Matrix
    board: Identity
    can: Mapping[str, int]
    found: Found
    stages: tuple[Stage, ...]
    link: Counters
    trouble: str | None = None
    remarks: tuple[str, ...] = ()


def result_of(account: Account, *, after: str, tool: str, when: str | None = None) -> Result:
    """Verdicts, faults and what remains untested."""
    found, matrix = account.found, account.matrix
    positions = found.positions
    lines = positions.lines if positions else found.lines
    pressed = _positions_of(account)
    bounce = found.bounces.findings() if found.bounces else ()
    flexed = found.flex.findings() if found.flex else None
    together = found.together.findings() if found.together else None
    dials, lights = found.extras.findings() if found.extras else ((), ())
    told = diagnosis(
        matrix,
        lines or LineFindings(()),
        positions,
        pressed if positions else (),
        [
            *bouncing_faults(matrix, bounce),
            *(flexing_faults(matrix, flexed) if flexed else ()),
            *(faults_of_chords(together) if together else ()),
            *faults_of_dials(dials),
            *faults_of_lights(lights),
        ],
        found.together.tables() if found.together else {},
    )
    verdicts = [_in_time(_behind(one, positions, told.faults), bounce, flexed) for one in pressed]
    typed = found.typing.findings(found.hidden(matrix)) if found.typing else None
    faults = _with_typed(told.faults, typed)
    verdicts = _verdicts_with_typed(verdicts, typed)
    if found.alive is not None and found.alive.fault is not None:
        faults = (found.alive.fault, *faults)
    shorted = [one.switch for one in verdicts if one.verdict is PositionVerdict.SHORTED]
    ghosts = positions.ghosts if positions else None
    stages = tuple(_with_not_tested(account, stage, verdicts, typed) for stage in account.stages)
    unreached = [
        one.switch
        for one in verdicts
        if one.verdict in (PositionVerdict.OPEN, PositionVerdict.UNTESTED)
        and not one.presses
        and not (positions and one.switch in positions.unasked)
        and not (positions and positions.unclear_times(one.switch))
    ]
    stuck = [one.switch for one in verdicts if one.verdict is PositionVerdict.STUCK]
    if lines is not None:
        # Alone with a line that reads low: a switch that is held down is the likelier half of that class.
        stuck += [
            name
            for name, other in lines.maybe_closed.items()
            if name not in stuck and (other.startswith("low ") or matrix.wiring.diodes is Diodes.NONE)
        ]
    counts = account.link
    return Result(
        keyboard=account.keyboard.title,
        verdict=_overall(stages, bool(faults), account.trouble),
        board=account.board,
        after=after,
        tool=tool,
        stages=stages,
        positions=tuple(verdicts),
        lines=tuple(_line_in_time(line, flexed) for line in told.lines),
        faults=faults,
        ghosting=_ghosting(ghosts.found(shorted) if ghosts else (), together),
        rectangles_exercised=(ghosts.exercised if ghosts else 0)
        + (found.together.exercised if found.together else 0),
        rectangles=ghosts.rectangles() if ghosts else 0,
        stuck=tuple(stuck),
        unreached=tuple(unreached),
        suggested_wiring=suggested_wiring(account.keyboard, told.faults),
        resolution_us=account.can.get("edges" if found.bounces else "quiet", 0),
        link=LinkCounts(counts.lines, counts.damaged, counts.lost, counts.resent, counts.reconnects),
        presses=positions.presses if positions else 0,
        trouble=account.trouble,
        when=when,
        notes=(*account.remarks, *_notes(told.lines, bounce), *(typed.notes if typed else ())),
        debounce=debounce(bounce, found.pools) if bounce else None,
        flexed=flexed,
        together=together,
        typing=typed,
        dials=dials,
        lights=lights,
    )


def _with_typed(faults: tuple[Fault, ...], typed: TypingFindings | None) -> tuple[Fault, ...]:
    """What typing showed comes last, unless it is known already."""
    alike = [fault for fault in faults if fault.kind in ("bounces", "drops", "sticks", "closed")]
    known = {name for fault in alike for name in fault.where}
    new = [fault for fault in typed.faults if fault.where[0] not in known] if typed else []
    return (*faults, *(replace(fault, rank=len(faults) + n) for n, fault in enumerate(new, 1)))


def _verdicts_with_typed(verdicts: list[Position], typed: TypingFindings | None) -> list[Position]:
    """A switch that was good when it was measured, and isn't when it is typed on, is not good."""
    if typed is None:
        return verdicts
    mild = (PositionVerdict.PROVEN, PositionVerdict.ANSWERS, PositionVerdict.UNTESTED)
    return [
        replace(one, verdict=typed.positions[one.switch], blocked_by=())
        if one.switch in typed.positions and one.verdict in mild
        else one
        for one in verdicts
    ]


def _positions_of(account: Account) -> list[Position]:
    if account.found.positions is not None:
        return [account.found.positions.position(name) for name in account.matrix.switches]
    found = []
    for switch in account.matrix.switches.values():
        row = None if switch.row is None else f"GPIO{switch.row}"
        column = None if switch.column is None else f"GPIO{switch.column}"
        verdict = PositionVerdict.UNTESTED
        why = ("the stage positions did not run",)
        pin = None if switch.direct is None else f"GPIO{switch.direct}"
        found.append(Position(switch.name, row, column, verdict, blocked_by=why, pin=pin))
    return found


def _behind(one: Position, positions: Positions | None, faults: tuple[Fault, ...]) -> Position:
    """A position that faults hide, with those that are listed: what the lines alone spoke for may have turned
    out to be others."""
    hidden = positions.hidden_by(one.switch) if positions else ()
    titles = {fault.title for fault in faults}
    if not hidden or one.blocked_by != hidden or titles.issuperset(hidden):
        return one
    assert positions is not None
    lines = {one.row, one.column, one.pin}
    listed = [f.title for f in faults if f.kind in _HIDING and not lines.isdisjoint(f.pins)]
    if not listed:  # solder between switches of these lines, and a diode that lets current in
        gpios = positions.lines_of_switch(one.switch)
        at = {name for name in positions.matrix.switches if gpios & positions.lines_of_switch(name)}
        listed = [f.title for f in faults if not at.isdisjoint(f.where)]
    kept = [title for title in hidden if title in titles]
    return replace(one, blocked_by=tuple(dict.fromkeys((*kept, *listed)))) if listed else one


def _in_time(one: Position, bounce: Iterable[SwitchBounce], flexed: Flexed | None) -> Position:
    """A position with what its contact did in time. A verdict that says more about it stands."""
    seen = next((each for each in bounce if each.switch == one.switch), None)
    verdict = seen.verdict if seen else None
    if flexed is not None and any(blip.what == one.switch for blip in flexed.blips):
        verdict = PositionVerdict.INTERMITTENT
    told = replace(one, bounce=seen)
    if verdict is None or one.verdict not in _MAY_GET_WORSE:
        return told
    return replace(told, verdict=verdict, blocked_by=(ONCE,) if verdict is PositionVerdict.UNTESTED else ())


def _line_in_time(line: Line, flexed: Flexed | None) -> Line:
    blips = [one for one in flexed.blips if line.pin in one.what.split()] if flexed else []
    if not blips or line.verdict is not LineVerdict.CLEAR:
        return line
    did = "let go" if blips[0].let_go else "touched something"
    return replace(line, verdict=LineVerdict.WEAK, note=f"{did} while the case was squeezed")


def _ghosting(found: tuple[Ghost, ...], together: HeldTogether | None) -> tuple[Ghost, ...]:
    """What the chords proved stands for what was suspected."""
    proven = together.ghosts if together else ()
    known = {(one.rectangle, one.ghost) for one in proven}
    return (*proven, *(one for one in found if (one.rectangle, one.ghost) not in known))


def _notes(lines: Iterable[Line], bounce: Iterable[SwitchBounce]) -> list[str]:
    notes = [f"{line.pin} {line.note}" for line in lines if line.verdict is LineVerdict.CLEAR and line.note]
    notes += [
        f"{one.switch} bounces longer than the others, for up to {one.longest_us / 1000:.1f} ms: no fault, "
        "but the first to look at"
        for one in bounce
        if one.outlier
    ]
    return notes


def _with_not_tested(
    account: Account, stage: Stage, verdicts: list[Position], typed: TypingFindings | None
) -> Stage:
    if stage.name == "typing" and typed is not None and "typing" not in account.found.left_out:
        return replace(stage, not_tested=typed.not_tested)
    left_out = account.found.left_out.get(stage.name)
    if left_out is not None:
        stage = replace(stage, not_tested=left_out)
    found = account.found
    if stage.name == "bounce" and found.bounces is not None:
        why = not_pooled(found.bounces.findings(), found.pools)
        return replace(stage, not_tested=(*stage.not_tested, *why))
    if stage.name == "lines" and account.found.lines is not None:
        # Any stage that needs the lines measures them: left out by name, they are known all the same.
        told = account.found.positions or any(s.name == "positions" and s.not_tested for s in account.stages)
        return replace(stage, not_tested=() if told else (NOT_SEEN,))
    if stage.name != "positions" or account.found.positions is None:
        return stage
    not_tested = [
        f"{one.switch}: {', '.join(one.blocked_by) or NO_PRESS}"
        for one in verdicts
        if one.verdict is PositionVerdict.UNTESTED
    ]
    not_tested += [
        f"{one.switch}: {', '.join(one.blocked_by) or 'answers, but was not asked for'}"
        for one in verdicts
        if one.verdict is PositionVerdict.ANSWERS
    ]
    if account.found.positions.any_one_way:
        not_tested.append(ONE_WAY)
    ghosts = account.found.positions.ghosts
    if account.matrix.wiring.diodes is Diodes.NONE:
        not_tested.append("ghosting: this keyboard has no diodes, so any three corners make a ghost")
        return replace(stage, not_tested=tuple(not_tested))
    together = account.found.together
    exercised = ghosts.exercised + (together.exercised if together else 0)
    if not exercised and ghosts.rectangles():
        not_tested += ghosting_left(verdicts)
    # With every diode measured in both directions only a bridge between two of them is left that could ghost.
    known = all(one.verdict is PositionVerdict.PROVEN or one.pin is not None for one in verdicts)
    if known and together is not None:
        not_tested.append(NOT_NEIGHBOURS)
    return replace(stage, not_tested=tuple(not_tested))


def ghosting_left(positions: Iterable[Position]) -> tuple[str, ...]:
    """Whose diodes may still let a ghost through. Those that are known to be good or bad are told as such."""
    mine = [one for one in positions if one.pin is None]
    left = [one.switch for one in mine if one.verdict not in _KNOWN_DIODES]
    if len(left) == len(mine):
        return (GHOSTING_NOT_TESTED,) if left else ()
    diodes = "diode of" if len(left) == 1 else "diodes of"
    return (f"{_GHOSTING} for the {diodes} {names_in_short(left)}",) if left else ()


def with_ghosting_of(not_tested: Iterable[str], positions: Iterable[Position]) -> tuple[str, ...]:
    """The same list, where these are the positions now."""
    texts = list(not_tested)
    others = [text for text in texts if not text.startswith(_GHOSTING)]
    if len(others) == len(texts):
        return tuple(others)
    return (*others, *(ghosting_left(positions) or (NOT_NEIGHBOURS,)))


def _overall(stages: tuple[Stage, ...], any_fault: bool, trouble: str | None) -> Verdict:
    verdicts = {stage.verdict for stage in stages}
    if trouble is not None or Verdict.ERROR in verdicts:
        return Verdict.ERROR
    if Verdict.ABORTED in verdicts:
        return Verdict.ABORTED
    if any_fault or Verdict.FAIL in verdicts:
        return Verdict.FAIL
    if Verdict.INCOMPLETE in verdicts:
        return Verdict.INCOMPLETE
    return Verdict.PASS
