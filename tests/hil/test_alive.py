"""A board that doesn't answer: what the computer sees of it, and what that says."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

import hil
from hil.cli import main
from hil.computer import Computer, _broken_on_linux
from hil.conversation import Settings
from hil.dialogues.alive import looked_for
from hil.events import Event
from hil.result import Verdict
from hil.session import STAGES, result_without_board
from hil.stages.alive import Sight, findings
from hil.views.report import text_of
from keyc.diagnostics import UserError
from keyc.pins import package_pins
from tests.hil.boards import keyboard_of
from tests.hil.wirings import small

KEYBOARD = keyboard_of(small())
SCHEMA = json.loads((Path(hil.__file__).parent / "record.schema.json").read_text("utf-8"))
RESULT = {"$ref": "#/$defs/result", "$defs": SCHEMA["$defs"]}


class Bench:
    """A computer whose board goes through these moments, one for each time it is looked at.

    A moment is a set of words: `answers`, `drive`, `silent`.
    """

    def __init__(self, *moments: str, after_load: str = "answers", broken: bool | None = False) -> None:
        self._moments = [*moments]
        self._after_load = after_load
        self._broken = broken
        self._now_s = 0.0
        self.loaded: list[str] = []

    @property
    def _moment(self) -> str:
        return self._after_load if self.loaded else self._moments[0]

    def answering(self) -> list[str]:
        return ["/dev/board"] * self._moment.split().count("answers")

    def troubles(self) -> list[str]:
        return ["/dev/board: nothing answers"] if "silent" in self._moment else []

    def waiting_drives(self) -> list[str]:
        return [f"/media/{n}" for n in range(self._moment.split().count("drive"))]

    def load(self, drive: str) -> None:
        self.loaded.append(drive)
        if "answers" not in self._after_load:
            raise UserError("it doesn't come back", exit_status=1)

    def broken(self) -> bool | None:
        return self._broken

    def now_s(self) -> float:
        return self._now_s

    def sleep(self, seconds: float) -> None:
        self._now_s += seconds
        if len(self._moments) > 1:
            self._moments.pop(0)


@pytest.mark.parametrize(
    ("bench", "sight", "verdict"),
    [
        (Bench("answers"), Sight.ANSWERS, Verdict.PASS),
        (Bench("", "", "answers"), Sight.ANSWERS, Verdict.PASS),
        (Bench("", "drive"), Sight.ANSWERS, Verdict.PASS),
        (Bench("drive", after_load="drive"), Sight.DRIVE_AGAIN, Verdict.FAIL),
        (Bench("drive", after_load=""), Sight.LEFT, Verdict.FAIL),
        (Bench("silent"), Sight.SILENT, Verdict.INCOMPLETE),
        (Bench("", broken=True), Sight.BROKEN, Verdict.FAIL),
        (Bench(""), Sight.NOTHING, Verdict.FAIL),
        (Bench("", broken=None), Sight.NOTHING, Verdict.FAIL),
    ],
)
def test_what_is_seen_of_a_board(bench: Bench, sight: Sight, verdict: Verdict) -> None:
    told: list[Event] = []
    found = looked_for(bench, told.append, wait_s=5)
    assert (found.sight, found.verdict) == (sight, verdict)
    # Only the board can have a fault; and a chip that is waiting got its image without anybody's hand.
    assert (found.fault is not None) == (verdict is Verdict.FAIL)
    assert bench.loaded == (["/media/0"] if any("copying" in event.text for event in told) else [])


def test_what_this_computer_cannot_see_is_said() -> None:
    assert looked_for(Bench("", broken=None), print, wait_s=0).not_tested
    assert not looked_for(Bench("", broken=False), print, wait_s=0).not_tested


@pytest.mark.parametrize("moment", ["answers answers", "drive drive"])
def test_two_boards_are_one_too_many(moment: str) -> None:
    with pytest.raises(UserError) as refused:
        looked_for(Bench(moment), print, wait_s=0)
    assert refused.value.exit_status == 2


def test_an_image_that_cannot_be_built_is_no_fault_of_the_board() -> None:
    class NoCompiler(Bench):
        def load(self, drive: str) -> None:
            raise UserError("no compiler", "install one", exit_status=3)

    with pytest.raises(UserError, match="no compiler"):
        looked_for(NoCompiler("drive"), print, wait_s=0)


@pytest.mark.parametrize("sight", [sight for sight in Sight if sight not in (Sight.ANSWERS, Sight.OPENS)])
def test_the_result_says_where_to_look(sight: Sight) -> None:
    result = result_without_board(KEYBOARD, findings(sight), Settings())
    jsonschema.validate(json.loads(json.dumps(result.as_json("hil"))), RESULT)
    assert [stage.name for stage in result.stages] == list(STAGES)
    assert {stage.verdict for stage in result.stages[1:]} == {Verdict.SKIPPED}
    text = text_of(result)
    assert sight.value.split(":")[0][:60] in " ".join(text.split())
    for fault in result.faults:
        assert all(cause.look_at and cause.meter for cause in fault.causes)


def test_the_flash_chip_is_not_blamed_for_an_image_in_ram() -> None:
    fault = findings(Sight.DRIVE_AGAIN).fault
    assert fault is not None
    assert not any("51 to 56" in cause.look_at for cause in fault.causes)


def test_the_pins_to_measure_are_those_of_the_package() -> None:
    """Against the pin table, whose authority is the RP2040 datasheet."""
    fault = findings(Sight.NOTHING).fault
    assert fault is not None
    said = " ".join(cause.look_at + cause.meter for cause in fault.causes)
    names: dict[str, list[int]] = {}
    for pin in package_pins().values():
        names.setdefault(pin.name, []).append(pin.number)
    assert ", ".join(map(str, names["IOVDD"])) + " (IOVDD)" in said
    assert " and ".join(map(str, names["DVDD"])) + " (DVDD)" in said
    for name in ("RUN", "TESTEN", "XIN", "XOUT", "USB_DM", "USB_DP", "USB_VDD", "ADC_AVDD", "VREG_VOUT"):
        assert f"{names[name][0]} ({name})" in said


# Lines as the Linux kernel writes them (drivers/usb/core/hub.c), from memory.
KERNEL = """\
6,1201,5000000,-;usb 1-2: new full-speed USB device number 7 using xhci_hcd
3,1202,5200000,-;usb 1-2: device descriptor read/64, error -71
6,1203,5300000,-;usb 1-2: new full-speed USB device number 8 using xhci_hcd
"""


@pytest.mark.parametrize(("uptime_s", "expected"), [(6.0, True), (600.0, False)])
def test_a_device_whose_descriptor_fails_stands_in_the_kernels_log(
    tmp_path: Path, uptime_s: float, expected: bool
) -> None:
    log = tmp_path / "kmsg"
    log.write_text(KERNEL)
    assert _broken_on_linux(lambda: uptime_s, str(log)) is expected
    log.write_text("".join(line for line in KERNEL.splitlines(keepends=True) if "error" not in line))
    assert _broken_on_linux(lambda: uptime_s, str(log)) is False


def test_a_log_that_may_not_be_read_says_nothing(tmp_path: Path) -> None:
    assert _broken_on_linux(lambda: 0.0, str(tmp_path / "none")) is None


def test_a_board_that_comes_back_as_a_drive_gets_its_image_again(monkeypatch: pytest.MonkeyPatch) -> None:
    computer = Computer(lambda: b"")
    loaded: list[str] = []
    monkeypatch.setattr(computer, "waiting_drives", lambda: ["/media/x"])
    monkeypatch.setattr(computer, "load", loaded.append)
    computer.load_if_waiting()
    assert loaded == ["/media/x"]


def test_ctrl_c_while_it_looks_for_a_board_leaves_a_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("hil.dialogues.alive.looked_for", stopped)
    file, record = tmp_path / "small.keys", tmp_path / "small.bench.jsonl"
    file.write_text(
        'keyboard "Small" { usb 0x1209:0x0001 }\n'
        "wiring {\n diodes none\n columns GPIO3\n row GPIO2 SW1\n}\nshape { SW1 }\nlayer base { A }\n"
    )
    assert main(["bench", str(file), "--stages", "alive"]) == 130
    assert "stopped before a board answered" in capsys.readouterr().out
    result = json.loads(record.read_text().splitlines()[-1])["result"]
    assert result["verdict"] == "aborted"
    jsonschema.validate(result, RESULT)
