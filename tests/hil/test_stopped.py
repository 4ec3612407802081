"""Ctrl-C, and a cable that stays out, in every stage: a true record, the right exit status, no traceback."""

from __future__ import annotations

import json
import os
import pwd
import subprocess
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import hil
from hil.cli import main
from hil.events import Event
from hil.hands import FingerHand
from hil.views.terminal import PlainView
from hil.virtual import Finger

STAGES = ("hello", "lines", "positions", "together", "bounce", "flex", "typing", "extras")
SCHEMA = json.loads((Path(hil.__file__).parent / "record.schema.json").read_text("utf-8"))
FILE = """\
keyboard "Four" { usb 0x1209:0x0001 }
wiring {
    diodes cathode-to-row
    columns    GPIO6 GPIO7
    row GPIO2  SW1   SW2
    row GPIO3  SW3   SW4
    light GPIO25 CapsLock lit-low
    light GPIO24 NumLock
    dial GPIO20 GPIO21 DIAL1
}
shape {
    SW1 SW2
    SW3 SW4
}
layer base {
    A B
    C D
}
dial DIAL1 on base { clockwise = E counter-clockwise = F }
"""


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "four.keys"
    path.write_text(FILE)
    return str(path)


def bench(file: str, stage: str, record: Path) -> int:
    return main(["bench", file, "--virtual", "--stages", stage, "--record", str(record)])


def last_of(record: Path) -> dict[str, object]:
    """The result at the record's end; every line of it is as published."""
    lines = [json.loads(line) for line in record.read_text("utf-8").splitlines()]
    for line in lines:
        jsonschema.validate(line, SCHEMA)
    result: dict[str, object] = lines[-1]["result"]
    return result


def ends_of(result: dict[str, object]) -> dict[str, str]:
    return {one["name"]: one["verdict"] for one in result["stages"]}  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("stage", "after"),
    [(stage, after) for stage in STAGES for after in (0, 2) if (stage, after) != ("hello", 2)],
)
def test_ctrl_c(
    stage: str,
    after: int,
    file: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """At the moment when the stage begins, and in the middle of it."""
    show, told = PlainView.show, [0]

    def stopped(self: PlainView, event: Event) -> None:
        show(self, event)
        if event.stage == stage or told[0]:
            told[0] += 1
            if told[0] == after + 1:
                raise KeyboardInterrupt

    monkeypatch.setattr(PlainView, "show", stopped)
    record = tmp_path / "r.jsonl"
    status = bench(file, stage, record)
    out, err = capsys.readouterr()
    result = last_of(record)
    assert "Traceback" not in out + err
    if told[0] <= after:  # it was over sooner
        assert status in (0, 4)
        return
    assert status == 130
    assert result["verdict"] == "aborted"
    assert "aborted" in ends_of(result).values()
    assert result["faults"] == []


@pytest.mark.parametrize("stage", STAGES)
def test_a_cable_that_stays_out(
    stage: str,
    file: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    show = PlainView.show
    fingers: list[Finger] = []
    begin = FingerHand.__init__

    def begun(self: FingerHand, finger: Finger, *rest: Any) -> None:
        fingers.append(finger)
        begin(self, finger, *rest)

    monkeypatch.setattr(FingerHand, "__init__", begun)

    def pulled(self: PlainView, event: Event) -> None:
        show(self, event)
        if event.kind == "stage" and event.stage == stage:
            fingers[0].board.unplug()

    monkeypatch.setattr(PlainView, "show", pulled)
    monkeypatch.setattr(FingerHand, "gone", lambda self: None)
    monkeypatch.setattr(FingerHand, "load", lambda self, image: None)
    record = tmp_path / "r.jsonl"
    status = bench(file, stage, record)
    out, err = capsys.readouterr()
    result = last_of(record)
    assert "Traceback" not in out + err
    assert (status, result["verdict"]) == (3, "error")
    assert ends_of(result)[stage] == "error"
    assert "went away" in str(result["trouble"]) or "did not come back" in str(result["trouble"])
    assert result["faults"] == [], "the rig's trouble is no fault of the board"


def test_without_permission_it_says_how_to_get_it(file: str, tmp_path: Path) -> None:
    """A port that is root's alone, tried by somebody who isn't."""
    if os.name != "posix" or os.geteuid() != 0:
        pytest.skip("only root can become somebody without permission")
    try:
        nobody = pwd.getpwnam("nobody")
    except KeyError:
        pytest.skip("this system has nobody called nobody")
    ours, theirs = os.openpty()
    try:
        port = os.ttyname(theirs)
        os.chmod(port, 0o600)
        probe = (
            "import grp, os, sys, serial, serial.tools.list_ports\n"
            "from hil.transport import SerialTransport\n"
            "from keyc.diagnostics import UserError\n"
            f"os.setgid({nobody.pw_gid})\nos.setuid({nobody.pw_uid})\n"
            "try:\n    SerialTransport(sys.argv[1])\n"
            "except UserError as error:\n"
            "    print(error.message, error.help, sep='\\n')\n    sys.exit(error.exit_status)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", probe, port], capture_output=True, text=True, check=False, timeout=60
        )
    finally:
        os.close(ours)
        os.close(theirs)
    assert done.returncode == 3, done.stderr
    assert f"no permission to open {port}" in done.stdout
    assert "administrator" in done.stdout  # mode 600: to be in its group would not help
    assert "Traceback" not in done.stderr
