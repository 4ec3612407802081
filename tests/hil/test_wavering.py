"""Dirt that reads another way from one reading to the next, between the two lines of a switch.

Its readings are undefined in the electrical model; here each is decided anew, by chance, all the time.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from hil.conversation import Settings
from hil.events import Event
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.host_board import HostBoard
from hil.judge import Matrix
from hil.link import Link
from hil.observe import Edge, Holding
from hil.read import verdicts_of
from hil.record import Dump
from hil.result import Result
from hil.session import Session
from hil.stages.bounce import Bounces
from hil.stages.lines import Untouched
from hil.transport import BoardTransport
from hil.virtual import Finger
from keyc.fingerprints import fingerprints
from keyc.keyboard import Diodes, Keyboard
from tests.hil.boards import Desk, keyboard_of
from tests.hil.wirings import small, wiring_of

_STAGES = ("lines", "positions", "together", "bounce", "flex")
_SAYS_NOTHING_WRONG = {"proven", "answers", "untested"}


class WaveringBoard(HostBoard):
    """Decides its undefined readings anew about every `period_us`, and whenever a contact moves."""

    def __init__(self, keyboard: Keyboard, faults: list[str], seed: int, period_us: int) -> None:
        self._chance, self._period_us, self._due_us = Random(seed), period_us, 0
        planted = [parse_fault(text, keyboard.wiring) for text in faults]
        super().__init__(keyboard.wiring, planted, fingerprints=fingerprints(keyboard), seed=seed)

    def _lay_lines(self) -> None:
        seed, self._seed = self._seed, self._chance.randrange(2, 1 << 32)
        super()._lay_lines()
        self._seed = seed

    def advance(self, us: int) -> None:
        until_us = self.now_us + us
        while self.now_us < until_us:
            if self.now_us >= self._due_us:
                self._lay_lines()
                self._due_us = self.now_us + self._chance.randrange(self._period_us // 2, self._period_us * 2)
            super().advance(max(1, min(until_us, self._due_us) - self.now_us))


def run(
    board: WaveringBoard, keyboard: Keyboard, *stages: str, notes: Dump | None = None
) -> tuple[Result, list[Event]]:
    finger, told = Finger(board, bouncing=True), list[Event]()
    result = Session(
        keyboard,
        Link(BoardTransport(finger)),
        FingerHand(finger),
        fingerprints(keyboard).wiring,
        Settings(stages=stages, flex_us=1_000_000),
        tell=told.append,
        notes=notes,
    ).run()
    return result, told


@pytest.mark.parametrize("diodes", list(Diodes))
@pytest.mark.parametrize("period_us", [2_000, 15_000, 120_000])
def test_a_switch_whose_own_lines_waver_is_untested_and_no_other_is_accused(
    diodes: Diodes, period_us: int
) -> None:
    """Faster than the bench polls, than a frame, than a press."""
    keyboard = keyboard_of(wiring_of((2, 3), (6, 7), diodes))
    for seed in range(3):
        board = WaveringBoard(keyboard, ["leaky GPIO3 GPIO7 47k"], seed, period_us)
        result, told = run(board, keyboard, *_STAGES)
        assert {fault.title for fault in result.faults} == {"leaky GPIO3 GPIO7"}, seed
        assert {one.verdict.value for one in result.positions} <= _SAYS_NOTHING_WRONG, seed
        own = next(one for one in result.positions if one.switch == "SW4")
        assert (own.verdict.value, own.blocked_by) == ("untested", ("leaky GPIO3 GPIO7",)), seed
        assert own.bounce is None
        assert any("touch nothing" in event.text for event in told)
        assert not any("let go" in text for text in result.not_tested), seed  # or reads pressed


@pytest.mark.parametrize("stage", ["together", "bounce", "flex"])
@pytest.mark.parametrize("diodes", list(Diodes))
def test_nor_is_it_in_a_stage_alone(stage: str, diodes: Diodes) -> None:
    keyboard = keyboard_of(small(diodes))
    for period_us in (2_000, 15_000):
        result, _ = run(WaveringBoard(keyboard, ["leaky GPIO3 GPIO7 47k"], 3, period_us), keyboard, stage)
        assert {fault.title for fault in result.faults} == {"leaky GPIO3 GPIO7"}
        assert {one.verdict.value for one in result.positions} <= _SAYS_NOTHING_WRONG


def test_the_dump_reads_as_the_run_did(tmp_path: Path) -> None:
    keyboard = keyboard_of(wiring_of((2, 3), (6, 7)))
    notes = Dump(tmp_path / "x.dump")
    result, _ = run(
        WaveringBoard(keyboard, ["leaky GPIO3 GPIO7 47k"], 1, 15_000), keyboard, *_STAGES, notes=notes
    )
    notes.close()
    again = verdicts_of((tmp_path / "x.dump").open("rb"), keyboard, fingerprints(keyboard).wiring)
    assert [fault.title for fault in again.faults] == [fault.title for fault in result.faults]
    assert [one.verdict for one in again.positions] == [one.verdict for one in result.positions]


def test_a_slip_of_the_hand_or_two_is_no_dirt() -> None:
    desk = Desk(small())
    for touches, pairs in ((1, ()), (2, ()), (4, ((3, 7),))):
        untouched = Untouched(desk.table())
        for _ in range(touches):
            untouched.see(desk.table("SW6"))
            untouched.see(desk.table())
        assert untouched.wavering() == pairs
        assert untouched.moved


def test_a_switch_that_closes_as_others_open_is_not_told_of() -> None:
    """Quiet with nothing touched, it wakes under a finger: contacts that open can't close another one."""
    desk = Desk(small())
    for name in ("SW1", "SW2", "SW3"):
        desk.positions.ask(name)
        desk.hold(name)
        desk.hold("SW6")
        desk.hold()
    desk.positions.ask("SW6")
    desk.hold("SW6")
    desk.end()
    assert desk.verdicts()["SW6"] == "untested"
    (why,) = desk.positions.position("SW6").blocked_by
    assert "between GPIO3 and GPIO7" in why
    assert [desk.verdicts()[name] for name in ("SW1", "SW2", "SW3")] == ["proven"] * 3
    assert desk.result().faults == ()


def test_a_roll_over_the_keys_asked_for_is_no_such_thing() -> None:
    desk = Desk(small())
    names = list(desk.matrix.switches)
    for name, instead in zip(names, [*names[1:], None], strict=True):
        desk.positions.ask(name, instead)
        desk.hold(name)  # in the frame in which the last one opens
    desk.hold()
    assert set(desk.end().verdicts().values()) == {"proven"}


def test_two_touches_that_were_none_in_a_row_are_counted_as_nothing() -> None:
    """Each shorter than a hand, and the next within 30 ms: there is no release to take back."""
    bounces = Bounces(Matrix(small()))
    bounces.hold(Holding(3, 0))
    for at_us in (0, 28_000, 56_000):
        bounces.see(Edge(7, high=False, time_us=at_us))
        bounces.see(Edge(7, high=True, time_us=at_us + 1_000))
    bounces.see(Edge(7, high=False, time_us=80_000))
    bounces.quiet()
    (found,) = bounces.findings()
    assert found.drops == 0


def test_what_wavers_is_neither_read_nor_taken_as_pressed() -> None:
    desk = Desk(small())
    table = replace(desk.table()).with_wavering(desk.matrix.forward("SW6") | desk.matrix.backward("SW6"))
    assert desk.matrix.read_pressed(table) == frozenset()
    assert not table.readable & desk.matrix.forward("SW6")
    assert desk.matrix.judgement(table, table).pressed == ()
