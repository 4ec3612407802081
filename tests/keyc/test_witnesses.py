"""A keymap file beside a netlist: where they differ is found, and the diff mends it.

The truth is the netlist's: the file is written from it, changed by hand as below, and must be led back.
"""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from keyc.cli import main
from keyc.compile import Checked, check_text
from keyc.language.tidy import tidied_text
from keyc.netlist.boards import read_board, starting_text
from keyc.netlist.witnesses import Agreement, agreement
from keyc.source import Source
from tests.keyc.made_boards import MadeBoard

SARIF = Path(__file__).parents[1] / "golden" / "sarif" / "sarif-2.1.0-rtm.5.json"
SEEDS = [seed for seed in range(60) if MadeBoard(seed).package != "map"][:16]


def of(text: str, netlist: Path) -> Agreement:
    keyboard, found = check_text(Source("board.keys", text))
    assert keyboard is not None, found
    return agreement(Checked(keyboard, found, ""), str(netlist))


def written(seed: int, folder: Path) -> tuple[str, Path]:
    netlist = folder / "board.ipc"
    netlist.write_text(MadeBoard(seed).netlist(), newline="")
    return starting_text(read_board(netlist)), netlist


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_written_from_a_board_agrees_with_it(seed: int, tmp_path: Path) -> None:
    text, netlist = written(seed, tmp_path)
    result = of(text, netlist)
    assert result.found == []
    assert result.summary.startswith("agrees with")


@pytest.mark.parametrize("seed", SEEDS)
def test_rows_and_columns_may_be_called_the_other_way(seed: int, tmp_path: Path) -> None:
    """The matrix written across is the same wiring: which lines are called rows is a matter of words."""
    text, netlist = written(seed, tmp_path)
    grid = [line.split("#")[0].split() for line in re.findall(r"^    (?:columns|row) .*$", text, re.M)]
    head, *rows = grid
    columns = head[1:]
    across = ["    columns " + " ".join(row[1] for row in rows)]
    across += [f"    row {pin} " + " ".join(row[2 + at] for row in rows) for at, pin in enumerate(columns)]
    lines = [line for line in text.split("\n") if not re.match(r"    (columns|row) ", line)]
    at = next(index for index, line in enumerate(lines) if line.startswith("    diodes"))
    swapped = {"cathode-to-row": "cathode-to-column", "cathode-to-column": "cathode-to-row", "none": "none"}
    word = lines[at].split()[1]
    lines[at : at + 1] = [f"    diodes {swapped[word]}", *across]
    assert of("\n".join(lines), netlist).found == []


@pytest.mark.parametrize("seed", SEEDS)
def test_names_of_one_s_own_are_matched_by_pins(seed: int, tmp_path: Path) -> None:
    text, netlist = written(seed, tmp_path)
    made = MadeBoard(seed)
    renamed = re.sub(rf"\b{made.switch_prefix}(\d+)\b", r"key-\1", text)
    assert renamed != text
    assert of(renamed, netlist).found == []


def _patched(text: str, difference: str, folder: Path) -> str:
    """The text with the diff applied by patch(1)."""
    path = folder / "board.keys"
    path.write_text(text)
    subprocess.run(["patch", "-s", str(path)], input=difference, text=True, check=True, capture_output=True)
    return path.read_text()


CHANGES = ("a line's pin", "two switches", "two lines", "a direct pin", "a diode's name")


def can_have(change: str, seed: int) -> bool:
    """Whether there is something on the board that can be changed so."""
    keys = MadeBoard(seed).keys.values()
    if change == "a direct pin":
        return any(key.is_direct for key in keys)
    return change != "a diode's name" or any(key.diode for key in keys)


@pytest.mark.parametrize(
    ("change", "seed"), [(change, seed) for change in CHANGES for seed in SEEDS if can_have(change, seed)]
)
def test_a_change_is_found_and_the_diff_takes_it_back(seed: int, change: str, tmp_path: Path) -> None:
    text, netlist = written(seed, tmp_path)
    rows = re.findall(r"^    row .*$", text, re.M)
    used = set(re.findall(r"GPIO\d+", text))
    free = next(f"GPIO{n}" for n in range(30) if f"GPIO{n}" not in used)
    words = rows[0].split()
    if change == "a line's pin":
        changed = text.replace(rows[0], rows[0].replace(f"{words[1]} ", f"{free} ", 1))
        count = 1
    elif change == "two switches":
        one, other = words[2:4]
        cells = re.sub(rf"\b({one}|{other})(?![\w-])", lambda m: other if m[0] == one else one, rows[0])
        changed = text.replace(rows[0], cells)
        count = 2
    elif change == "two lines":
        one, other = (row.split()[1] for row in rows[:2])
        changed = re.sub(rf"\b({one}|{other})\b", lambda m: other if m[0] == one else one, text)
        count = 2
    elif change == "a direct pin":
        match = re.search(r"direct (GPIO\d+)", text)
        assert match is not None
        changed = re.sub(rf"{match[0]}\b", f"direct {free}", text)
        count = 1
    else:
        match = re.search(r"diode +(\w+) +of (\S+)", text)
        assert match is not None
        changed = text.replace(match[0], f"diode OTHER of {match[2]}")
        count = 1
    result = of(changed, netlist)
    codes = {one.code for one in result.found}
    assert codes == {"diode-name-differs"} if change == "a diode's name" else codes == {"pins-differ"}
    assert len(result.found) == count
    assert "as on the board" in result.summary
    difference = result.summary.partition("\n")[2] + "\n"
    patched = _patched(changed, difference, tmp_path)
    assert of(patched, netlist).found == []
    assert tidied_text(patched) == patched  # the file was lined up, and is so again


def test_a_block_of_one_s_own_style_keeps_it(tmp_path: Path) -> None:
    """Where hardly a line was lined up, only what differs is changed."""
    text, netlist = written(SEEDS[0], tmp_path)
    own = re.sub(r" {2,}(?=\S)", " ", text)
    row = next(line for line in own.split("\n") if line.startswith(" row"))
    one, other = row.split()[2:4]
    swapped = row.replace(f" {one} {other}", f" {other} {one}")
    result = of(own.replace(row, swapped), netlist)
    changed = [
        line for line in result.summary.split("\n") if line[:1] in "+-" and line[:3] not in ("+++", "---")
    ]
    assert changed == [f"-{swapped}", f"+{row}"]


@pytest.mark.parametrize("seed", SEEDS[:4])
def test_scripts_get_the_mend_as_well(seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In JSON and in SARIF (2.1.0, 3.55) the first difference has the text to put in; put in, all agrees."""
    text, netlist = written(seed, tmp_path)
    row = next(line for line in text.split("\n") if line.startswith("    row"))
    one, other = row.split()[2:4]
    swap = re.sub(rf"\b({one}|{other})(?![\w-])", lambda m: other if m[0] == one else one, row)
    path = tmp_path / "board.keys"
    path.write_text(text.replace(row, swap))
    assert main(["check", str(path), "--netlist", str(netlist), "--format", "json"]) == 1
    told = json.loads(capsys.readouterr().out)
    differing = [entry for entry in told if entry["code"] == "pins-differ"]
    assert len(differing) == 2
    assert ["mend" in entry for entry in differing] == [True, False]
    mend = differing[0]["mend"]
    lines = path.read_text().split("\n")
    before, after = lines[: mend["line"] - 1], lines[mend["end_line"] :]
    start, end = (
        lines[mend["line"] - 1][: mend["column"] - 1],
        lines[mend["end_line"] - 1][mend["end_column"] - 1 :],
    )
    mended = "\n".join([*before, start + mend["text"] + end, *after])
    assert mended == text
    assert _patched(path.read_text(), mend["diff"], tmp_path) == text
    path.write_text(text.replace(row, swap))
    assert main(["check", str(path), "--netlist", str(netlist), "--format", "sarif"]) == 1
    log = json.loads(capsys.readouterr().out)
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft4Validator(json.loads(SARIF.read_text(encoding="utf-8"))).validate(log)
    (fix,) = [fix for result in log["runs"][0]["results"] for fix in result.get("fixes", [])]
    (replacement,) = fix["artifactChanges"][0]["replacements"]
    assert replacement["insertedContent"]["text"] == mend["text"]
    region = replacement["deletedRegion"]
    assert (region["startLine"], region["endColumn"]) == (mend["line"], mend["end_column"])


def test_a_switch_too_many_and_one_too_few(tmp_path: Path) -> None:
    text, netlist = written(SEEDS[0], tmp_path)
    name = re.findall(r"^    row +\S+ +(\S+)", text, re.M)[0]
    gone = re.sub(rf"^(    row .*?)\b{name}\b", r"\1--", text, count=1, flags=re.M)
    gone = re.sub(rf"^    diode +\S+ +of {name}$\n", "", gone, flags=re.M)
    free = next(f"GPIO{n}" for n in range(30) if f"GPIO{n}" not in text)
    added = gone.replace("wiring {", f"wiring {{\n    direct {free} EXTRA1")
    added = re.sub(rf"^(    (?:at .*)?){name}\b", r"\1EXTRA1", added, flags=re.M)
    codes = [one.code for one in of(added, netlist).found]
    assert sorted(codes) == ["switch-not-in-file", "switch-not-on-board"]


def test_check_takes_a_netlist(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text, netlist = written(SEEDS[0], tmp_path)
    path = tmp_path / "board.keys"
    path.write_text(text)
    assert main(["check", str(path), "--netlist", str(netlist)]) == 0
    assert f"(board {read_board(netlist).fingerprint})" in capsys.readouterr().out
    pin = re.findall(r"^    row +(GPIO\d+)", text, re.M)[0]
    free = next(f"GPIO{n}" for n in range(30) if f"GPIO{n}" not in text)
    path.write_text(re.sub(rf"{pin}\b", free, text))
    assert main(["check", str(path), "--netlist", str(netlist)]) == 1
    out = capsys.readouterr()
    assert "[pins-differ]" in out.err
    assert "+    row" in out.out
    path.write_text("keyboard")
    assert main(["check", str(path), "--netlist", str(netlist)]) == 1
    assert "not compared" in capsys.readouterr().out
