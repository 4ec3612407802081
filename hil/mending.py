"""From one run to the next, with an iron between: what to mend first, waiting for the board to be back,
what is asked again, and what still stands of the run before.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hil.diagnosis.diagnose import UNPLUG, ranked
from hil.events import Event
from hil.judge import switches_on
from hil.outcome import with_ghosting_of
from hil.result import PositionVerdict, Verdict, positions_verdict
from hil.stages.together import not_seen_in_words
from hil.transport import PortGone

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.conversation import Hand
    from hil.link import Link
    from hil.result import Fault, Position, Result, Stage
    from keyc.keyboard import Wiring

_SAYS = frozenset({Verdict.PASS, Verdict.FAIL, Verdict.INCOMPLETE})
_OF_LINES = frozenset({"high", "low", "bridge", "leaky", "slow"})  # the iron comes to whole lines
OF_MENDS = frozenset({"lines", "positions", "together"})  # the stages that run again after each
_LOOK_US = 200_000
_BACK = "plug it in with BOOTSEL held, and its bench image is copied by itself"


def touched_by(fault: Fault, result: Result, wiring: Wiring) -> frozenset[str]:
    """The switches that mending this fault may have touched, and those that it had hidden."""
    pins = fault.pins if fault.kind in _OF_LINES else ()
    lines = {name for pin in pins for name in switches_on(wiring, int(pin[4:]))}
    hidden = {one.switch for one in result.positions if fault.title in one.blocked_by}
    return frozenset({*fault.switches, *lines, *hidden})


def mended(link: Link, hand: Hand, fault: Fault, tell: Callable[[Event], None]) -> bool:
    """Asks for the mend and waits until the board was unplugged and is back; False if the hand ends it."""
    likeliest = fault.causes[0]
    tell(Event("mend", f"mend first: {fault.title}. {UNPLUG} Enter ends it here"))
    tell(Event("mend", f"likeliest: {likeliest.what}; look at {likeliest.look_at}"))
    if not hand.mends(fault):
        return False
    while True:
        try:
            link.sentence(_LOOK_US)
        except PortGone:
            break
        if hand.gives_up():
            return False
    tell(Event("mend", f"unplugged. When it is mended: {_BACK}"))
    while not link.reconnect(_LOOK_US):
        if hand.gives_up():
            return False
    return True


def proven_without(result: Result, touched: frozenset[str]) -> frozenset[str]:
    """The switches that stand proven, whatever was touched."""
    proven = {one.switch for one in result.positions if one.verdict is PositionVerdict.PROVEN}
    return frozenset(proven - touched)


def with_what_stands(result: Result, before: Result, touched: frozenset[str]) -> Result:
    """This run's result, with what the one before had found out about switches that nothing has touched."""
    earlier = {one.switch: one for one in before.positions}
    positions = tuple(one if one.switch in touched else earlier[one.switch] for one in result.positions)
    standing = [fault for fault in before.faults if fault.switches and not touched & {*fault.switches}]
    new = {fault.id for fault in result.faults}
    faults = ranked([*result.faults, *(fault for fault in standing if fault.id not in new)])
    verdict = positions_verdict(positions)
    together = result.together or before.together
    if result.together is not None and before.together is not None:
        together = result.together.with_what_stands(before.together, touched)
    stood = {stage.name: stage for stage in before.stages}
    stages = tuple(
        replace(stage, verdict=verdict, not_tested=_still(stage.not_tested, positions))
        if stage.name == "positions" and stage.verdict in _SAYS
        else _stands(stood[stage.name], bool(standing))
        if stage.verdict is Verdict.SKIPPED
        else replace(stage, verdict=together.verdict, not_tested=not_seen_in_words(together.not_seen))
        if stage.name == "together" and stage.verdict in _SAYS and together is not None
        else stage
        for stage in result.stages
    )
    whole = result.verdict
    if whole in _SAYS:
        said = {stage.verdict for stage in stages}
        failed = bool(faults) or Verdict.FAIL in said
        whole = Verdict.FAIL if failed else Verdict.INCOMPLETE if Verdict.INCOMPLETE in said else Verdict.PASS
    names = {one.switch for one in positions if one.verdict is PositionVerdict.UNTESTED}
    return replace(
        result,
        verdict=whole,
        stages=stages,
        positions=positions,
        faults=faults,
        flexed=result.flexed or before.flexed,
        together=together,
        debounce=result.debounce or before.debounce,
        typing=result.typing or before.typing,
        dials=result.dials or tuple(one for one in before.dials if one.verdict is PositionVerdict.PROVEN),
        lights=result.lights or tuple(one for one in before.lights if one.verdict is PositionVerdict.PROVEN),
        stuck=(*result.stuck, *(name for name in before.stuck if name not in touched)),
        unreached=tuple(dict.fromkeys((*result.unreached, *(n for n in before.unreached if n in names)))),
    )


def _stands(stage: Stage, any_fault: bool) -> Stage:
    """A stage of the run before that this one left out. What failed in it and was mended isn't known."""
    if stage.verdict is not Verdict.FAIL or any_fault:
        return stage
    again = f"{stage.name}: not tried again since the mend (--stages {stage.name})"
    return replace(stage, verdict=Verdict.INCOMPLETE, not_tested=(*stage.not_tested, again))


def _still(not_tested: tuple[str, ...], positions: tuple[Position, ...]) -> tuple[str, ...]:
    known = {one.switch for one in positions if one.verdict is not PositionVerdict.UNTESTED}
    left = (text for text in not_tested if text.partition(":")[0] not in known)
    return with_ghosting_of(left, positions)
