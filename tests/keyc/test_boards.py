"""Boards from netlists: everything that is true of made-up boards is found, and nothing else.

`python -m tests.many_boards 1000` tries a thousand seeds; here are enough for every fault and habit.
The graph is checked with `networkx`, the pinouts are those that `made_boards` names the sources of.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import networkx
import pytest

from keyc.cli import main
from keyc.compile import check_text
from keyc.diagnostics import UserError, as_sarif
from keyc.keyboard import Diodes
from keyc.netlist.boards import board_json, read_board
from keyc.netlist.circuit import circuit_of
from keyc.netlist.controllers import read_pin_map
from keyc.netlist.findings import findings
from keyc.netlist.ipc_d_356 import netlist_of
from keyc.netlist.keymap_text import board_text, keymap_text, off_layer
from keyc.netlist.traced import traced
from keyc.source import Source
from tests.keyc.made_boards import FAULTS, MadeBoard, MadePart, Pin
from tests.keymaps import keyboard_in
from tests.many_boards import fault_of, traced_board, wrong_with

SEEDS = 150
GOLDEN = Path(__file__).parent.parent / "golden"


@pytest.mark.parametrize("seed", range(SEEDS))
def test_all_is_derived_and_all_is_found(seed: int) -> None:
    assert wrong_with(seed, fault_of(seed)) == []


def test_the_sample_plants_every_fault() -> None:
    assert {fault_of(seed) for seed in range(SEEDS)} == {None, *FAULTS}


@pytest.mark.parametrize("seed", range(0, 90, 3))
def test_the_matrix_is_the_graph_s(seed: int) -> None:
    """Nets as nodes, what the netlist calls switches and diodes as edges: a net of two parts that the
    controller isn't on is a key's middle, and taking it out leaves an edge from line to line.
    """
    made = MadeBoard(seed)
    graph = networkx.MultiGraph()
    at_controller = {pin.net for pin in made.part(made.controller).pins.values() if pin.net}
    for part in made.parts:
        nets = [pin.net for pin in part.pins.values() if pin.net]
        if part.name in made.keys or (part.name.startswith("D") and len(nets) == 2):
            graph.add_edge(nets[0], nets[1], part=part.name)
        elif part.name.startswith("D") and len(part.pins) == 6:
            ends = [pin.net for pin in part.pins.values()]
            if made.array.endswith("apart"):
                pairs = [(0, 5), (1, 4), (2, 3)]
            else:
                pairs = [(0, 5), (1, 5), (3, 2), (4, 2)]
            for one, other in pairs:
                if ends[one] and ends[other]:
                    graph.add_edge(ends[one], ends[other], part=part.name)
        elif part.name.startswith("D") and len(nets) == 3:
            common = list(part.pins.values())[-1].net
            for net in nets:
                if net != common:
                    graph.add_edge(common, net, part=part.name)
    middles = [net for net in graph if net not in at_controller and graph.degree(net) == 2]
    expected = set()
    for net in middles:
        (near, first), (far, second) = [(end, data["part"]) for _, end, data in graph.edges(net, data=True)]
        if {first, second} & set(made.keys):
            name = first if first in made.keys else second
            expected.add((name, frozenset((near, far))))
            graph.add_edge(near, far, part=name)
    graph.remove_nodes_from(middles)
    for one, other, data in graph.edges(data=True):
        if data["part"] in made.keys and "GND" not in (one, other):
            expected.add((data["part"], frozenset((one, other))))
    board = traced_board(made)
    names = {name: key for key in made.keys for name in (key, key[:6])}
    by_gpio = {gpio: net for net, gpio in made.gpio.items()}
    derived = {
        (
            names.get(key.name, key.name),
            frozenset((by_gpio[board.gpio(key.row)], by_gpio[board.gpio(key.column)])),  # type: ignore[index]
        )
        for key in board.keys
    }
    assert derived == expected
    lines = networkx.Graph([tuple(pair) for _, pair in expected])
    assert networkx.is_bipartite(lines)


def test_parts_that_share_a_name_are_told_apart_by_their_places() -> None:
    made = MadeBoard(9)
    made.habits.designators = "cut"
    made.habits.names = "plain"
    for part in made.parts:
        if part.name in made.keys and not part.name.startswith("ENC"):
            part.name = "SWITCH" + part.name.removeprefix(made.switch_prefix)
    board = traced_board(made)
    switches = [key for key in made.keys.values() if not key.is_direct]
    assert len(board.keys) == len(switches)
    pairs = sorted(sorted((board.gpio(key.row) or 0, board.gpio(key.column) or 0)) for key in board.keys)
    assert pairs == sorted(sorted((made.gpio[key.row], made.gpio[key.column])) for key in switches)
    assert all(key.name.startswith("SWITCH-") for key in board.keys)


# ---- controllers ------------------------------------------------------------------------------


def two_halves() -> str:
    """Two boards in one file, each with a controller of its own."""
    seed = next(s for s in range(20) if MadeBoard(s).package == "chip" and MadeBoard(s).switch_prefix == "SW")
    left, right = MadeBoard(seed), MadeBoard(seed)
    for made, names in ((left, "plain"), (right, "bare alias")):  # so that no net of one is the other's
        made.habits.names, made.habits.unconnected, made.habits.units = names, "N/C", "CUST 1"
    for part in right.parts:
        part.x += 400.0
        letters = part.name.rstrip("0123456789")
        part.name = f"{letters}9{part.name.removeprefix(letters)}"
    lines = left.netlist().splitlines()[:-1]
    return "\n".join([*lines, *(line for line in right.netlist().splitlines() if line[:1] in "39")]) + "\n"


def test_a_board_with_two_controllers_has_a_file_for_each() -> None:
    text = two_halves()
    circuit = circuit_of(netlist_of("halves.ipc", text.encode()))
    with pytest.raises(UserError, match="2 controllers") as raised:
        traced(circuit)
    assert "--controller" in (raised.value.help or "")
    boards = [traced(circuit, controller=name) for name in ("U1", "U91")]
    first, second = ({key.contact.part for key in board.keys} for board in boards)
    assert len(first) == len(second) > 0
    assert not first & second
    assert second <= {contact.part for contact in boards[0].foreign}


def test_a_module_that_isn_t_known_needs_a_map(tmp_path: Path) -> None:
    made = next(made for made in map(MadeBoard, range(50)) if made.package == "map")
    netlist = tmp_path / "board.ipc"
    netlist.write_text(made.netlist(), newline="")
    with pytest.raises(UserError, match="fit no module") as raised:
        read_board(netlist)
    assert "--pins" in (raised.value.help or "")
    pins = tmp_path / "pins.txt"
    pins.write_text("# a module of our own\n" + made.pin_map)
    assert read_board(netlist, pin_map=str(pins)).board.controller.part.name == made.controller


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1 GPIO30\n", "no GPIO30"),
        ("1 GPIO1 2\n", "isn't two words"),
        ("1 GPIO1\n1 GPIO2\n", "second time"),
        ("1 GND\n", "names no GPIO"),
    ],
)
def test_a_map_with_a_mistake(text: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "pins.txt"
    path.write_text(text)
    with pytest.raises(UserError, match=says):
        read_pin_map(path)


def test_another_part_can_be_named_and_a_wrong_one_is_told() -> None:
    circuit = circuit_of(netlist_of("made.ipc", MadeBoard(3).netlist().encode()))
    with pytest.raises(UserError, match="no part is called") as raised:
        traced(circuit, controller="U77")
    assert raised.value.exit_status == 2


# ---- diodes -----------------------------------------------------------------------------------


def test_diodes_that_all_point_the_other_way_are_one_finding() -> None:
    from keyc.netlist.findings import findings

    made = next(made for made in map(MadeBoard, range(50)) if made.diodes == "row" and made.package != "map")
    circuit = circuit_of(netlist_of("made.ipc", made.netlist().encode()))
    board = traced(circuit, intended=Diodes.CATHODE_TO_COLUMN)
    # Its lines are called rows and columns by their names, so that turning them round is no way out.
    if board.pointing is not Diodes.CATHODE_TO_COLUMN:
        pytest.fail("what is intended counts")
    codes = [one.code for one in findings(board, board_text(board).layout)]
    assert codes.count("diodes-other-way") == 1
    assert "diode-reversed" not in codes


# ---- the commands -----------------------------------------------------------------------------


@pytest.fixture
def netlist(tmp_path: Path) -> Path:
    path = tmp_path / "quayside.ipc"
    fault = "diode-reversed"
    made = next(made for seed in range(20) if (made := MadeBoard(seed, fault)).package != "map")
    path.write_text(made.netlist(), newline="")
    return path


def test_wiring_prints_a_file_that_checks(
    netlist: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["wiring", str(netlist)]) == 1  # a diode is in backwards
    out = capsys.readouterr()
    assert "[diode-reversed]" in out.err
    keyboard, found = check_text(Source("a.keys", out.out))
    assert keyboard is not None
    assert {one.code for one in found} <= {"test-usb-id", "no-way-to-usb-boot", "key-missing"}
    target = tmp_path / "a.keys"
    assert main(["wiring", str(netlist), "-o", str(target)]) == 1
    assert target.read_text() == out.out
    target.write_text("mine")
    assert main(["wiring", str(netlist), "-o", str(target)]) == 2
    assert target.read_text() == "mine"


@pytest.mark.parametrize("fault", FAULTS)
def test_sarif_of_every_finding_follows_its_schema(fault: str, tmp_path: Path) -> None:
    """The published schema of SARIF 2.1.0 (see tests/golden/sarif); it wants each pad named once."""
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads((GOLDEN / "sarif" / "sarif-2.1.0-rtm.5.json").read_text(encoding="utf-8"))
    validator = jsonschema.Draft4Validator(schema)
    made = MadeBoard(100 + FAULTS.index(fault), fault)
    board = traced_board(made)
    found = findings(board, board_text(board).layout)
    assert found
    validator.validate(json.loads(json.dumps(as_sarif(found))))


def test_wiring_as_json_and_sarif(netlist: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wiring", str(netlist), "--format", "json"]) == 1
    board = json.loads(capsys.readouterr().out)
    assert board["schema"] == 1
    reversed_ = next(one for one in board["findings"] if one["code"] == "diode-reversed")
    assert reversed_["severity"] == "error"
    assert set(reversed_["board"][0]) == {"part", "pad", "x_mm", "y_mm"}
    assert board["netlist"]["fingerprint"] in board["text"]
    assert board == json.loads(json.dumps(board_json(read_board(netlist))))
    assert main(["wiring", str(netlist), "--format", "sarif"]) == 1
    run = json.loads(capsys.readouterr().out)["runs"][0]
    result = next(one for one in run["results"] if one["ruleId"] == "diode-reversed")
    assert result["locations"][0]["logicalLocations"][0]["fullyQualifiedName"].startswith("D")


def test_a_board_without_keys_that_can_be_read(tmp_path: Path) -> None:
    made = MadeBoard(3)
    for part in made.parts:
        if part.name in made.keys:
            part.pins["1"].net = None
    path = tmp_path / "none.ipc"
    path.write_text(made.netlist(), newline="")
    assert main(["wiring", str(path)]) == 1


@pytest.mark.parametrize("seed", ["0", "1", "4711"])
def test_the_text_is_the_same_under_every_hash_seed(netlist: Path, seed: str) -> None:
    command = [sys.executable, "-m", "keyc", "wiring", str(netlist)]
    done = subprocess.run(command, capture_output=True, text=True, env={"PYTHONHASHSEED": seed}, check=False)
    read = read_board(netlist)
    from keyc.netlist.boards import starting_text

    assert done.stdout == starting_text(read)


def test_odd_names_become_names_of_the_language() -> None:
    """Designators may hold anything: what no name can hold is changed, and the text still checks."""
    made = MadeBoard(3)
    made.habits.designators = "fit"
    odd = ["K+1", "K.1", "row", "7UP", "K#2", "\u00dc1", "S W"]
    for name, part in zip(odd, [part for part in made.parts if part.name in made.keys], strict=False):
        part.name = name.replace(" ", "_")
    text = board_text(traced_board(made))
    keyboard = keyboard_in(keymap_text(text, 'odd "title" \\', off_layer(text)), "odd.keys")
    assert keyboard.title == 'odd "title" \\'


def test_pads_without_pin_names_are_read() -> None:
    """Two-pin switches whose pins have no names: the nets tell the pins apart."""
    made = MadeBoard(3)
    for part in made.parts:
        if part.name in made.keys and not part.name.startswith("ENC"):
            part.pins = {"": part.pins["1"], " ": part.pins["2"]}
    board = traced_board(made)
    assert len(board.keys) == sum(not key.is_direct for key in made.keys.values())


def test_names_that_were_cut_alike_are_told_at_the_lines_they_made_one() -> None:
    """pcb-rnd 3.0.6 keeps the first 14 characters of a net: `/matrix/Row_line_0` to `_4` are one then."""
    from keyc.netlist.findings import findings

    made = next(
        m for m in map(MadeBoard, range(99)) if m.rows[0].startswith("/matrix") and m.package == "chip"
    )
    made.habits.names = "plain"
    cut = made.rows[0][:14]
    for part in made.parts:
        for pin in part.pins.values():
            if pin.net in made.rows:
                pin.net = cut
    board = traced_board(made)
    told = [one for one in findings(board, board_text(board).layout) if one.severity != "note"]
    assert [one.code for one in told] == ["line-on-two-pins"]
    assert f"{cut} is on {len(made.rows)} pins" in told[0].message
    assert "cut to 14 characters" in (told[0].help or "")


def test_a_resistor_between_line_and_pin_is_passed_through() -> None:
    made = MadeBoard(3)
    net = made.columns[0]
    gpio = made.gpio[net]
    made.pin_of(gpio).net = "BEHIND"
    made.parts.append(
        MadePart(
            "R77", -70, 0, 0, {"1": Pin(net, [(0, 0, None, True)]), "2": Pin("BEHIND", [(2, 0, None, True)])}
        )
    )
    board = traced_board(made)
    assert gpio in {line.gpio for line in board.lines.values()}
    assert not any(not line.gpios for line in board.lines.values())
