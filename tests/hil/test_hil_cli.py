"""The `hil` command, as a person and as a script use it."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from hil.cli import main
from hil.events import Event
from hil.record import Record
from keyc.compile import check_text, read_source
from keyc.fingerprints import fingerprints

VIRTUAL_FLASH = "5649525455414C00"  # "VIRTUAL" in ASCII, and the seed

FILE = """keyboard "Nine" {
    usb 0x1209:0x0001  maker "Nobody"
}
wiring {
    diodes cathode-to-row
    columns    GPIO6  GPIO7  GPIO8
    row GPIO2  SW1    SW2    SW3
    row GPIO3  SW4    SW5    SW6
    row GPIO4  SW7    SW8    --
    direct GPIO10 SW9
}
shape {
    SW1 SW2 SW3
    SW4 SW5 SW6
    SW7 SW8 SW9
}
layer base {
    A B C
    D E F
    G H usb-boot
}
"""


@pytest.fixture
def file(tmp_path: Path) -> str:
    path = tmp_path / "nine.keys"
    path.write_text(FILE)
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    try:
        status = main(arguments)
    except SystemExit as end:  # argparse
        status = int(end.code or 0)
    told = capsys.readouterr()
    return status, told.out, told.err


def test_a_good_board(capsys: pytest.CaptureFixture[str], file: str) -> None:
    status, out, err = run(capsys, "bench", file, "--virtual")
    assert status == 0
    assert out.startswith("Nine: pass, 9 of 9 switches proven\n")
    assert "press SW1: row 1, 1st from the left (GPIO2, GPIO6)" in err
    assert "proves nothing about a real one" in out


def test_a_board_with_faults(capsys: pytest.CaptureFixture[str], file: str) -> None:
    faults = ["--fault", "reversed SW1", "--fault", "open SW2", "--fault", "bridge GPIO3 GPIO4"]
    status, out, _ = run(capsys, "bench", file, "--virtual", *faults)
    assert status == 1
    titles = [line for line in out.splitlines() if line[:2] in ("1.", "2.", "3.")]
    assert titles == ["1. bridge GPIO3 GPIO4", "2. open SW2", "3. reversed SW1"]


def test_json_is_one_value_on_stdout(capsys: pytest.CaptureFixture[str], file: str) -> None:
    status, out, _ = run(
        capsys, "bench", file, "--virtual", "--format", "json", "--after", "plate", "--with", "tweezers"
    )
    value = json.loads(out)
    assert status == 0
    assert (value["schema"], value["verdict"], value["after"], value["with"]) == (
        1,
        "pass",
        "plate",
        "tweezers",
    )
    assert value["when"]


def test_everything_that_is_written(capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path) -> None:
    record, report, junit = (str(tmp_path / name) for name in ("r.jsonl", "r.html", "r.xml"))
    arguments = ["--record", record, "--report", report, "--junit", junit, "--side", "back"]
    status, out, _ = run(capsys, "bench", file, "--virtual", "--fault", "shorted SW5", *arguments)
    assert status == 1
    assert f"report: {report}" in out
    assert "solder side" in Path(report).read_text("utf-8")
    assert ElementTree.parse(junit).find("testsuite/testcase/failure") is not None
    last = json.loads(Path(record).read_text("utf-8").splitlines()[-1])
    assert [one["id"] for one in last["result"]["faults"]] == ["shorted-SW5"]
    # The dump beside the record gives the same verdicts.
    status, out, _ = run(capsys, "read", str(tmp_path / "r.dump"), file, "--format", "json")
    assert status == 1
    read = json.loads(out)
    assert read["positions"] == last["result"]["positions"]
    assert read["faults"] == last["result"]["faults"]


def test_a_virtual_run_leaves_no_record_unasked(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    run(capsys, "bench", file, "--virtual")
    assert os.listdir(tmp_path) == ["nine.keys"]


def test_seeds_decide_what_electricity_leaves_open(capsys: pytest.CaptureFixture[str], file: str) -> None:
    for seed in ("0", "1", "9"):
        status, out, _ = run(capsys, "bench", file, "--virtual", "--fault", "low GPIO7", "--seed", seed)
        assert status == 1
        assert "1. low GPIO7" in out


def test_stages_can_be_chosen(capsys: pytest.CaptureFixture[str], file: str) -> None:
    status, out, _ = run(capsys, "bench", file, "--virtual", "--stages", "hello,lines", "--format", "json")
    assert status == 0
    stages = {one["name"]: one["verdict"] for one in json.loads(out)["stages"]}
    assert [name for name, verdict in stages.items() if verdict != "skipped"] == ["alive", "hello", "lines"]
    assert set(stages.values()) == {"pass", "skipped"}


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (["--virtual", "--fault", "melted SW1"], 2, "isn't a fault that can be planted"),
        (["--virtual", "--fault", "open SW77"], 2, "no switch SW77"),
        (["--virtual", "--stages", "hello,melting"], 2, "there is no stage melting"),
        (["--virtual", "--stages", ","], 2, "no stage is named"),
        (["--virtual", "--port", "/dev/ttyACM0"], 2, "has no port"),
        (["--fault", "open SW1"], 2, "add --virtual"),
        (["--port", "/dev/no-such-port"], 3, "there is no port /dev/no-such-port"),
        (["--virtual", "--record", "/no-such-folder/r.jsonl"], 3, "can't be written"),
        (["--virtual", "--report", "/no-such-folder/r.html"], 3, "there is no folder /no-such-folder"),
        (["--virtual", "--junit", "/no-such-folder/r.xml"], 3, "there is no folder /no-such-folder"),
        (["--virtual", "--report", "/"], 3, "it is a folder"),
        (["--virtual", "--events", "77"], 2, "descriptor 77"),
        (["--virtual", "--with", "hammer"], 2, "invalid choice"),
    ],
)
def test_what_is_asked_for_wrongly_is_said_in_words(
    capsys: pytest.CaptureFixture[str], file: str, arguments: list[str], status: int, said: str
) -> None:
    got, _, err = run(capsys, "bench", file, *arguments)
    assert got == status
    assert said in " ".join(err.split())
    assert "Traceback" not in err
    assert "press SW" not in err  # said before anybody has pressed anything


def test_a_file_with_mistakes_or_none_at_all(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    bad = tmp_path / "bad.keys"
    bad.write_text(FILE.replace("SW5    SW6\n    row GPIO4", "SW5    SW5\n    row GPIO4"))
    status, _, err = run(capsys, "bench", str(bad), "--virtual")
    assert status == 1
    assert "has mistakes" in err
    status, _, err = run(capsys, "bench", str(tmp_path / "none.keys"), "--virtual")
    assert status == 2
    assert "there is no file" in err


def test_a_dump_that_is_not_there_or_says_nothing(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    status, _, err = run(capsys, "read", str(tmp_path / "none.dump"), file)
    assert status == 2
    assert "can't be read" in " ".join(err.split())
    empty = tmp_path / "empty.dump"
    empty.write_bytes(b"")
    status, out, _ = run(capsys, "read", str(empty), file)
    assert status == 1
    assert "there is no line of the wire in this dump" in out


def test_a_dump_that_proves_not_everything(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    plain = tmp_path / "plain.dump"
    plain.write_text("change 2 40 1000\nchange 2 0 9000\nfinished change\n")
    status, out, _ = run(capsys, "read", str(plain), file)
    assert status == 4
    assert out.startswith("Nine: incomplete, 0 of 9 switches proven")
    assert "ghosting: not tested" in out


def test_ports(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, "ports")
    assert status == 0
    assert out
    status, out, _ = run(capsys, "ports", "--format", "json")
    value = json.loads(out)
    assert (value["schema"], list(value)[2:]) == (1, ["ports", "drives"])


def test_drives_are_found_by_their_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from hil import ports

    (tmp_path / "INFO_UF2.TXT").write_text(
        "UF2 Bootloader v3.0\r\nModel: Raspberry Pi RP2\r\nBoard-ID: RPI-RP2\r\n"
    )
    monkeypatch.setattr(ports, "_mounts", lambda: iter([tmp_path, tmp_path / "none"]))
    assert ports.drives_found() == [ports.Drive(str(tmp_path), "RPI-RP2")]


def hil(*arguments: str, **keywords: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "hil.cli", *arguments], capture_output=True, text=True, check=False, **keywords
    )


def test_events_go_to_their_own_descriptor(file: str) -> None:
    reading, writing = os.pipe()
    done = hil("bench", file, "--virtual", "--events", str(writing), pass_fds=(writing,))
    os.close(writing)
    with os.fdopen(reading) as stream:
        events = [json.loads(line) for line in stream]
    assert done.returncode == 0
    assert {"prompt", "press", "verdict", "stage", "ended"} <= {event["event"] for event in events}
    prompts = [event for event in events if event["event"] == "prompt"]
    alone = [event["switch"] for event in prompts if "together" not in event]
    assert alone == [f"SW{n}" for n in range(1, 10)]
    verdicts = {event["switch"]: event["verdict"] for event in events if event["event"] == "verdict"}
    assert set(verdicts.values()) == {"proven"}


def test_version_and_help_cost_next_to_nothing() -> None:
    """Nothing heavy is imported for a light command."""
    code = (
        "import sys; from hil.cli import main; main(['--version']); "
        "print([m for m in ('lark', 'jinja2', 'serial', 'ctypes', 'json', 'argparse') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[1] == "[]"
    assert hil().returncode == 2


def test_a_bench_over_a_socket_with_a_robot_finger(file: str) -> None:
    """The bench as a real client in real time: its events drive the finger of `hil virtual`."""
    board = subprocess.Popen(
        [sys.executable, "-m", "hil.cli", "virtual", file, "--socket", "0", "--fault", "reversed SW4"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert board.stdin is not None
    assert board.stdout is not None
    reading, writing = os.pipe()
    try:
        port = board.stdout.readline().strip()
        assert port.startswith("socket://127.0.0.1:")
        bench = subprocess.Popen(
            [sys.executable, "-m", "hil.cli", "bench", file, "--port", port, "--events", str(writing)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            pass_fds=(writing,),
        )
        os.close(writing)
        with os.fdopen(reading) as events:
            for line in events:
                event = json.loads(line)
                if event["event"] == "prompt":
                    down = "".join(f"down {name}\n" for name in event.get("together", [event["switch"]]))
                    board.stdin.write(f"wait 40ms\n{down}wait 60ms\nup\n")
                    board.stdin.flush()
        out, err = bench.communicate(timeout=60)
        assert bench.returncode == 1, err
        assert "1. reversed SW4" in out
        assert "8 of 9 switches proven" in out
        record = Path(file).with_name("nine.bench.jsonl")
        assert json.loads(record.read_text("utf-8").splitlines()[-1])["result"]["verdict"] == "fail"
        assert record.with_suffix(".dump").exists()
    finally:
        board.terminate()
        board.wait(timeout=10)


def test_a_run_takes_up_where_the_last_one_ended(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    record = str(tmp_path / "nine.bench.jsonl")
    bench = ("bench", file, "--virtual", "--record", record)
    assert run(capsys, *bench, "--after", "bare")[0] == 0
    status, _, err = run(capsys, *bench, "--after", "plate", "--fault", "open SW7")
    assert status == 1
    assert "last: after bare, every switch proven" in err
    status, out, err = run(capsys, *bench, "--after", "case")
    assert status == 0
    assert "last: after plate, SW7 silent" in err
    assert "press SW7" in next(line for line in err.splitlines() if "press SW" in line)
    status, out, err = run(capsys, *bench, "--touched", "D7")
    assert status == 4
    assert [line.split("press ")[1][:3] for line in err.splitlines() if "] press " in line] == ["SW7"]
    assert "no press reached it" not in out
    told = " ".join(out.split())
    assert "SW1 to SW6, SW8, SW9: not asked for, since no mend has touched it; proven after case" in told

    status, out, _ = run(capsys, "compare", record, record)
    assert status == 0
    assert "SW1 to SW6, SW8, SW9: proven → not tested" in out
    status, out, err = run(capsys, *bench, "--touched", "D8", "--format", "json")
    assert "last: every switch proven" in err
    assert json.loads(out)["unreached"] == []
    standing = next(one for one in json.loads(out)["positions"] if one["switch"] == "SW1")
    assert standing["verdict"] == "untested"
    status, out, err = run(capsys, *bench, "--after", "caps", "--fault", "reversed SW2", "--format", "json")
    assert status == 1
    assert "SW2: proven after case, reversed after caps" in json.loads(out)["notes"]
    status, out, _ = run(capsys, "compare", record, record, "--format", "json")
    assert status == 1
    assert {"what": "reversed SW2", "before": "not there", "now": "found", "worse": True} in json.loads(out)[
        "changes"
    ]


def stopped_at(file: str, record: Path, *verdicts: tuple[str, str], after: str = "bare") -> None:
    """A run of the virtual board that somebody killed, with what it had found until then."""
    keyboard, _ = check_text(read_source(file))
    assert keyboard is not None
    path = Record(
        record,
        tool="hil test",
        keyboard=keyboard.title,
        when="2026-01-01T10:00:00+00:00",
        after=after,
        wiring=fingerprints(keyboard).wiring,
    )
    path.event(Event("board", "", flash_id=VIRTUAL_FLASH))
    for name, verdict in verdicts:
        path.event(Event("verdict", "", switch=name, verdict=verdict))
    path.close()


def test_a_run_that_was_stopped_goes_on_with_what_it_had_not_proven(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    record = tmp_path / "nine.bench.jsonl"
    stopped_at(file, record, *((f"SW{n}", "proven") for n in range(1, 6)), ("SW7", "answers"))
    bench = ("bench", file, "--virtual", "--record", str(record), "--after", "bare", "--format", "json")
    status, out, err = run(capsys, *bench, "--resume", "--fault", "open SW9", "--fault", "reversed SW1")
    result = json.loads(out)
    said = " ".join(err.split())
    assert "last: after bare, SW6, SW8, SW9 not tested; SW7 answers" in said
    asked = re.findall(r"\] press (\w+)(?: once more)?:", said)
    assert list(dict.fromkeys(asked)) == ["SW6", "SW7", "SW8", "SW9"]
    # SW1 is believed though its diode is the wrong way round by now: nobody has pressed it.
    verdicts = {one["switch"]: (one["verdict"], one["presses"]) for one in result["positions"]}
    assert verdicts["SW1"] == ("proven", 0)
    assert verdicts["SW6"][0] == "proven"
    assert status == 1
    assert [fault["id"] for fault in result["faults"]] == ["open-SW9"]
    assert any(
        note.startswith("SW1 to SW5: proven in the run of 2026-01-01T10:00:00") for note in result["notes"]
    )
    # That run's own record is enough to go on once more.
    status, out, err = run(capsys, *bench, "--resume")
    assert (status, json.loads(out)["verdict"]) == (0, "pass")
    assert re.findall(r"\] press (\w+):", err) == ["SW9"]


def test_what_was_proven_and_is_hidden_now_is_not_taken_for_proven(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    record = tmp_path / "nine.bench.jsonl"
    stopped_at(file, record, *((f"SW{n}", "proven") for n in range(1, 6)))
    bench = ("bench", file, "--virtual", "--record", str(record), "--after", "bare", "--format", "json")
    _, out, _ = run(capsys, *bench, "--resume", "--fault", "bridge GPIO2 GPIO3")
    verdicts = {one["switch"]: one["verdict"] for one in json.loads(out)["positions"]}
    assert {verdicts[name] for name in ("SW1", "SW2", "SW4", "SW5")} == {"untested"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--after", "plate"), "the last run was after bare (see --after)"),
        ((), "the last run was after bare (see --after)"),
        (("--after", "bare", "--fault", "no-flash"), "the record has no run of this board"),
    ],
)
def test_a_run_that_can_not_go_on_says_why_and_asks_for_everything(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    record = tmp_path / "nine.bench.jsonl"
    stopped_at(file, record, ("SW1", "proven"))
    status, _, err = run(capsys, "bench", file, "--virtual", "--record", str(record), "--resume", *arguments)
    assert status == 0
    assert f"every switch is asked for: {said}" in " ".join(err.split())
    assert len(set(re.findall(r"\] press (\w+):", err))) == 9


def test_another_wiring_is_never_gone_on_with(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    record = tmp_path / "nine.bench.jsonl"
    stopped_at(file, record, ("SW1", "proven"))
    text = Path(file).read_text()
    Path(file).write_text(text.replace("cathode-to-row", "cathode-to-column"))
    bench = ("bench", file, "--virtual", "--record", str(record), "--after", "bare")
    _, _, err = run(capsys, *bench, "--resume")
    assert "every switch is asked for: the file's wiring was another one" in " ".join(err.split())
    status, _, err = run(capsys, *bench, "--resume", "--touched", "SW1")
    assert (status, "leave out one of them" in err) == (2, True)


def test_touched_and_compare_used_wrongly(
    capsys: pytest.CaptureFixture[str], file: str, tmp_path: Path
) -> None:
    status, _, err = run(capsys, "bench", file, "--virtual", "--touched", "SW77")
    assert status == 2
    assert "SW77" in err
    status, _, err = run(capsys, "compare", str(tmp_path / "a"), str(tmp_path / "b"))
    assert status == 2
    assert "can't be read" in " ".join(err.split())


@pytest.mark.parametrize("option", ["--report", "--junit"])
def test_a_file_that_can_not_be_written_takes_no_verdict_with_it(
    capsys: pytest.CaptureFixture[str], file: str, option: str, tmp_path: Path
) -> None:
    refused = str(tmp_path / ("r" * 300))  # longer than any file system lets a name be
    status, out, err = run(capsys, "bench", file, "--virtual", "--fault", "open SW5", option, refused)
    assert status == 3
    assert out.startswith("Nine: FAIL, 8 of 9 switches proven")
    assert "File name too long" in " ".join(err.split())
    status, out, _ = run(capsys, "bench", file, "--virtual", "--format", "json", option, refused)
    assert (status, json.loads(out)["verdict"]) == (3, "pass")
