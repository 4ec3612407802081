"""`keyc new`: files to begin with, which check clean but for the test id.

That rows × columns is the smallest sum is checked by trying all of them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from keyc.cli import main
from keyc.compile import check_text, read_source
from keyc.diagnostics import UserError
from keyc.netlist.cap_lines import PlacedCap
from keyc.source import Source
from keyc.starter import fewest_pins, from_number
from tests.keyc.made_boards import MadeBoard


@pytest.mark.parametrize("count", range(1, 226))
def test_a_matrix_has_the_fewest_pins_there_can_be(count: int) -> None:
    rows, columns = fewest_pins(count)
    assert rows * columns >= count
    assert rows + columns == min(r + c for r in range(1, 31) for c in range(1, 226) if r * c >= count)


@pytest.mark.parametrize(
    "count",
    [
        1,
        2,
        3,
        4,
        5,
        6,
        9,
        12,
        17,
        20,
        26,
        30,
        34,
        35,
        39,
        40,
        41,
        42,
        48,
        52,
        53,
        60,
        76,
        77,
        64,
        87,
        104,
        200,
        225,
    ],
)
def test_a_file_for_so_many_keys_checks_clean(count: int) -> None:
    keyboard, found = check_text(Source("new.keys", from_number("new", count)))
    assert keyboard is not None
    assert len(keyboard.wiring.switches) == count
    codes = {one.code for one in found}
    assert codes == {"test-usb-id"} | ({"no-way-to-usb-boot"} if count == 1 else set())
    wiring = keyboard.wiring
    pins = [*wiring.rows, *wiring.columns, *wiring.direct_pins]
    assert len(pins) == (count if count <= 4 else sum(fewest_pins(count)))
    if len(pins) <= 20:
        assert 16 not in pins  # beside RUN


@pytest.mark.parametrize("count", [0, -3, 226, 10**9])
def test_more_keys_than_the_chip_has_pins_for(count: int) -> None:
    with pytest.raises(UserError) as raised:
        from_number("new", count)
    assert raised.value.exit_status == 2


@pytest.mark.parametrize("seed", [seed for seed in range(24) if MadeBoard(seed).package != "map"])
def test_a_file_from_a_netlist_checks_clean(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("board.ipc").write_text(MadeBoard(seed).netlist(), newline="")
    assert main(["new", "pier", "--netlist", "board.ipc"]) == 0
    keyboard, found = check_text(read_source("pier.keys"))
    assert keyboard is not None
    # A block of 44 keys or so without a row for it can miss a modifier: that is for its owner to place.
    assert {one.code for one in found} <= {"test-usb-id", "key-missing"}
    assert keyboard.title == "Pier"
    assert "A guess" in Path("pier.keys").read_text()
    assert main(["check", "pier.keys", "--netlist", "board.ipc"]) == 0


def test_a_file_that_is_there_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("mine.keys").write_text("mine")
    assert main(["new", "mine", "--keys", "12"]) == 2
    assert Path("mine.keys").read_text() == "mine"


def test_keys_or_a_netlist(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as raised:
        main(["new", "mine"])
    assert raised.value.code == 2
    assert "--keys" in capsys.readouterr().err


def test_wide_rows_get_the_usual_letters() -> None:
    """As on most keyboards (ISO/IEC 9995-2 gives the sections, the letters are those of linux-us)."""
    from keyc.starter import _guessed

    rows = [[f"S{row}_{column}" for column in range(count)] for row, count in enumerate((14, 14, 13, 12, 8))]
    does = _guessed(rows)
    assert [does[name] for name in rows[1][1:11]] == list("QWERTYUIOP")
    assert [does[name] for name in rows[2][1:10]] == list("ASDFGHJKL")
    assert [does[name] for name in rows[3][1:8]] == list("ZXCVBNM")
    assert [does[name] for name in rows[0][1:11]] == list("1234567890")
    assert "Space" in [does[name] for name in rows[4]]


@pytest.mark.parametrize("count", [36, 42, 60, 104])
def test_letters_lie_as_they_usually_do_however_the_matrix_is_wired(count: int) -> None:
    keyboard, _ = check_text(Source("new.keys", from_number("new", count)))
    assert keyboard is not None
    cells = keyboard.layers[0].cells
    letters = [
        cells[cap.switch].text
        for cap in sorted(keyboard.caps, key=lambda cap: (cap.y_u, cap.x_u))
        if len(cells[cap.switch].text) == 1 and cells[cap.switch].text.isalpha()
    ]
    assert letters == list("QWERTYUIOPASDFGHJKLZXCVBNM")


def test_one_key_is_told_of_as_one() -> None:
    assert from_number("new", 1).startswith("# One key, on a pin of its own")


def test_rows_without_room_at_their_ends_still_have_what_everybody_needs() -> None:
    from keyc.starter import _guessed

    rows = [[f"S{row}_{column}" for column in range(count)] for row, count in enumerate((12, 12, 12, 6))]
    assert {"Enter", "Backspace", "Space", "Shift", "Tab"} <= set(_guessed(rows).values())


def _rows_of(*widths: str) -> list[list[tuple[str, PlacedCap]]]:
    """Caps from lines of widths, called after line and place; `1.25x2` hangs down, `[1]` is a gap."""
    rows = []
    for line, words in enumerate(widths):
        row, x = [], 0.0
        for place, word in enumerate(words.split()):
            if word.startswith("["):
                x += float(word[1:-1])
                continue
            width, _, height = word.partition("x")
            high = float(height or 1)
            name = f"{line}.{place}"
            row.append(
                (name, PlacedCap(name, x + float(width) / 2, line + high / 2, float(width), high, 0.0))
            )
            x += float(width)
        rows.append(row)
    return rows


def test_an_enter_of_two_rows_is_enter() -> None:
    """ISO/IEC 9995-2 places C12 left of such an Enter, and B00 right of the left Shift (from memory)."""
    from keyc.starter import _guessed, _with_two_row_enter

    ones = " ".join(["1"] * 10)
    rows = _rows_of(
        f"{ones} 1 1 1 2",
        f"1.5 {ones} 1 1 [0.25] 1.25x2",
        f"1.75 {ones} 1 1",
        f"1.25 {ones} 1 2.75",
        "1.25 1.25 1.25 6.25 1.25 1.25 1.25 1.25",
    )
    does = _guessed([[name for name, _ in row] for row in rows])
    _with_two_row_enter(does, rows)
    assert does["1.14"] == "Enter"
    assert does["2.12"] == "Backslash"
    lower = [does[name] for name, _ in rows[3]]
    assert lower[:3] == ["Shift", "IntlBackslash", "Z"]
    assert lower[-1] == "ShiftRight"
