"""Reading IPC-D-356 files: columns, units, the habits of exporters, and files that are none.

The columns are those of the public application note on IPC-D-356A; the records below were written by hand
after it. `gerbonara` (Apache-2.0) is the reference where it is right: it rejects `UNITS SI` and blanks for
zeroes.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from keyc.diagnostics import UserError
from keyc.netlist.circuit import circuit_of
from keyc.netlist.ipc_d_356 import LARGEST_NETLIST, Netlist, fingerprint, netlist_of, read_netlist
from keyc.netlist.traced import traced
from tests.keyc.made_boards import MadeBoard

# 1-3 record, 4-17 net, 21-26 part, 27 -, 28-31 pin, 33 D 34-37 38 P/U, 39 A, 42 X, 50 Y, 58 X, 63 Y, 68 R
HEAD = "C  written by hand\nP  UNITS CUST 1\n"
THROUGH = "317ROW0             SW1   -1    D1500PA00X+012345Y-006789X0600Y0000R000 S0\n"
SURFACE = "327ROW0             D1    -K         A01X+000100Y+000200X0600Y0000R270\n"


def read(text: str) -> Netlist:
    return netlist_of("board.ipc", text.encode())


def test_the_fixed_columns() -> None:
    first, second = read(HEAD + THROUGH + SURFACE + "999\n").pads
    assert (first.part, first.pin, first.net) == ("SW1", "1", "ROW0")
    assert (first.x_mm, first.y_mm, first.hole_mm) == pytest.approx((12.345, -6.789, 1.5))
    assert first.is_plated
    assert (second.part, second.pin, second.hole_mm) == ("D1", "K", None)


@pytest.mark.parametrize(
    ("units", "scale"),
    [("SI", 0.001), ("CUST 1", 0.001), ("CUST 0", 0.00254), ("CUST", 0.00254), ("CUST 2", 0.00254)],
)
def test_units(units: str, scale: float) -> None:
    netlist = read(f"P  UNITS {units}\n" + THROUGH + SURFACE + "999\n")
    assert netlist.pads[0].x_mm == pytest.approx(12345 * scale)
    assert netlist.diagnostics == ()


def test_a_unit_that_comes_last_is_meant_for_all() -> None:
    assert read(THROUGH + "P  UNITS SI\n999\n").pads[0].x_mm == pytest.approx(12.345)


@pytest.mark.parametrize(
    ("record", "part", "pin", "x", "y"),
    [
        ("327ROW0             SW1   -1         A01X  14900Y- 52897X0600", "SW1", "1", 14.9, -52.897),
        ("317ROW0             SW1   --    D1500PA00X+012345Y-006789X0600", "SW1", "-", 12.345, -6.789),
        ("317ROW0             SW1   -+    D1500PA00X+012345Y-006789X0600", "SW1", "+", 12.345, -6.789),
        ("317ROW0             SW1   -     D1500PA00X+012345Y-006789X0600", "SW1", "", 12.345, -6.789),
        ("317ROW0             SW1    1    D1500PA00X+012345Y-006789X0600", "SW1", "1", 12.345, -6.789),
        # A designator that overflows its columns, and one that pushes all others to the right.
        ("317ROW0             SWITCH12-1  D1500PA00X+012345Y-006789X0600", "SWITCH12", "1", 12.345, -6.789),
        ("317ROW0             SWITCH12-1    D1500PA00X+012345Y-006789X0600", "SWITCH12", "1", 12.345, -6.789),
        ("317ROW0             SWITCH12-1    D1500PA00X 12345 Y- 6789 X0600", None, None, 0, 0),
        # What follows column 71 is none of our business.
        (THROUGH.rstrip()[:71] + " X+1Y+2 317", "SW1", "1", 12.345, -6.789),
    ],
)
def test_what_exporters_write(record: str, part: str | None, pin: str | None, x: float, y: float) -> None:
    netlist = read(HEAD + SURFACE + record + "\r\n999\r\n")
    if part is None:
        assert [one.code for one in netlist.diagnostics] == ["netlist-line-unreadable"]
        return
    assert netlist.diagnostics == ()
    pad = netlist.pads[1]
    assert (pad.part, pad.pin) == (part, pin)
    assert (pad.x_mm, pad.y_mm) == pytest.approx((x, y))


@pytest.mark.parametrize(
    ("alias", "word"),
    [
        ("P  NNAME00001 LONG_NET_NAME_OF_ROW", "NNAME00001"),
        ("P  NNAME00001 LONG_NET_NAME_OF_ROW", "00001"),
        ("P  NNAME00001 LONG_NET_NAME_OF_ROW", "NNAME1"),
        ("P  NNAME1     LONG_NET_NAME_OF_ROW", "NNAME1"),
        ("C  NNAMEm0000 LONG_NET_NAME_OF_ROW", "m0000"),
        ("C  NNAMEm0000 LONG_NET_NAME_OF_ROW", "NNAMEm0000"),
    ],
)
def test_long_names(alias: str, word: str) -> None:
    netlist = read(HEAD + alias + "\n" + THROUGH.replace("ROW0      ", f"{word:10}") + SURFACE + "999\n")
    assert netlist.net_name(word) == "LONG_NET_NAME_OF_ROW"
    assert netlist.net_name("ROW0") == "ROW0"


def test_a_suffix_in_braces_is_not_shown() -> None:
    assert read(HEAD + THROUGH + "999\n").net_name("GND{12}") == "GND"


def test_vias_and_other_records_are_passed_over() -> None:
    others = "".join(
        f"{record}ROW0             VIA   -     D0300PA00X+012345Y-006789X0600\n"
        for record in ("307", "317", "378")
    )
    assert len(read(HEAD + others + "078 X+1Y+2\n379 A B\n" + THROUGH + "999\n").pads) == 1


def test_one_pad_nets_join_nothing_and_two_pads_of_a_pin_needn_t_agree() -> None:
    records = [
        THROUGH,
        SURFACE,
        "327NC_1             D1    -A         A01X+000100Y+000200X0600Y0000R270\n",
        "327NC_2             D1    -A         A02X+000100Y+000300X0600Y0000R270\n",
    ]
    circuit = circuit_of(read(HEAD + "".join(records) + "999\n"))
    assert circuit.parts["D1"].nets == {"K": "ROW0", "A": None}
    assert [terminal.part.name for terminal in circuit.nets["ROW0"]] == ["SW1", "D1"]


# ---- against another reader -------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(40))
def test_pins_nets_and_places_are_those_that_gerbonara_reads(seed: int) -> None:
    ipc356 = pytest.importorskip("gerbonara.ipc356", reason="gerbonara isn't installed")
    from gerbonara.utils import MM

    made = MadeBoard(seed)
    if (
        made.habits.units == "SI"
        or made.habits.has_blanks
        or made.habits.names in ("bare alias", "comment alias")
    ):
        made.habits.units, made.habits.has_blanks, made.habits.names = "CUST 1", False, "last"
    if made.habits.designators != "fit":
        made.habits.designators = "cut"
    text = made.netlist()
    ours = read(text)
    theirs = [
        record for record in ipc356.Netlist.from_string(text, "made.ipc").test_records if not record.is_via
    ]
    assert len(ours.pads) == len(theirs)
    for pad, record in zip(ours.pads, theirs, strict=True):
        assert pad.part == (record.ref_des or "")
        assert pad.pin == (record.pin or "")
        if record.net_name is None:
            assert pad.net is None
        else:
            assert pad.net is not None
            assert ours.long_names.get(pad.net, pad.net) == record.net_name
        assert pad.x_mm == pytest.approx(MM(record.x, record.unit), abs=0.0005)
        assert pad.y_mm == pytest.approx(MM(record.y, record.unit), abs=0.0005)
        assert (pad.hole_mm is not None) == (record.hole_dia is not None)


@pytest.mark.parametrize("seed", range(60))
def test_pads_are_those_that_were_written(seed: int) -> None:
    """Against the truth that the generator keeps, for every habit; designators and pins may be cut."""
    made = MadeBoard(seed)
    netlist = read(made.netlist())
    assert [one.code for one in netlist.diagnostics] == []
    ours = [(pad.x_mm, pad.y_mm, pad.part, pad.pin) for pad in netlist.pads if pad.is_plated]
    truth = [(x, y, part, pin) for part, pin, _, x, y in made.pads()]
    assert len(ours) == len(truth)
    for (x, y, part, pin), (true_x, true_y, true_part, true_pin) in zip(
        sorted(ours, key=_place), sorted(truth, key=_place), strict=True
    ):
        assert (x, y) == pytest.approx((true_x, true_y), abs=0.0015)
        assert true_part.startswith(part)
        assert true_pin.startswith(pin)


def _place(pad: tuple[float, float, str, str]) -> tuple[str, str, int, int]:
    return pad[2], pad[3], round(pad[0] * 20), round(pad[1] * 20)


# ---- files that are none ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "it is empty"),
        (b"\n\n \n", "it is empty"),
        (b"\x7fELF\0\0\0", "no text file"),
        (b"%PDF-1.7\n1 0 obj\n", "looks like a PDF"),
        (b"G04 Gerber*\n%FSLAX46Y46*%\n", "looks like a Gerber file"),
        (b"M48\nMETRIC\n", "looks like a drill file"),
        (b'keyboard "A" {\n}\n', "looks like a keymap file"),
        (b'{"a": 1}\n', "looks like a JSON file"),
        (b"P  UNITS SI\n999\n", "it has no pads"),
        (b"317\n" * 20 + b"999\n", "most of its lines"),
        (bytes(range(1, 256)) * 50, "most of its lines"),
    ],
)
def test_a_file_that_is_no_netlist(content: bytes, says: str) -> None:
    with pytest.raises(UserError, match=says) as raised:
        netlist_of("file", content)
    assert raised.value.exit_status == 1
    assert raised.value.help


def test_a_file_of_fifty_megabytes_is_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "large.ipc"
    with path.open("wb") as file:
        file.seek(50_000_000)
        file.write(b"\n")
    with pytest.raises(UserError, match="larger than 32 MB"):
        read_netlist(path)
    assert LARGEST_NETLIST < 50_000_000


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.ipc", tmp_path):
        with pytest.raises(UserError) as raised:
            read_netlist(path)
        assert raised.value.exit_status == 2


def test_every_pad_a_net_of_its_own_is_refused() -> None:
    lines = [
        f"317N{number:04d}           SW{number % 9}   -{number}    D1500PA00X+{number:06d}Y-006789X0600"
        for number in range(1, 40)
    ]
    netlist = read(HEAD + "\n".join(lines) + "\n999\n")
    with pytest.raises(UserError, match="every pad in it is a net of its own"):
        traced(circuit_of(netlist))


def test_cut_and_mixed_up_files_never_raise_anything_but_what_the_user_is_told() -> None:
    """Cut at any place, with lines changed over, doubled, lost, and bytes changed: seeded, 300 files."""
    from keyc.netlist.findings import findings
    from keyc.netlist.keymap_text import board_text

    for seed in range(300):
        choice = random.Random(seed)
        data = bytearray(MadeBoard(seed % 7).netlist().encode())
        for _ in range(choice.randint(1, 6)):
            if not data:
                break
            at = choice.randrange(len(data))
            kind = choice.randrange(5)
            if kind == 0:
                del data[at:]
            elif kind == 1:
                data[at] = choice.randrange(1, 256)
            elif kind == 2:
                end = min(len(data), at + choice.randrange(1, 400))
                del data[at:end]
            elif kind == 3:
                lines = bytes(data).split(b"\n")
                choice.shuffle(lines)
                data = bytearray(b"\n".join(lines))
            else:
                data[at:at] = data[: choice.randrange(2000)]
        try:
            board = traced(circuit_of(netlist_of("cut.ipc", bytes(data))))
            findings(board, board_text(board).layout)
        except UserError:
            continue  # told in plain words; anything else would be our mistake, and fails here


def test_a_record_cut_in_its_number_is_not_another_number() -> None:
    cut = read(HEAD + SURFACE + THROUGH.rstrip()[:54] + "\n999\n")
    assert [one.code for one in cut.diagnostics] == ["netlist-line-unreadable"]
    assert len(cut.pads) == 1


# ---- which board it is ------------------------------------------------------------------------


def test_the_fingerprint_is_of_what_is_joined_and_where() -> None:
    made = MadeBoard(3)
    made.habits.units, made.habits.is_negative = "CUST 1", False
    one = fingerprint(read(made.netlist()))
    assert len(one) == 12
    assert set(one) <= set("0123456789abcdef")
    made.habits.names, made.habits.end, made.habits.has_garbage = "last", "\r\n", True
    lines = made.netlist().split("\r\n")
    head = [line for line in lines if not line.startswith("3")]
    records = [line for line in lines if line.startswith("3")]
    same = head[:-2] + sorted(records) + ["C  another comment", "999", ""]
    assert fingerprint(read("\r\n".join(same))) == one  # names, order and comments don't count
    moved = made.part(next(iter(made.keys)))
    moved.x += 0.5
    assert fingerprint(read(made.netlist())) != one
    moved.x -= 0.5
    assert fingerprint(read(made.netlist())) == one
    pin = moved.pins["1"]
    pin.net = "GND"
    assert fingerprint(read(made.netlist())) != one
