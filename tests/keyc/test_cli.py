"""The `keyc` command from outside: exit statuses, stdout and stderr, and what a bad disk does."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import keyc
from keyc import cli
from keyc.files import shipped

SMALL = """\
keyboard "Two" { usb 0x1234:0x0001 }
wiring {
    diodes cathode-to-row
    columns    GPIO2  GPIO3
    row GPIO4  SW1    SW2
}
shape {
    SW1  SW2
}
layer base {
    A    usb-boot
}
"""


@pytest.fixture
def small(tmp_path: Path) -> Path:
    path = tmp_path / "two.keys"
    path.write_text(SMALL, encoding="utf-8")
    return path


def run(*arguments: object, **more: Any) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "keyc", *map(str, arguments)]
    environment = dict(os.environ, PYTHONPATH=str(Path(keyc.__file__).parent.parent), NO_COLOR="1")
    return subprocess.run(command, text=True, capture_output=True, env=environment, timeout=60, **more)


def test_version_is_the_package_s() -> None:
    done = run("--version")
    assert (done.returncode, done.stdout) == (0, f"keyc {keyc.__version__}\n")


def test_without_a_command_it_says_what_there_is_and_that_it_was_used_wrongly() -> None:
    done = run()
    assert done.returncode == 2
    for command in ("check", "build", "firmware", "show", "try", "names", "explain", "demo"):
        assert command in done.stderr


def test_a_clean_file_passes_and_a_wrong_one_fails(small: Path) -> None:
    assert cli.main(["check", str(small)]) == 0
    small.write_text(SMALL.replace("SW1  SW2\n}", "SW1  SW2  SW3\n}"), encoding="utf-8")
    assert cli.main(["check", str(small)]) == 1


def test_a_warning_fails_only_when_denied(small: Path) -> None:
    small.write_text(SMALL.replace("0x1234", "0x1209"), encoding="utf-8")
    assert cli.main(["check", str(small)]) == 0
    assert cli.main(["check", "--deny-warnings", str(small)]) == 1


def test_json_is_one_value_on_stdout_and_nothing_else(small: Path) -> None:
    small.write_text(SMALL.replace("0x1234", "0x1209"), encoding="utf-8")
    done = run("check", "--format", "json", small)
    (one,) = json.loads(done.stdout)
    assert one["code"] == "test-usb-id"
    assert done.stderr == ""


def test_a_file_that_is_not_there_is_told_in_words(tmp_path: Path) -> None:
    done = run("check", tmp_path / "none.keys")
    assert done.returncode == 2
    assert done.stderr.startswith("error:")
    assert "Traceback" not in done.stderr


def test_build_writes_once_and_then_only_what_changed(small: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    assert cli.main(["build", str(small), "-o", str(folder), "--depfile", str(tmp_path / "d")]) == 0
    before = {path: path.stat().st_mtime_ns for path in folder.iterdir()}
    assert cli.main(["build", str(small), "-o", str(folder)]) == 0
    assert {path: path.stat().st_mtime_ns for path in folder.iterdir()} == before
    assert cli.main(["build", str(small), "-o", str(folder), "--check"]) == 0
    (folder / "two_tables.c").write_text("/* stale */\n", encoding="utf-8")
    assert cli.main(["build", str(small), "-o", str(folder), "--check"]) == 1
    assert (folder / "two_tables.c").read_text(encoding="utf-8") == "/* stale */\n"


@pytest.mark.parametrize(
    ("number", "hint"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "can only be read"),
        (errno.EACCES, "a folder of your own"),
    ],
)
def test_a_bad_disk_is_a_hint_and_leaves_the_old_file_whole(
    small: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    number: int,
    hint: str,
) -> None:
    folder = tmp_path / "out"
    assert cli.main(["build", str(small), "-o", str(folder)]) == 0
    before = (folder / "two_tables.c").read_bytes()
    small.write_text(SMALL.replace("    A    usb", "    B    usb"), encoding="utf-8")

    def fails(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), str(folder))

    monkeypatch.setattr(Path, "replace", fails)
    assert cli.main(["build", str(small), "-o", str(folder)]) == 3
    told = capsys.readouterr().err
    assert hint in told
    assert "Traceback" not in told
    assert (folder / "two_tables.c").read_bytes() == before
    assert not [path for path in folder.iterdir() if path.name.endswith(".part")]


def test_a_real_full_disk_is_told_too(small: Path) -> None:
    """/dev/full answers every write with "no space left" (Linux, full(4))."""
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "keyc", "show", str(small)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            env=dict(os.environ, PYTHONPATH=str(Path(keyc.__file__).parent.parent)),
            timeout=60,
        )
    assert done.returncode == 3
    assert "the disk is full" in done.stderr


def test_a_reader_that_goes_away_is_no_mistake(small: Path) -> None:
    done = subprocess.run(
        f"{sys.executable} -m keyc names | head -1",
        shell=True,
        text=True,
        capture_output=True,
        env=dict(os.environ, PYTHONPATH=str(Path(keyc.__file__).parent.parent)),
        timeout=60,
    )
    assert done.stderr == ""


def test_an_answer_that_nobody_read_is_not_called_done() -> None:
    """A script with `set -o pipefail` must not take a failed board for a good one."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "keyc", "names"],
        stdout=writer,
        stderr=subprocess.PIPE,
        text=True,
        env=dict(os.environ, PYTHONPATH=str(Path(keyc.__file__).parent.parent)),
        timeout=60,
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (130, "")


def test_a_bug_of_ours_is_never_blamed_on_the_file(
    small: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise KeyError("a bug")

    monkeypatch.setattr("keyc.compile.check_text", broken)
    assert cli.main(["show", str(small)]) == 70
    told = capsys.readouterr().err
    assert "not in your file" in told
    assert f"keyc show {small}" in told
    assert "sha256" in told


def test_what_ships_is_there() -> None:
    for parts in (("grammars", "keymap.lark"), ("templates", "engine", "keyc_engine.h"), ("data", "demo")):
        assert shipped(*parts).exists(), parts


FAILING = SMALL + 'scenario "the first key is B" { tap SW1 expect B }\n'


@pytest.mark.parametrize(
    "command", [["build", "-o", "out"], ["firmware", "-o", "out.uf2"], ["flash", "--wait", "0"]]
)
def test_nothing_is_made_of_a_keyboard_whose_scenario_fails(
    command: list[str], small: Path, tmp_path: Path
) -> None:
    small.write_text(FAILING, encoding="utf-8")
    done = run(command[0], small, *command[1:], cwd=tmp_path)
    if "scenario-not-run" in done.stderr:
        pytest.skip("no C compiler here")
    assert done.returncode == 1
    assert "expected `B`, but `A` came [scenario-failed]" in " ".join(done.stderr.split())
    assert [path.name for path in tmp_path.iterdir()] == ["two.keys"]


def test_without_a_compiler_build_says_what_was_not_tried(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from keyc.diagnostics import UserError
    from keyc.engine import library as engine_library

    def none_here() -> None:
        raise UserError("there is no C compiler", "install one", exit_status=3)

    monkeypatch.setattr(engine_library, "load", none_here)
    small.write_text(FAILING, encoding="utf-8")
    assert cli.main(["build", str(small), "-o", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().err
    assert "the scenario was not run: there is no C compiler [scenario-not-run]" in said
    assert "install one" in said
    assert (tmp_path / "out" / "two_tables.c").exists()


@pytest.mark.parametrize("name", ["x.hex", "x", "uf2", "x.uf2.txt"])
def test_an_image_has_a_name_that_the_chip_s_drive_takes(name: str, small: Path, tmp_path: Path) -> None:
    done = run("firmware", small, "-o", tmp_path / name)
    assert (done.returncode, done.stdout) == (2, "")
    assert ".uf2" in done.stderr
    assert not (tmp_path / name).exists()


def test_what_check_found_is_counted_once(small: Path) -> None:
    small.write_text(SMALL.replace("0x1234", "0x1209"), encoding="utf-8")
    done = run("check", small)
    assert (done.stdout + done.stderr).count("1 warning") == 1
    assert done.stdout == f"{small}: 2 switches, 1 layer; 1 warning\n"
