"""Two diodes in one package: which pin is which, and what is said where a netlist can't tell.

Pinouts as the makers' data sheets of these SOT-23 parts give them (common practice): BAV70 anodes 1 and 2,
common cathode 3; BAW56 cathodes 1 and 2, common anode 3; BAV99 anode 1, cathode 2, the middle of both 3;
BAS16 anode 1, cathode 3, 2 joined to nothing. A netlist has none of these names.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from keyc.boards import ReadBoard, read_board, starting_text
from keyc.cli import main
from keyc.keyboard import Diodes
from tests.keyc.test_board_pages import laid_in


def package(name: str, nets: dict[str, str], x: int = 0, y: int = -6000) -> str:
    """A part's records in µm, its pins side by side."""
    return "".join(
        f"327{net:<17}{name:<6}-{pin:<4}       A01X{x + 950 * at:+07d}Y{y:+07d}X0600Y0000R000\n"
        for at, (pin, net) in enumerate(nets.items())
    )


def read(records: str, folder: Path, intended: Diodes | None = None) -> ReadBoard:
    path = folder / "board.ipc"
    path.write_text(laid_in(records))
    return read_board(path, intended=intended)


GOOD, REVERSED = "good", "reversed"


@pytest.mark.parametrize(
    ("pins", "expected"),
    [
        # N1 leads to the switch; every other diode of the board has its cathode at the row.
        ({"A1": "N1", "A2": "N/C", "K": "ROW0"}, GOOD),  # as a BAV70
        ({"A1": "N/C", "A2": "N1", "CC": "ROW0"}, GOOD),
        ({"A": "N1", "A2": "N1", "C": "ROW0"}, GOOD),  # both side by side
        ({"K1": "N1", "K2": "N/C", "A": "ROW0"}, REVERSED),  # as a BAW56
        ({"C1": "N1", "C2": "N/C", "COM": "ROW0"}, REVERSED),
        ({"K1": "N1", "K2": "N/C", "CA": "ROW0"}, REVERSED),
        ({"K1": "ROW0", "K2": "N/C", "A": "N1"}, GOOD),  # its common pin at the switch
        ({"K1": "ROW0", "K2": "N/C", "COM": "N1"}, GOOD),
        ({"A1": "ROW0", "A2": "N/C", "K": "N1"}, REVERSED),
        ({"A": "N1", "K": "N/C", "AK": "ROW0"}, GOOD),  # as a BAV99, half of it
        ({"A1": "N/C", "K2": "N1", "K1A2": "ROW0"}, REVERSED),
        ({"A": "N1", "K": "ROW0", "NC": "N/C"}, GOOD),  # as a BAS16
        ({"A": "ROW0", "K": "N1", "NC": "N/C"}, REVERSED),
        # Numbers don't tell: taken as the others are.
        ({"1": "N1", "2": "N/C", "3": "ROW0"}, GOOD),
        ({"1": "N1", "2": "N1", "3": "ROW0"}, GOOD),
        ({"1": "ROW0", "2": "N/C", "3": "N1"}, GOOD),
        ({"3": "ROW0", "1": "N1", "2": "N/C"}, GOOD),
    ],
)
def test_which_pin_is_which(pins: dict[str, str], expected: str, tmp_path: Path) -> None:
    board = read(package("D1", pins), tmp_path)
    assert [one.code for one in board.found] == ([] if expected == GOOD else ["diode-reversed"])
    assert board.board.pointing is Diodes.CATHODE_TO_ROW
    assert [key.name for key in board.text.keys] == ["SW1", "SW2", "SW3", "SW4"]


# Two packages, each for the two keys of a row.
BY_NUMBER = package("D1", {"1": "N1", "2": "N2", "3": "ROW0"}) + package(
    "D3", {"1": "N3", "2": "N4", "3": "ROW1"}, y=-25050
)
WITHOUT = package("D2", {"1": "N/C"}, y=-40000) + package("D4", {"1": "N/C"}, y=-42000)


def test_what_numbers_do_not_tell_is_asked_for(tmp_path: Path) -> None:
    board = read(BY_NUMBER + WITHOUT, tmp_path)
    (one,) = board.found
    assert one.code == "diode-direction-unknown"
    help = one.help or ""
    assert "BAV70), say --diodes cathode-to-row" in help
    assert "BAW56), --diodes cathode-to-column" in help
    assert re.search("diodes cathode-to-row +# a guess: the netlist doesn't tell\n", starting_text(board))
    assert "Pin 1 of a diode" not in starting_text(board)


@pytest.mark.parametrize(
    ("intended", "kind"), [(Diodes.CATHODE_TO_ROW, "cathode"), (Diodes.CATHODE_TO_COLUMN, "anode")]
)
def test_once_it_is_said_the_text_tells_which_kind_must_be_fitted(
    intended: Diodes, kind: str, tmp_path: Path
) -> None:
    board = read(BY_NUMBER + WITHOUT, tmp_path, intended)
    assert board.found == []
    text = starting_text(board)
    assert f"diodes {intended.value}" in text
    assert "# D1, D3 hold two diodes each" in text
    assert f"# pin 3 of D1, D3, at the row, must be a common {kind}" in text


def test_as_many_one_way_as_the_other(tmp_path: Path) -> None:
    turned = package("D1", {"1": "N1", "2": "ROW0"}) + package("D2", {"1": "N2", "2": "ROW0"}, x=18000)
    (one,) = read(turned, tmp_path).found
    assert (one.code, one.message) == (
        "diode-direction-unknown",
        "as many diodes point to the row as to the column",
    )


@pytest.mark.parametrize("command", ["wiring", "new", "new, without a board"])
def test_the_direction_can_be_said(command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("board.ipc").write_text(laid_in(BY_NUMBER + WITHOUT))
    given = {
        "wiring": ["wiring", "board.ipc", "-o", "pier.keys"],
        "new": ["new", "pier", "--netlist", "board.ipc"],
        "new, without a board": ["new", "pier", "--keys", "12"],
    }[command]
    assert main([*given, "--diodes", "cathode-to-column"]) == 0
    assert "    diodes cathode-to-column\n" in Path("pier.keys").read_text()
