"""The stage `typing`: its verdicts on times by hand, and whole runs on the trial image of a virtual board."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

import hil
from hil.conversation import Settings
from hil.events import Event
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.host_board import HostBoard
from hil.link import Link
from hil.read import verdicts_of
from hil.record import Dump, Record
from hil.result import PositionVerdict, Result, Verdict
from hil.session import Session
from hil.stages.typing import NO_COMPUTER, KeyReceived, Typing
from hil.transport import BoardTransport
from hil.virtual import Finger, loader_of
from hil.wire import LINE_BYTES, Sentence, line_of, parse_line
from keyc.fingerprints import fingerprints
from keyc.keyboard import Cell, Layer, Press, Usage
from keyc.tables import tables_of
from tests.hil.boards import keyboard_of
from tests.hil.wirings import small

MATRIX = keyboard_of(small())
LETTERS = {
    switch.name: Cell(Press(Usage(0x07, 0x04 + n)), "", None, MATRIX.span)
    for n, switch in enumerate(MATRIX.wiring.switches)
}
PUBLISHED = json.loads((Path(hil.__file__).parent / "record.schema.json").read_text("utf-8"))
KEYBOARD = MATRIX.replaced(layers=(Layer("base", LETTERS, MATRIX.span),))
NAMES = ("SW1", "SW2")
TYPED = ("switch-down", "switch-up", "usage-down", "usage-up")


# -- the verdict, from times by hand -------------------------------------------------------------------


def typed_twice(gap_us: int, times: int = 1, wrap_at_us: int = 0) -> Typing:
    """SW1 pressed again `gap_us` after its release, so many times; SW2 once."""
    typing = Typing(NAMES)
    at_us = -wrap_at_us
    for _ in range(times + 1):
        typing.switch(0, at_us % 2**32, down=True)
        at_us += 60_000
        typing.switch(0, at_us % 2**32, down=False)
        at_us += gap_us
    typing.switch(1, 10, down=True)
    typing.switch(1, 20, down=False)
    return typing


@pytest.mark.parametrize(
    ("gap_us", "times", "verdict", "position", "notes"),
    [
        # Common practice: a finger does not come back to the same switch within 30 ms, and hardly within 50.
        (29_999, 2, Verdict.FAIL, PositionVerdict.CHATTERING, 0),
        (29_999, 1, Verdict.INCOMPLETE, None, 0),
        (30_000, 2, Verdict.PASS, None, 1),
        (49_999, 2, Verdict.PASS, None, 1),
        (50_000, 2, Verdict.PASS, None, 0),
    ],
)
def test_how_soon_a_switch_may_come_again(
    gap_us: int, times: int, verdict: Verdict, position: PositionVerdict | None, notes: int
) -> None:
    found = typed_twice(gap_us, times).findings()
    assert found.verdict is verdict
    assert found.positions.get("SW1") is position
    assert [fault.kind for fault in found.faults] == (["bounces"] if position else [])
    assert len(found.notes) == notes
    assert found.switches[0].shortest_gap_us == gap_us
    assert found.switches[0].presses == times + 1


def test_a_gap_is_true_across_the_wrap_of_the_boards_clock() -> None:
    found = typed_twice(20_000, 2, wrap_at_us=65_000).findings()
    assert found.switches[0].suspect == 2
    assert found.switches[0].shortest_gap_us == 20_000


def test_a_release_that_never_came_is_a_stuck_switch() -> None:
    typing = typed_twice(200_000)
    typing.switch(0, 1_000_000, down=True)
    found = typing.findings()
    assert found.positions == {"SW1": PositionVerdict.STUCK}
    assert [(fault.kind, fault.where) for fault in found.faults] == [("sticks", ("SW1",))]
    assert found.verdict is Verdict.FAIL


def test_a_switch_that_nobody_typed_is_not_tested() -> None:
    found = Typing(NAMES).findings()
    assert found.verdict is Verdict.INCOMPLETE
    assert found.not_tested == ("SW1: not typed", "SW2: not typed", NO_COMPUTER)


def test_no_gap_counts_across_what_was_lost() -> None:
    typing = typed_twice(200_000)
    typing.interrupted()
    typing.switch(0, 10_000, down=True)
    found = typing.findings()
    assert found.switches[0].suspect == 0
    assert any("lost" in note for note in found.notes)


def test_what_was_sent_stands_beside_what_arrived() -> None:
    typing = typed_twice(200_000)
    for _ in range(3):
        typing.key("KeyA", down=True)
        typing.key("KeyA", down=False)
    typing.key("KeyB", down=True)
    for down in (True, True, False, True, False):  # the second one is the computer's own repeat
        typing.received(KeyReceived("KeyA", down))
    found = typing.findings()
    assert [(one.key, one.sent, one.received, one.still_down) for one in found.keys] == [
        ("KeyA", 3, 2, False),
        ("KeyB", 1, 0, True),
    ]
    assert NO_COMPUTER not in found.not_tested
    assert found.verdict is Verdict.PASS  # a computer keeps some keys to itself
    assert len(found.notes) == 3


# -- the trial image's console on this computer ---------------------------------------------------------


def trial_board(*faults: str) -> HostBoard:
    planted = [parse_fault(fault, KEYBOARD.wiring) for fault in faults]
    prints = fingerprints(KEYBOARD)
    return HostBoard(KEYBOARD.wiring, planted, image="trial", tables=tables_of(KEYBOARD), fingerprints=prints)


def told(board: HostBoard, *words: object, us: int = 50_000) -> list[tuple[str, ...]]:
    if words:
        board.send(line_of(*map(str, words)))
    board.advance(us)
    said = []
    for line in board.receive().splitlines():
        assert len(line) <= LINE_BYTES
        sentence = parse_line(line)
        assert isinstance(sentence, Sentence), line
        said.append((sentence.name, *sentence.fields))
    return said


def test_who_it_is() -> None:
    board = trial_board()
    assert [one[:3] for one in told(board)] == [("hello", "1", "trial")]
    said = told(board, "who")
    assert [one[:2] for one in said[1:4]] == [("can", "watch"), ("can", "switches"), ("can", "ring")]
    assert said[2][2] == "13"
    assert said[-1] == ("finished", "who")


@pytest.mark.parametrize(
    ("command", "reason"),
    [
        ("look", "unknown-word"),
        ("blink 3", "unknown-word"),
        ("watch FF", "wrong-fields"),
        ("AT", "unknown-word"),
    ],
)
def test_it_measures_nothing(command: str, reason: str) -> None:
    board = trial_board()
    told(board)
    assert told(board, *command.split()) == [("refused", reason)]


def test_it_is_silent_until_it_is_asked_to_watch() -> None:
    board = trial_board()
    told(board)
    board.set_closed(frozenset({"SW2"}))
    assert told(board) == []
    said = told(board, "watch")
    assert [one[:2] for one in said] == [("switch-down", "1"), ("usage-down", "7"), ("finished", "watch")]
    board.set_closed(frozenset())
    assert [one[:2] for one in told(board)] == [("switch-up", "1"), ("usage-up", "7")]
    told(board, "stop")
    board.set_closed(frozenset({"SW2"}))
    assert told(board) == []


def test_it_tells_what_the_computer_got_when_it_got_it() -> None:
    """Against the reports themselves: usage ids as the boot report's array has them (HID 1.11, B.1)."""
    board = trial_board()
    told(board, "watch")
    for closed in ({"SW1"}, {"SW1", "SW5"}, {"SW5"}, set[str]()):
        board.set_closed(frozenset(closed))
        board.advance(30_000)
    said = [one for one in told(board) if one[0].startswith("usage")]
    assert len(said) == 4
    expected = []
    before: set[int] = set()
    for time_us, which, report in board.reports():
        assert which == "keyboard"
        now = set(report[2:8]) - {0}
        expected += [("usage-up", "7", str(one), time_us) for one in before - now]
        expected += [("usage-down", "7", str(one), time_us) for one in now - before]
        before = now
    assert [one[:3] for one in said] == [one[:3] for one in expected]
    assert all(0 <= int(one[3]) - at[3] <= 250 for one, at in zip(said, expected, strict=True))


# -- whole runs -----------------------------------------------------------------------------------------


def run(
    *faults: str,
    stages: tuple[str, ...] = ("typing",),
    record: Record | None = None,
    dump: Dump | None = None,
) -> Result:
    prints = fingerprints(KEYBOARD)
    planted = [parse_fault(fault, KEYBOARD.wiring) for fault in faults]
    board = HostBoard(KEYBOARD.wiring, planted, fingerprints=prints)
    finger = Finger(board)

    def tell(event: Event) -> None:
        if record is not None:
            record.event(event)

    hand = FingerHand(finger, loader_of(board, KEYBOARD))
    settings = Settings(stages=stages)
    link = Link(BoardTransport(finger))
    result = Session(KEYBOARD, link, hand, prints.wiring, settings, tell=tell, notes=dump).run()
    if record is not None:
        record.result(result)
    return result


def test_a_good_board_is_typed_on() -> None:
    result = run()
    assert result.verdict is Verdict.PASS
    assert result.board.image == "trial"
    assert result.typing is not None
    assert {one.presses for one in result.typing.switches} == {4}
    assert result.faults == ()


@pytest.mark.parametrize(
    ("fault", "verdict"), [("drops SW7", PositionVerdict.CHATTERING), ("sticks SW7", PositionVerdict.STUCK)]
)
def test_a_contact_that_drops_out_or_sticks_is_found(fault: str, verdict: PositionVerdict) -> None:
    result = run(fault)
    assert result.verdict is Verdict.FAIL
    bad = {one.switch: one.verdict for one in result.positions if one.verdict is not PositionVerdict.UNTESTED}
    assert bad == {"SW7": verdict}
    assert [one.where for one in result.faults] == [("SW7",)]


def test_what_a_bridge_makes_two_of_is_no_verdict_on_either(tmp_path: Path) -> None:
    """With the rows GPIO2 and GPIO3 joined SW2 and SW6 go down at one press: SW6 may be as good as new."""
    alone = run("bridge GPIO2 GPIO3", "drops SW2")
    assert [one.where for one in alone.faults] == [("SW2",), ("SW6",)]  # nobody has looked at the lines
    dump = Dump(tmp_path / "run.dump")
    for stages in (("lines", "typing"), ("lines", "positions", "typing")):
        result = run("bridge GPIO2 GPIO3", "drops SW2", stages=stages, dump=dump)
        assert [fault.title for fault in result.faults] == ["bridge GPIO2 GPIO3"]
        assert {one.verdict for one in result.positions if one.switch in ("SW2", "SW6")} == {
            PositionVerdict.UNTESTED
        }
    dump.close()
    with (tmp_path / "run.dump").open("rb") as file:
        read = verdicts_of(file, KEYBOARD, fingerprints(KEYBOARD).wiring)
    assert [fault.title for fault in read.faults] == ["bridge GPIO2 GPIO3"]


def test_bounces_that_the_debounce_swallows_are_no_fault() -> None:
    assert run("bounces SW7 6ms").verdict is Verdict.PASS


def test_the_image_is_changed_after_the_stages_that_measure() -> None:
    result = run(stages=("lines", "positions", "bounce", "typing"))
    assert (result.board.image, result.resolution_us) == ("bench", 5)  # who measured, and how finely
    verdicts = {stage.name: stage.verdict for stage in result.stages}
    assert verdicts["positions"] is verdicts["typing"] is Verdict.PASS
    assert result.proven == 13


def test_a_dump_reads_the_same_after_the_image_was_changed(tmp_path: Path) -> None:
    dump = Dump(tmp_path / "run.dump")
    measured = run("open SW7", stages=("lines", "positions", "typing"), dump=dump)
    dump.close()
    with (tmp_path / "run.dump").open("rb") as file:
        read = verdicts_of(file, KEYBOARD, fingerprints(KEYBOARD).wiring)
    assert read.trouble is None
    assert read.board.image == "bench"
    assert [one.verdict for one in read.positions] == [one.verdict for one in measured.positions]


def test_neither_record_nor_dump_says_what_was_typed(tmp_path: Path) -> None:
    """The order of the keys can't be had from either: not one line of a key that moved is in them."""
    path = tmp_path / "run.jsonl"
    record = Record(path, tool="test", keyboard=KEYBOARD.title, when="", after="")
    dump = Dump(tmp_path / "run.dump")
    run(record=record, dump=dump)
    record.close()
    dump.close()
    kept = dump_text = (tmp_path / "run.dump").read_text("utf-8")
    assert "hello 1 trial" in dump_text
    assert not any(word in kept for word in TYPED)
    events = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    for event in events:
        jsonschema.validate(event, PUBLISHED)
    assert "typed" not in {event["event"] for event in events}
    result = events[-1]["result"]["typing"]
    assert sorted(one["switch"] for one in result["switches"]) == sorted(
        switch.name for switch in KEYBOARD.wiring.switches
    )
