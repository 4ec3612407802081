"""The pages of `keyc explain` about boards: their examples, laid into a small board, have just this finding.

An example of records replaces those of the same parts; an example of a keymap replaces the frame's statements
of the same kind, and is compared with the small board.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from keyc import explain
from keyc.compile import Checked, check_text
from keyc.diagnostics import Diagnostic
from keyc.netlist.witnesses import agreement
from keyc.source import Source
from tests.keyc.test_explain import BOARDS, FRAME, codes_in, examples

BOARD = Path(__file__).parents[1] / "golden" / "netlists" / "frame.ipc"
KEYMAP = "".join(FRAME.values())
NO_PAD = {"line-beside-supply"}  # needs the whole chip: test_boards has it


def agreed(keymap: str, netlist: Path) -> list[Diagnostic]:
    keyboard, found = check_text(Source("example.keys", keymap))
    assert keyboard is not None, found
    return agreement(Checked(keyboard, found, ""), str(netlist)).found


def laid_in(records: str) -> str:
    """The small board with these records in place of those of the same parts."""
    new = records.rstrip("\n").split("\n")
    parts = {line[20:26].strip() for line in new}
    kept = [
        line
        for line in BOARD.read_text().rstrip("\n").split("\n")
        if line != "999"
        and line[20:26].strip() not in parts - {""}
        and not (line.startswith("P  UNITS") and records.startswith("P  UNITS"))
    ]
    if "999" in new:
        return "\n".join([*kept, *new]) + "\n"
    return "\n".join([*kept, *new, "999"]) + "\n"


def fragments(code: str) -> list[str]:
    return re.findall(r"```netlist\n(.*?)```", explain.page(code), re.S)


def test_the_small_board_is_in_order() -> None:
    assert agreed(KEYMAP, BOARD) == []


@pytest.mark.parametrize("code", sorted(codes_in(*BOARDS) - NO_PAD))
def test_the_example_before_has_this_finding_and_the_one_after_none(code: str, tmp_path: Path) -> None:
    from keyc.netlist.boards import read_board

    before, after = fragments(code) or examples(code)
    told = []
    for text in (before, after):
        if not fragments(code):
            there = set(re.findall(r"^(\w+)", text, re.M))
            keymap = "".join(words for kind, words in FRAME.items() if kind not in there) + text
            told.append(agreed(keymap, BOARD))
        else:
            path = tmp_path / "example.ipc"
            path.write_text(laid_in(text))
            told.append(read_board(path).found)
    assert {one.code for one in told[0]} == {code}
    assert told[1] == []
