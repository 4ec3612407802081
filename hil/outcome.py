"""From what a run, or a dump, found out to the `Result` that is handed over."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hil.diagnose import diagnosis
from hil.result import (
    Fault,
    Identity,
    LinkCounts,
    Position,
    PositionVerdict,
    Result,
    Stage,
    Verdict,
)
from hil.stages.lines import NOT_SEEN, LineFindings
from hil.stages.positions import ONE_WAY
from keyc.keyboard import Diodes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from hil.judge import Matrix
    from hil.link import Counters
    from hil.stages.alive import AliveFindings
    from hil.stages.positions import Positions
    from hil.stages.typing import Typing, TypingFindings
    from keyc.keyboard import Keyboard

GHOSTING_NOT_TESTED = "ghosting: not tested (no three corners of a rectangle were pressed at once)"
NODES = "solder between the diodes of two switches: on one line it shows only with three keys held together"
LATER = "bounce times, held keys, dials and indicators: this version has no stage for them"


@dataclass(slots=True)
class Found:
    """What the stages found out; None where it never came to that. It grows while a run goes on."""

    alive: AliveFindings | None = None
    lines: LineFindings | None = None
    positions: Positions | None = None
    typing: Typing | None = None


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
    typed = found.typing.findings() if found.typing else None
    verdicts = _positions_of(account)
    told = diagnosis(matrix, found.lines or LineFindings(()), positions, verdicts if positions else ())
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
        and not (positions and positions.unclear_times(one.switch))
    ]
    stuck = [one.switch for one in verdicts if one.verdict is PositionVerdict.STUCK]
    if found.lines is not None:
        # Alone with a line that reads low: a switch that is held down is the likelier half of that class.
        stuck += [
            name
            for name, other in found.lines.maybe_closed.items()
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
        lines=told.lines,
        faults=faults,
        ghosting=ghosts.found(shorted) if ghosts else (),
        rectangles_exercised=ghosts.exercised if ghosts else 0,
        rectangles=ghosts.rectangles() if ghosts else 0,
        stuck=tuple(stuck),
        unreached=tuple(unreached),
        suggested_wiring=_suggested(account, verdicts),
        resolution_us=account.can.get("quiet", 0),
        link=LinkCounts(counts.lines, counts.damaged, counts.lost, counts.resent, counts.reconnects),
        presses=positions.presses if positions else 0,
        trouble=account.trouble,
        when=when,
        notes=(*account.remarks, *(typed.notes if typed else ())),
        typing=typed,
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
        found.append(Position(switch.name, row, column, verdict, blocked_by=why))
    return found


def _with_not_tested(
    account: Account, stage: Stage, verdicts: list[Position], typed: TypingFindings | None
) -> Stage:
    if stage.name == "typing" and typed is not None:
        return replace(stage, not_tested=typed.not_tested)
    if stage.name == "lines" and stage.verdict is not Verdict.SKIPPED and account.found.positions is None:
        return replace(stage, not_tested=(NOT_SEEN,))
    if stage.name != "positions" or account.found.positions is None:
        return stage
    not_tested = [
        f"{one.switch}: {', '.join(one.blocked_by) or 'no press reached it'}"
        for one in verdicts
        if one.verdict is PositionVerdict.UNTESTED
    ]
    not_tested += [
        f"{one.switch}: answers, but was not asked for"
        for one in verdicts
        if one.verdict is PositionVerdict.ANSWERS
    ]
    if account.found.positions.any_one_way:
        not_tested.append(ONE_WAY)
    ghosts = account.found.positions.ghosts
    has_diodes = account.matrix.wiring.diodes is not Diodes.NONE
    # With every diode measured in both directions only a bridge between two of them is left that could ghost.
    all_measured = all(
        one.verdict is PositionVerdict.PROVEN or account.matrix.switches[one.switch].direct is not None
        for one in verdicts
    )
    if not has_diodes:
        not_tested.append("ghosting: this keyboard has no diodes, so any three corners make a ghost")
    elif not all_measured and not ghosts.exercised and ghosts.rectangles():
        not_tested.append(GHOSTING_NOT_TESTED)
    if has_diodes and all_measured:
        not_tested.append(NODES)
    not_tested.append(LATER)
    return replace(stage, not_tested=tuple(not_tested))


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


def _suggested(account: Account, verdicts: list[Position]) -> str | None:
    """The file's `wiring` with swapped switches put where they answered, as a diff; None if none are."""
    moved = {
        one.answered_as: one.switch
        for one in verdicts
        if one.verdict is PositionVerdict.SWAPPED and one.answered_as is not None
    }
    if not moved:
        return None
    from difflib import unified_diff

    switches = account.keyboard.wiring.switches
    source = switches[0].span.source
    text = source.text
    for switch in sorted(switches, key=lambda one: -one.span.start):
        if switch.name in moved and text[switch.span.start : switch.span.end] == switch.name:
            text = text[: switch.span.start] + moved[switch.name] + text[switch.span.end :]
    if text == source.text:
        return None
    lines = unified_diff(
        source.text.splitlines(), text.splitlines(), source.name, source.name, lineterm="", n=1
    )
    return "\n".join(lines) + "\n"
