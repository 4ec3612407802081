"""Several diodes in one package: which pin is which, and what is said where a netlist can't tell.

Pinouts as the makers' data sheets of these SOT-23 parts give them (common practice): BAV70 anodes 1 and 2,
common cathode 3; BAW56 cathodes 1 and 2, common anode 3; BAV99 anode 1, cathode 2, the middle of both 3;
BAS16 anode 1, cathode 3, 2 joined to nothing. Of parts with six pins (SOT-363): BAV70S anodes 1 and 2 with
cathode 6, anodes 4 and 5 with cathode 3; BAW56S the same with the ends changed over; BAS16VY anodes 1, 2, 3
with cathodes 6, 5, 4. A netlist has none of these names.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from keyc.cli import main
from keyc.keyboard import Diodes
from keyc.netlist.boards import ReadBoard, read_board, starting_text
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


LETTERS = {"1": "A1", "2": "A2", "3": "A3", "4": "K3", "5": "K2", "6": "K1"}  # as in a BAS16VY
COMMONS = {"1": "A1", "2": "A2", "3": "K34", "4": "A3", "5": "A4", "6": "K12"}  # as in a BAV70S


@pytest.mark.parametrize(
    ("nets", "names"),
    [
        # Four switches' diodes in one part: SW1 and SW2 lead to ROW0, SW3 and SW4 to ROW1.
        (["N1", "N2", "ROW1", "N3", "N4", "ROW0"], {}),
        (["N1", "N2", "ROW1", "N3", "N4", "ROW0"], COMMONS),
        (["N3", "N4", "ROW0", "N2", "N1", "ROW1"], {}),
        # Three of them, the fourth has a diode of its own.
        (["N1", "N2", "N3", "ROW1", "ROW0", "ROW0"], {}),
        (["ROW0", "ROW0", "ROW1", "N3", "N2", "N1"], {}),
        (["N1", "N3", "N/C", "N/C", "ROW1", "ROW0"], {}),
        (["N1", "N2", "N3", "ROW1", "ROW0", "ROW0"], LETTERS),
        (["N2", "N/C", "N3", "ROW1", "N/C", "ROW0"], LETTERS),
    ],
)
def test_which_pins_of_six_belong_together(nets: list[str], names: dict[str, str], tmp_path: Path) -> None:
    """Every key is on its own row and column, as with single diodes, and nothing is found wrong."""
    pins = {names.get(pin, pin): net for pin, net in zip("123456", nets, strict=True)}
    gone = [n for n in "1234" if f"N{n}" in nets]
    instead = "".join(package(f"D{n}", {"1": "N/C"}, y=-40000 - 2000 * int(n)) for n in gone)
    board = read(package("D9", pins) + instead, tmp_path)
    single = read(package("X9", {"1": "N/C"}), tmp_path)
    assert {key.name: (key.row, key.column) for key in board.text.keys} == {
        key.name: (key.row, key.column) for key in single.text.keys
    }
    told = [one.code for one in board.found]
    assert told == (["diode-direction-unknown"] if len(gone) == 4 and not names else [])


def test_a_part_is_told_once_however_many_of_its_diodes_are_reversed(tmp_path: Path) -> None:
    nets = ["ROW0", "ROW0", "N/C", "N/C", "N2", "N1"]
    pins = {LETTERS[pin]: net for pin, net in zip("123456", nets, strict=True)}
    gone = package("D1", {"1": "N/C"}, y=-40000) + package("D2", {"1": "N/C"}, y=-42000)
    (one,) = read(package("D9", pins) + gone, tmp_path, Diodes.CATHODE_TO_ROW).found
    assert (one.code, one.message) == (
        "diode-reversed",
        "the diodes of SW1 and SW2 in D9 point against the other diodes",
    )
    assert {place.pad for place in one.board} == {"K1", "K2"}


def test_the_ends_of_an_array_are_asked_for_and_told(tmp_path: Path) -> None:
    apart = package("D9", dict(zip("123456", ["N1", "N2", "N3", "ROW1", "ROW0", "ROW0"], strict=True)))
    apart += package(
        "D8", dict(zip("123456", ["N4", "N/C", "N/C", "N/C", "N/C", "ROW1"], strict=True)), x=30000
    )
    gone = "".join(package(f"D{n}", {"1": "N/C"}, y=-40000 - 2000 * n) for n in range(1, 5))
    (one,) = read(apart + gone, tmp_path).found
    assert "If pin 6, which is at the row, is a cathode, say --diodes cathode-to-row" in (one.help or "")
    text = starting_text(read(apart + gone, tmp_path, Diodes.CATHODE_TO_COLUMN))
    assert "# D9 holds 3 diodes" in text
    assert "# pins 4 and 5 and 6 of D9; pin 6 of D8: at the row, must be an anode" in text


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
    assert "# D1, D3 hold 2 diodes each" in text
    assert f"# pin 3 of D1, D3: at the row, must be a common {kind}" in text


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
