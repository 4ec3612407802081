"""`keyc try`: time lines, scripts, their mistakes at their place. The JSON's fields are those that the
commands promise (the project's own); usages are of the USB HID Usage Tables 1.5, page 0x07."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from keyc import cli

HEAD = """\
keyboard "Four" { usb 0x1234:0x0001 }
wiring {
    diodes none
    direct GPIO2 SW1
    direct GPIO3 SW2
    direct GPIO4 SW3
    direct GPIO5 SW4
}
shape { SW1 SW2 SW3 SW4 }
sequence slow = A wait 3000ms B
layer base { Tab/more  "!"  pointer(right)  slow }
layer more { SW2 = ArrowUp  SW4 = usb-boot }
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "four.keys"
    path.write_text(HEAD + 'scenario "one" { tap SW1 expect Tab }\n', encoding="utf-8")
    return path


def tried(
    capsys: pytest.CaptureFixture[str], path: Path, script: str | None = None, *more: str
) -> tuple[int, str, str]:
    arguments = ["try", str(path), *more]
    status = cli.main(arguments if script is None else [*arguments, "--script", script])
    out, err = capsys.readouterr()
    return status, out, err


def test_scenarios_of_the_file(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = tried(capsys, file)
    assert (status, err) == (0, "")
    assert out.startswith("passed: one\n")
    assert out.endswith("1 of 1 passed\n")
    rows = [line.split("  ")[-1].strip() for line in out.splitlines()]
    assert rows.index("Tab") < rows.index("nothing held") < rows.index("as expected")


def test_a_script_goes_on_until_all_is_decided(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """SW1 is still undecided when the script ends: 180 ms after it is held, and SW2 finds an arrow."""
    status, out, _ = tried(capsys, file, "down SW1 wait 20ms down SW2")
    assert status == 0
    assert out.splitlines()[-1].split()[-1] == "ArrowUp"
    assert "passed" not in out


def test_a_failing_script_says_where_and_what_came(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = tried(capsys, file, "tap SW1\nexpect Enter tap SW2")
    assert status == 1
    assert "FAILED: the script" in out
    assert "the script:2:1: scenario “the script”: expected `Enter`, but `Tab` came" in " ".join(out.split())
    assert "0 of 1 passed" in out
    assert "Digit1" not in out  # it ends there


def test_mistakes_of_a_script_have_its_own_places(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = tried(capsys, file, "tap SW1\n tap SW77")
    assert (status, out) == (1, "")
    assert "the script:2:6\n" in err
    assert "SW77" in err


def test_mistakes_of_the_file_are_told_and_nothing_is_run(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file.write_text(HEAD.replace("Tab/more", "Tabb"), encoding="utf-8")
    status, out, err = tried(capsys, file, "tap SW1")
    assert (status, out) == (1, "")
    assert "unknown-name" in err


def test_nothing_to_try(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_text(HEAD, encoding="utf-8")
    status, _, err = tried(capsys, file)
    assert status == 2
    assert "--script" in err


def test_expect_waits_for_a_long_sequence(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert tried(capsys, file, "tap SW4 expect A B expect nothing-held")[0] == 0


def test_the_pointer_s_moves_share_a_row(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = tried(capsys, file, "tap SW3 500ms")
    rows = [line for line in out.splitlines() if "right" in line]
    assert len(rows) == 2  # before the finger goes up, and while that is debounced
    assert all(row.split("pointer ")[1].endswith(" right") for row in rows)


def test_a_restart_is_told_once_and_is_no_verdict(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`usb-boot` ends it: nothing that comes later reaches the computer."""
    status, out, _ = tried(capsys, file, "down SW1 wait 200ms tap SW4 up SW1 tap SW2")
    assert status == 0
    assert out.count("  the board restarts into its own drive\n") == 1
    assert "Digit1" not in out
    assert "passed" not in out


def test_lines_fit_eighty_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keys = ["Escape", "Enter", "Tab", "Space", "Backspace", "Delete", "Home", "End", "PageUp", "PageDown"]
    keys += ["Insert", "usb-boot"]
    names = [f"SW{number}" for number in range(1, 13)]
    path = tmp_path / "twelve.keys"
    path.write_text(
        'keyboard "Twelve" { }\nwiring {\n diodes none\n'
        + "".join(f" direct GPIO{pin} {name}\n" for pin, name in enumerate(names))
        + f"}}\nshape {{ {' '.join(names)} }}\nlayer base {{ {' '.join(keys)} }}\n",
        encoding="utf-8",
    )
    script = " ".join(f"down {name}" for name in names[:-1])
    _, out, _ = tried(capsys, path, f"{script} expect {' '.join(keys[:-1])}")
    assert max(map(len, out.splitlines())) <= 80
    for key in keys[:-1]:
        assert key in out


def test_json(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = tried(capsys, file, "tap SW2 expect Shift+1", "--format", "json")
    told = json.loads(out)
    assert status == 0
    assert told["scenarios"] == [
        {"name": "the script", "passed": True, "expected": ["Shift+1"], "got": ["Shift+1"]}
    ]
    first, last = told["reports"]
    assert first["report"] == "keyboard"
    assert first["held"] == ["ShiftLeft", "Digit1"]
    assert bytes.fromhex(first["bytes"])[:3] == bytes((0x02, 0, 0x1E))
    assert 5_000 <= first["t_us"] <= 7_000  # the debounce, a scan, a frame
    assert last["held"] == []
    assert {"schema", "tool"} <= told.keys()
