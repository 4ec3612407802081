"""File, netlist and bench: each in turn is the odd one out, all three are, two are without a third.

The truth is the small board of `tests/golden/netlists/frame.ipc`. What a virtual board measures is planted by
its faults; the file and the netlist are changed by hand.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import jsonschema
import pytest

from hil.cli import main
from keyc.netlist.ipc_d_356 import fingerprint, read_netlist

GOLDEN = Path(__file__).parents[1] / "golden" / "netlists" / "frame.ipc"
ALONE = (
    "327ALONE            U1    -GP10       A01X+045080Y-010000X0600Y0000R000\n"
    "317ALONE            SW5   -1    D1500PA00X+034290Y+002540X0600Y0000R000\n"
    "317GND              SW5   -2    D1500PA00X+040640Y+005080X0600Y0000R000\n"
)
KEYMAP = """keyboard "Five" { usb 0x1209:0x5A17 }
wiring {
    diodes cathode-to-row
    columns    GPIO6 GPIO7
    row GPIO2  SW1   SW2
    row GPIO3  SW3   SW4
    direct GPIO10 SW5
}
shape {
    SW1 SW2 SW5
    SW3 SW4
}
layer base {
    A B D
    C usb-boot
}
"""


@dataclass
class Witnesses:
    """The three files, and what `hil compare` says of them."""

    file: Path
    netlist: Path
    record: Path
    capsys: pytest.CaptureFixture[str]

    def bench(self, *faults: str) -> None:
        words = [word for fault in faults for word in ("--fault", fault)]
        given = ["--record", str(self.record), "--netlist", str(self.netlist)]
        main(["bench", str(self.file), "--virtual", *given, *words])
        self.capsys.readouterr()

    def change(self, which: str, *swaps: tuple[str, str]) -> None:
        path = self.file if which == "file" else self.netlist
        text = path.read_text()
        for old, new in swaps:
            assert old in text
            text = text.replace(old, new)
        path.write_text(text)

    def compared(self, *more: str) -> tuple[int, str]:
        given = ["--file", str(self.file), "--netlist", str(self.netlist)]
        status = main(["compare", str(self.record), *given, *more])
        return status, self.capsys.readouterr().out

    def odd(self) -> tuple[int, dict[tuple[str, str], str]]:
        """The exit status, and who is odd about which switch's pins or cathode, where anybody is."""
        status, out = self.compared("--format", "json")
        told = json.loads(out)["witnesses"]["switches"]
        return status, {
            (one["switch"], one["what"]): one["odd"]
            for one in told
            if one["odd"] not in ("nobody", "unheard")
        }


@pytest.fixture
def three(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Witnesses:
    file, netlist = tmp_path / "five.keys", tmp_path / "five.ipc"
    file.write_text(KEYMAP)
    netlist.write_text(GOLDEN.read_text().replace("999", ALONE + "999"))
    return Witnesses(file, netlist, tmp_path / "five.jsonl", capsys)


# The columns of SW1 and SW2 changed over: in the file, and in the netlist.
FILE_SWAP = ("SW1   SW2\n", "SW2   SW1\n")
NETLIST_SWAP = (
    ("COL0             SW1   -1", "COL?             SW1   -1"),
    ("COL1             SW2   -1", "COL0             SW2   -1"),
    ("COL?             SW1   -1", "COL1             SW1   -1"),
)
# D2 the other way round in the netlist.
NETLIST_TURN = (
    ("ROW0             D2    -1", "N2               D2    -1"),
    ("N2               D2    -2", "ROW0             D2    -2"),
)
BOTH = {("SW1", "pins"), ("SW2", "pins")}


def test_all_agree(three: Witnesses) -> None:
    three.bench()
    assert three.odd() == (0, {})
    status, out = three.compared()
    assert (status, out.splitlines()[-1]) == (0, "all three agree on 5 of 5 switches")
    assert "on a virtual board" in out


def test_the_file_is_odd(three: Witnesses) -> None:
    three.bench()
    three.change("file", FILE_SWAP)
    assert three.odd() == (1, dict.fromkeys(BOTH, "file"))
    _, out = three.compared()
    assert "The file is the odd one out" in out
    assert "  SW1: file: GPIO2 and GPIO7; netlist and bench: GPIO2 and GPIO6\n" in out
    assert "all three agree on 3 of 5 switches" in out


def test_the_netlist_is_odd(three: Witnesses) -> None:
    three.bench()
    three.change("netlist", *NETLIST_SWAP)
    assert three.odd() == (1, dict.fromkeys(BOTH, "netlist"))
    _, out = three.compared()
    assert "The netlist is the odd one out" in out
    assert "of another revision of the board: its netlist was " in out


def test_the_board_is_odd(three: Witnesses) -> None:
    three.bench("swapped SW1 SW2")
    assert three.odd() == (1, dict.fromkeys(BOTH, "bench"))
    _, out = three.compared()
    assert "The board is the odd one out" in out


def test_no_two_agree(three: Witnesses) -> None:
    three.bench("swapped SW1 SW3")
    three.change("file", FILE_SWAP)
    status, odd = three.odd()
    assert status == 1
    assert odd == {("SW1", "pins"): "all", ("SW2", "pins"): "file", ("SW3", "pins"): "bench"}
    assert "No two agree:" in three.compared()[1]


def test_a_third_that_says_nothing(three: Witnesses) -> None:
    three.bench("open SW1")
    assert three.odd() == (4, {})
    assert "one says nothing, and the others agree: SW1" in three.compared()[1]
    three.change("file", FILE_SWAP)
    assert three.odd() == (1, {("SW1", "pins"): "undecided", ("SW2", "pins"): "file"})


@pytest.mark.parametrize(
    ("faults", "turned", "odd"),
    [
        (["reversed SW2"], False, "bench"),
        (["reversed SW2"], True, "file"),
        ([], True, "netlist"),
    ],
)
def test_a_diode(three: Witnesses, faults: list[str], turned: bool, odd: str) -> None:
    three.bench(*faults)
    if turned:
        three.change("netlist", *NETLIST_TURN)
    assert three.odd() == (1, {("SW2", "cathode"): odd})
    assert "its diode's cathode is at GPIO2" in three.compared()[1]


def test_switches_that_one_has_not(three: Witnesses) -> None:
    three.bench()
    three.change("file", ("    direct GPIO10 SW5\n", ""), ("SW2 SW5", "SW2"), ("A B D", "A B"))
    assert three.odd() == (1, {("SW5", "pins"): "file"})
    assert "SW5: file: not there; netlist and bench: GPIO10 alone" in three.compared()[1]


def test_a_switch_that_the_netlist_has_not(three: Witnesses) -> None:
    three.bench()
    three.netlist.write_text(GOLDEN.read_text())
    assert three.odd() == (1, {("SW5", "pins"): "netlist"})


def test_two_records_and_the_witnesses(three: Witnesses) -> None:
    three.bench()
    three.bench("reversed SW2")
    _, out = three.compared()
    given = ["--file", str(three.file), "--netlist", str(three.netlist)]
    assert main(["compare", str(three.record), str(three.record), *given]) == 1
    both = three.capsys.readouterr().out
    assert "SW2: proven → reversed" in both
    assert both.endswith(out)


def test_the_record_says_which_revision_it_belongs_to(three: Witnesses) -> None:
    three.bench()
    schema = json.loads((Path(__file__).parents[2] / "hil" / "record.schema.json").read_text())
    lines = [json.loads(line) for line in three.record.read_text().splitlines()]
    for line in lines:
        jsonschema.validate(line, schema)
    assert lines[0]["netlist"] == fingerprint(read_netlist(three.netlist))
    assert lines[0]["diodes"] == "cathode-to-row"


def test_used_wrongly(three: Witnesses) -> None:
    three.bench()
    for words in ([], ["--file", str(three.file)], ["--netlist", str(three.netlist)]):
        assert main(["compare", str(three.record), *words]) == 2
        assert "nothing to compare" in three.capsys.readouterr().err
    assert main(["bench", str(three.file), "--virtual", "--netlist", "nowhere.ipc"]) == 2
    assert "nowhere.ipc" in three.capsys.readouterr().err
