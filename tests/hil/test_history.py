"""Earlier runs of a record: what is left to do, what has changed, what a mend touched."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from hil.events import Event
from hil.history import Run, changes, compared_text, last_of_board, regressions, runs_in, touched_switches
from hil.record import Record
from hil.result import Result
from keyc.diagnostics import UserError
from tests.hil.boards import Desk
from tests.hil.wirings import small


def write(path: Path, result: Result | None, after: str, when: str) -> None:
    record = Record(path, tool="hil test", keyboard="Test bench", when=when, after=after)
    if result is not None:
        record.result(result)
    record.close()


def result_with(*faults: str) -> Result:
    return Desk(small(), faults).follow().result()


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / "board.bench.jsonl"
    write(path, result_with("reversed SW3"), "bare", "2026-01-01T10:00:00+00:00")
    write(path, result_with("open SW7"), "plate", "2026-01-01T11:00:00+00:00")
    return path


def test_the_last_run_in_words(record: Path) -> None:
    runs = runs_in(record)
    assert [run.after for run in runs] == ["bare", "plate"]
    last = last_of_board(runs, None, "Test bench")
    assert last is not None
    assert last.in_words() == "last: after plate, SW7 silent"
    some = {"SW1": "untested", "SW2": "proven", "SW5": "open"} | {f"SW{n}": "untested" for n in (6, 7, 8)}
    assert Run("", "", "").in_words() == "last: every switch proven"
    assert Run("", "", "case", verdicts=some).in_words() == (
        "last: after case, SW1, SW6 to SW8 not tested; SW5 silent"
    )
    assert last_of_board(runs, "00112233", "Test bench") is None
    # A run that was stopped before the first press has nothing to tell.
    nothing = Run("Test bench", "", "case", verdicts={"SW1": "untested", "SW2": "untested"}, ended=True)
    assert last_of_board([*runs, nothing], None, "Test bench") is last
    assert last_of_board(runs, None, "Another one") is None


def test_a_run_that_was_killed_tells_what_it_never_came_to(tmp_path: Path) -> None:
    path = tmp_path / "board.bench.jsonl"
    record = Record(path, tool="hil test", keyboard="Test bench", when="", after="bare")
    for name, verdict in (("SW1", "proven"), ("SW3", "answers")):
        record.event(Event("verdict", "", switch=name, verdict=verdict))
    record.close()
    (run,) = runs_in(path)
    assert run.of(f"SW{n}" for n in range(1, 7)).in_words() == (
        "last: after bare, SW2, SW4 to SW6 not tested; SW3 answers"
    )


def test_what_changed_between_two_runs(record: Path) -> None:
    old, new = runs_in(record)
    told = {(one.what, one.before, one.now, one.worse) for one in changes(old, new)}
    assert told == {
        ("SW3", "reversed", "proven", False),
        ("SW7", "proven", "open", True),
        ("reversed SW3", "there", "gone", False),
        ("open SW7", "not there", "found", True),
    }
    assert "✗ SW7: proven → silent" in compared_text(old, new)
    assert changes(new, new) == ()
    assert compared_text(new, new).endswith("nothing changed")


def test_runs_without_a_step_are_called_by_their_times(tmp_path: Path) -> None:
    path = tmp_path / "board.bench.jsonl"
    write(path, result_with(), "", "2026-01-01T10:00:00+00:00")
    write(path, result_with("open SW7"), "", "2026-01-01T11:00:00+00:00")
    old, new = runs_in(path)
    assert compared_text(old, new).splitlines()[0] == f"{old.when} → {new.when}"
    assert new.in_words() == "last: SW7 silent"
    assert regressions([old], new) == ("SW7: proven in an earlier run, silent now",)


def test_what_was_not_looked_for_is_not_gone(tmp_path: Path) -> None:
    """A run that never pressed a switch tells nothing of its fault; without `bounce`, of bouncing."""
    path = tmp_path / "board.bench.jsonl"
    write(path, result_with("open SW7", "open GPIO3"), "bare", "2026-01-01T10:00:00+00:00")
    write(path, Desk(small(), ["open SW7", "open GPIO3"]).result(), "bare", "2026-01-01T11:00:00+00:00")
    old, new = runs_in(path)
    assert old.faults
    changed = changes(old, new)
    assert {one.now for one in changed if one.what in old.faults} == {"not looked for"}
    assert "gone" not in compared_text(old, new)
    bouncing = replace(old, faults=("bounces SW1",), verdicts={"SW1": "proven"})
    still = replace(new, faults=(), verdicts={"SW1": "proven"})
    assert [one.now for one in changes(bouncing, still) if one.what == "bounces SW1"] == ["not looked for"]
    timed = replace(still, stages=frozenset({"bounce"}))
    assert [one.now for one in changes(bouncing, timed) if one.what == "bounces SW1"] == ["gone"]


def test_a_line_that_rises_unlike_before_is_a_hint(record: Path) -> None:
    bare, _ = runs_in(record)
    now = replace(bare, after="case", rise_us=dict.fromkeys(bare.rise_us, 2) | {"GPIO3": 40})
    told = regressions([replace(bare, rise_us=dict.fromkeys(bare.rise_us, 2))], now)
    assert [text for text in told if "rises" in text] == [
        "GPIO3 rises in 40 µs after case, after bare in 2 µs. A hint, no verdict"
    ]


def test_what_a_step_of_assembly_broke(record: Path) -> None:
    bare, plate = runs_in(record)
    assert regressions([bare], plate) == ("SW7: proven after bare, silent after plate",)
    assert regressions([plate], bare) == ("SW3: proven after plate, reversed after bare",)


@pytest.mark.parametrize("lost", [1, 40, 2000])
def test_a_pulled_plug_costs_the_last_line_and_no_more(record: Path, lost: int) -> None:
    whole = record.read_bytes()
    record.write_bytes(whole[:-lost])
    runs = runs_in(record)
    assert [run.after for run in runs] == ["bare", "plate"]
    assert runs[0].ended
    write(record, result_with(), "case", "2026-01-01T12:00:00+00:00")
    after = runs_in(record)
    assert [run.after for run in after] == ["bare", "plate", "case"]
    assert set(after[2].verdicts.values()) == {"proven"}


def test_what_is_no_record_is_said_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    began = json.dumps({"event": "began", "keyboard": "K"})
    path.write_text(f'{began}\nnonsense\n{{"event": "line"}}\n{began}\n')
    with pytest.raises(UserError, match="line 2"):
        runs_in(path)
    with pytest.raises(UserError, match="can't be read"):
        runs_in(tmp_path / "missing")
    path.write_text(f'{began}\n{{"event": "result", "result": {{"board": 3}}}}\n')
    with pytest.raises(UserError, match="another shape"):
        runs_in(path)


def test_what_a_mend_touched() -> None:
    wiring = small()
    assert touched_switches("SW7", wiring) == {"SW7"}
    assert touched_switches("D7, GPIO6", wiring) == {"SW7", "SW1", "SW5", "SW9"}
    for words, said in (("SW99", "SW99"), ("", "names nothing"), ("GPIO29", "names nothing")):
        with pytest.raises(UserError, match=said):
            touched_switches(words, wiring)
