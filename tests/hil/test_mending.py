"""Fault after fault is mended, in one run of the command: what is asked again, and what still stands."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from hil.cli import main
from hil.history import runs_in
from hil.virtual import Finger, board_of
from keyc.compile import check_text, read_source
from keyc.diagnostics import UserError

FILE = """\
keyboard "Mending" { usb 0x1209:0x0001 }
wiring {
    diodes cathode-to-row
    columns    GPIO6 GPIO7 GPIO8
    row GPIO2  SW1   SW2   SW3
    row GPIO3  SW4   SW5   SW6
    row GPIO4  SW7   SW8   SW9
}
shape {
    SW1 SW2 SW3
    SW4 SW5 SW6
    SW7 SW8 SW9
}
layer base {
    A B C
    D E F
    G H I
}
"""
FAULTS = ["bridge GPIO2 GPIO3", "open SW9", "reversed SW8"]


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "mending.keys"
    path.write_text(FILE)
    return str(path)


def bench(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any], str]:
    status = main(["bench", *arguments, "--virtual", "--format", "json"])
    out, err = capsys.readouterr()
    return status, json.loads(out), err


def faults(*texts: str) -> list[str]:
    return [word for text in texts for word in ("--fault", text)]


def test_one_fault_after_the_other_until_all_is_proven(
    file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "r.jsonl"
    status, result, said = bench(capsys, file, *faults(*FAULTS), "--mend", "--record", str(record))
    assert (status, result["verdict"], result["faults"]) == (0, "pass", [])
    asked = re.findall(r"mend first: (.*?)\.", said)
    assert asked == FAULTS  # supply shorts, bridges, opens, then diodes
    runs = runs_in(record)
    assert [len(run.faults) for run in runs] == [3, 2, 1, 0]
    # What no iron came near was asked once.
    prompts = re.findall(r"\] press (.*?):", said)
    assert prompts.count("SW7") == 1
    assert prompts.count("SW1") == 1  # the bridge had hidden it
    assert prompts[-1] == "SW8"


def test_pairs_held_before_a_mend_still_count_after_it(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Three rows of three switches have six pairs side by side; two of them concern SW5."""
    status, result, said = bench(capsys, file, *faults("reversed SW5"), "--mend")
    assert (status, result["faults"]) == (0, [])
    assert result["together"]["pairs"] == {"cleared": 6, "of": 6}
    held = re.findall(r"hold down (.*?) together", said)
    assert held == ["SW1, SW2 and SW3", "SW7, SW8 and SW9", "SW4, SW5 and SW6"]


def test_what_is_not_mended_still_stands(
    file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The virtual hand mends what it planted, word for word; so it leaves what the bench calls otherwise."""
    record = tmp_path / "r.jsonl"
    planted = faults("open SW9", "bounces SW5 60ms")
    status, result, _ = bench(capsys, file, *planted, "--mend", "--record", str(record))
    last = runs_in(record)[-1]
    assert status == 1
    assert last.faults == ("bounces SW5",)
    assert last.verdicts == {f"SW{n}": "chattering" if n == 5 else "proven" for n in range(1, 10)}
    assert [fault["kind"] for fault in result["faults"]] == ["bounces"]


DIAL = FILE.replace("row GPIO4 ", "dial GPIO20 GPIO21 DIAL1\n    row GPIO4 ")


def test_a_dial_that_was_turned_before_a_mend_is_not_forgotten(
    file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path(file).write_text(DIAL)
    status, result, said = bench(capsys, file, *faults("open SW9"), "--mend")
    assert (status, result["faults"]) == (0, [])
    assert said.count("turn DIAL1 clockwise") == 1
    assert [(one["dial"], one["verdict"]) for one in result["dials"]] == [("DIAL1", "proven")]


def test_after_a_mend_no_hand_is_needed_on_the_computer_either(
    file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One switch alone is asked for, so what is offered instead is one that was proven before the mend."""
    events = tmp_path / "events.jsonl"
    with events.open("w") as told:
        status, *_ = bench(
            capsys, file, *faults("open SW9"), "--mend", "--events", str(os.dup(told.fileno()))
        )
    assert status == 0
    prompts = [json.loads(line) for line in events.read_text().splitlines()]
    asked = [
        one for one in prompts if one["event"] == "prompt" and one.get("switch") == "SW9" and "instead" in one
    ]
    assert asked[-1]["instead"] in {f"SW{n}" for n in range(1, 9)}
    assert asked[-1]["again"] is False  # of the run after the mend


def test_what_no_iron_touched_is_not_asked_for(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    Path(file).write_text(DIAL)
    _, result, said = bench(capsys, file, "--touched", "SW9")
    assert re.findall(r"\] press (.*?):", said) == ["SW9"]
    assert "turn DIAL1" not in said
    assert {tuple(one["blocked_by"]) for one in result["positions"] if one["switch"] != "SW9"} == {
        ("not asked for, since no mend has touched it",)
    }
    assert any("--stages extras" in text for stage in result["stages"] for text in stage["not_tested"])
    _, _, said = bench(capsys, file, "--touched", "SW9", "--stages", "positions,extras")
    assert "turn DIAL1" in said


def test_without_the_option_a_run_ends_with_its_faults(file: str, capsys: pytest.CaptureFixture[str]) -> None:
    status, result, said = bench(capsys, file, *faults("open SW9"))
    assert (status, result["verdict"]) == (1, "fail")
    assert "mend first:" not in said


def test_a_fault_that_is_not_there_can_not_be_mended(file: str) -> None:
    keyboard, _ = check_text(read_source(file))
    assert keyboard is not None
    finger = Finger(board_of(keyboard))
    with pytest.raises(UserError, match="no such fault"):
        finger.obey("mend open SW9")
