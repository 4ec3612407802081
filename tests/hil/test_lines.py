"""The stage `lines`: what one table with nothing pressed says."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from random import Random

import networkx
import pytest

from hil.board import Board
from hil.faults import parse_fault
from hil.observe import REST, Looked, Observation, Reader, mask_of, observed
from hil.result import LineVerdict
from hil.stages import lines
from hil.wire import Sentence
from keyc.keyboard import Diodes
from tests.hil.boards import Desk
from tests.hil.wirings import light, small, wiring_of


def bad_lines(desk: Desk) -> dict[str, str]:
    return {line.pin: line.verdict.value for line in desk.findings.lines if line.verdict.value != "clear"}


def joined(desk: Desk, pin: str) -> list[str]:
    return [other.name for line in desk.findings.lines if line.pin == pin for other in line.joined]


def test_a_good_board_is_clear_on_every_pin_of_the_chip() -> None:
    desk = Desk(small())
    assert [line.gpio for line in desk.findings.lines] == list(range(30))
    assert bad_lines(desk) == {}
    assert not desk.findings.bad


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("bridge GPIO2 GPIO3", {"GPIO2": "bridged", "GPIO3": "bridged"}),
        ("bridge GPIO3 GPIO8", {"GPIO3": "bridged", "GPIO8": "bridged"}),
        # The neighbour on the package needn't belong to the matrix.
        ("bridge GPIO9 GPIO11", {"GPIO9": "bridged", "GPIO11": "bridged"}),
        ("low GPIO6", {"GPIO6": "low"}),
        ("high GPIO6", {"GPIO6": "high"}),
        ("bridge GPIO7 IOVDD", {"GPIO7": "high"}),
        ("bridge GPIO7 GND", {"GPIO7": "low"}),
    ],
)
@pytest.mark.parametrize("diodes", list(Diodes))
@pytest.mark.parametrize("seed", [0, 1])
def test_what_holds_or_joins_lines(fault: str, expected: dict[str, str], diodes: Diodes, seed: int) -> None:
    desk = Desk(small(diodes), [fault], seed)
    if diodes is Diodes.NONE and fault == "bridge GPIO3 GPIO8":
        expected = {"GPIO3": "untested", "GPIO8": "untested"}  # SW7 held down would look the same
    assert bad_lines(desk) == expected


def test_groups_are_the_connected_components() -> None:
    """Against networkx: what copper joins is a connected component of the graph of bridges."""
    for seed in range(60):
        chance = Random(seed)
        wiring = small(chance.choice([Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN]))
        pairs = {tuple(sorted(chance.sample(range(30), 2))) for _ in range(chance.randint(1, 6))}
        desk = Desk(wiring, [f"bridge GPIO{a} GPIO{b}" for a, b in sorted(pairs)], seed % 2)
        expected = sorted(
            tuple(sorted(group)) for group in networkx.connected_components(networkx.Graph(pairs))
        )
        assert list(desk.findings.groups) == expected


def test_without_diodes_a_held_switch_and_a_bridge_are_one_class_and_the_switch_is_named() -> None:
    for fault in ("closed SW7", "bridge GPIO3 GPIO8"):
        desk = Desk(small(Diodes.NONE), [fault])
        assert desk.findings.maybe_closed == {"SW7": "bridge GPIO3 GPIO8"}
        assert bad_lines(desk) == {"GPIO3": "untested", "GPIO8": "untested"}
        assert joined(desk, "GPIO3") == ["GPIO8"]


@pytest.mark.parametrize("diodes", [Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN])
def test_a_closed_switch_is_told_from_a_bridge_by_its_diode(diodes: Diodes) -> None:
    desk = Desk(small(diodes), ["closed SW7"])
    assert {name: state.value for name, state in desk.findings.closed.items()} == {"SW7": "good"}
    assert bad_lines(desk) == {}
    desk = Desk(small(diodes), ["closed SW7", "reversed SW7"])
    assert {name: state.value for name, state in desk.findings.closed.items()} == {"SW7": "reversed"}


def test_three_closed_corners_name_no_fourth() -> None:
    """The fourth corner may read low, over three drops: that is undefined, and no verdict rests on it."""
    for seed in range(8):
        desk = Desk(small(), ["closed SW1", "closed SW2", "closed SW5", "reversed SW5"], seed)
        assert "SW6" not in desk.findings.closed


def test_a_switch_to_ground_that_reads_low_is_a_class_of_two() -> None:
    for fault in ("closed SW13", "low GPIO10"):
        desk = Desk(small(), [fault])
        assert bad_lines(desk) == {"GPIO10": "low"}
        assert desk.findings.maybe_closed == {"SW13": "low GPIO10"}


def test_run_beside_a_pin_restarts_the_board() -> None:
    desk = Desk(wiring_of((16, 17), (6, 7)))
    base = desk.positions.base
    found = lines.findings(desk.matrix, base, [16])
    line = found.line(16)
    assert line is not None
    assert line.verdict.value == "bridged"
    # RUN is pin 26 of the QFN-56 package (RP2040 datasheet, section "Pinout").
    assert [(other.name, other.package_pin) for other in line.joined] == [("RUN", 26)]


def test_indicators_and_dials_are_no_shorts() -> None:
    """An LED reads either way (bench.md's model): neither reading may become a verdict."""
    for lit_low in (False, True):
        for seed in range(6):
            desk = Desk(wiring_of((2, 3), (6, 7), lights=(light(25, lit_low),)), seed=seed)
            assert bad_lines(desk) == {}


@pytest.mark.parametrize("seed", range(2, 12))
def test_two_lights_to_ground_that_read_as_they_like_are_not_joined(seed: int) -> None:
    """A pull-up is too weak for an LED: its line is neither low nor high (common practice)."""
    wiring = wiring_of((2, 3), (6, 7), lights=(light(20), light(21)))
    assert bad_lines(Desk(wiring, seed=seed)) == {}
    assert set(bad_lines(Desk(wiring, ["bridge GPIO3 GPIO7"], seed))) == {"GPIO3", "GPIO7"}
    if seed == 2:  # where they read high, what pulls one low is seen
        assert set(bad_lines(Desk(wiring, ["bridge GPIO20 GPIO21"], 0))) == {"GPIO20", "GPIO21"}
        assert set(bad_lines(Desk(wiring, ["bridge GPIO3 GPIO20"], 0))) == {"GPIO3", "GPIO20"}


def test_current_in_one_direction_where_no_switch_is() -> None:
    """A leak that reads low one way only, as some resolution of undefined readings has it, is `weak`."""
    seen = set()
    for seed in range(2, 40):
        found = bad_lines(Desk(small(), ["leaky GPIO2 GPIO3 47k"], seed))
        assert set(found) <= {"GPIO2", "GPIO3"}
        seen |= set(found.values())
    assert "weak" in seen


def test_dirt_that_reads_low_once_and_high_once_is_told() -> None:
    """Through 10 to 200 kOhm a pulled-up input reads as it likes (common practice)."""
    high, low = (Desk(small(), ["leaky GPIO3 GPIO4 47k"], seed) for seed in (0, 1))
    (told,) = lines.wavering(high.matrix, high.table(), low.table())
    assert told.startswith("GPIO3 and GPIO4 read low for one another once")
    assert lines.wavering(high.matrix, low.table(), low.table()) == ()
    assert lines.wavering(high.matrix, high.table(), low.table("SW1")) == (), "a switch was touched"


def test_a_line_that_rises_unlike_its_peers_is_a_hint_and_no_verdict() -> None:
    """300 pF behind a pull-up of 65 kΩ take some 20 µs, R · C: other lines of this matrix take 2."""
    desk = Desk(small(), ["slow GPIO3 300pF"])
    line = desk.findings.line(3)
    assert line is not None
    assert line.verdict is LineVerdict.CLEAR
    assert line.note is not None
    assert line.note.startswith(f"rises in {line.rise_us:.1f} µs")
    assert not desk.findings.bad
    assert all(one.note is None for one in desk.findings.lines if one.gpio != 3)


def test_a_pin_that_the_board_does_not_measure_is_untested() -> None:
    desk = Desk(small())
    from dataclasses import replace

    base = replace(desk.positions.base, over=desk.positions.base.over & ~(1 << 3))
    line = lines.findings(desk.matrix, base).line(3)
    assert line is not None
    assert line.verdict.value == "untested"


# -- every state of shorts ---------------------------------------------------------------------------

GROUND, SUPPLY = "GND", "3V3"
SEVEN = (2, 3, 4, 6, 7, 8, 9)


def partitions(members: list[object]) -> Iterator[list[list[object]]]:
    """Every way to share these out into nets."""
    if not members:
        yield []
        return
    first, *rest = members
    for nets in partitions(rest):
        yield [[first], *nets]
        for n in range(len(nets)):
            yield [*nets[:n], [first, *nets[n]], *nets[n + 1 :]]


def states_of_shorts() -> list[list[list[object]]]:
    """All nets of seven lines and the two supplies, where those are not tied together."""
    every = partitions([*SEVEN, GROUND, SUPPLY])
    return [nets for nets in every if not any(GROUND in net and SUPPLY in net for net in nets)]


def table_of(nets: list[list[object]]) -> Observation:
    """What copper alone makes of a pull-up, a pull-down and a drive: written down without the model."""
    net_of = {one: set(net) for net in nets for one in net}
    mask = {line: mask_of(each for each in net_of[line] if isinstance(each, int)) for line in SEVEN}
    low, high = (mask_of(one for one in net_of[end] if isinstance(one, int)) for end in (GROUND, SUPPLY))
    table = Observation(over=mask_of(SEVEN), down=mask_of(SEVEN) & ~high, held=high).with_row(REST, low)
    for line in SEVEN:
        if not high >> line & 1:
            table = table.with_row(line, mask[line] | low)
    return table


def test_each_state_of_shorts_is_read_as_what_it_is() -> None:
    """Brute force over 17,007 states: the Bell number of 9 less that of 8 (21,147 - 4,140, OEIS A000110),
    since ground and supply are apart. From the table alone comes the very state, so no two look alike."""
    states = states_of_shorts()
    assert len(states) == 17_007
    matrix = Desk(small()).matrix
    tables = set()
    for nets in states:
        table = table_of(nets)
        tables.add((table.low, table.down, table.held))
        found = lines.findings(matrix, table)
        held = {one.gpio: one.verdict.value for one in found.lines if one.verdict.value in ("low", "high")}
        groups = [
            [line for line in net if isinstance(line, int)]
            for net in nets
            if len(net) > 1 and GROUND not in net and SUPPLY not in net
        ]
        assert sorted(map(sorted, found.groups)) == sorted(map(sorted, groups))
        assert {gpio for gpio, verdict in held.items() if verdict == "low"} == {
            line for net in nets if GROUND in net for line in net if line != GROUND
        }
        assert {gpio for gpio, verdict in held.items() if verdict == "high"} == {
            line for net in nets if SUPPLY in net for line in net if line != SUPPLY
        }
        assert not found.closed
    assert len(tables) == 17_007


def test_the_model_reads_those_states_alike() -> None:
    """A sample of the same states, soldered on the electrical model."""
    wiring = small()
    for nets in Random(7).sample(states_of_shorts(), 150):
        chains = [sorted(net, key=lambda one: (isinstance(one, str), str(one))) for net in nets]
        words: dict[object, str] = {line: f"GPIO{line}" for line in SEVEN}
        words |= {GROUND: "GND", SUPPLY: "IOVDD"}
        planted = [
            parse_fault(f"bridge {words[a]} {words[b]}", wiring)
            for chain in chains
            for a, b in pairwise(chain)
        ]
        seen = observed(Board(wiring, planted).table(), mask_of(SEVEN))
        expected = table_of(nets)
        assert (seen.low, seen.down, seen.held) == (expected.low, expected.down, expected.held)


@pytest.mark.parametrize("diodes", [Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN])
def test_with_a_switch_closed_what_looks_alike_is_listed(diodes: Diodes) -> None:
    """A bridge between the closed switch's own lines hides it: the class is told, and the switch named."""
    desk = Desk(small(diodes), ["closed SW7", "bridge GPIO3 GPIO8"])
    assert desk.findings.groups == ((3, 8),)
    assert desk.findings.maybe_closed == {"SW7": "bridge GPIO3 GPIO8"}
    alone = Desk(small(diodes), ["bridge GPIO3 GPIO8"])
    assert alone.findings.table == desk.findings.table


def test_a_pin_that_is_left_out_is_not_held_high() -> None:
    """The board drives no pin that stays high when it is pulled down; nor one that it wasn't asked for."""
    told = [("can", "pins", "7"), ("low-lines", "down", "3"), ("low-lines", "up", "0")]
    told += [("low-lines", "0", "0"), ("low-lines", "1", "0")]
    for left_out in (False, True):
        reader = Reader()
        if left_out:
            reader.leave_out(2)
        for name, *fields in told:
            reader.take(Sentence(name, tuple(fields), 0))
        looked = reader.take(Sentence("finished", ("look",), 0))
        assert isinstance(looked, Looked)
        assert (looked.table.held, looked.table.over) == ((0, 0b011) if left_out else (0b100, 0b111))
