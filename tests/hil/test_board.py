"""The electrical model against a graph of its own in networkx, and against hand-worked cases."""

from __future__ import annotations

from random import Random

import networkx as nx
import pytest

from hil.board import ALL_PINS, Board, Table
from hil.faults import Fault, duration_us, parse_fault
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Wiring
from tests.hil.copper_graph import Reference
from tests.hil.wirings import light, random_fault, random_wiring, small, wiring_of


def board(wiring: Wiring, *faults: str) -> Board:
    return Board(wiring, [parse_fault(fault, wiring) for fault in faults])


def low(table: Table, driven: int | None = None) -> set[int]:
    mask = table.at_rest.low if driven is None else table.driven[driven].low
    return {pin for pin in range(30) if mask >> pin & 1}


def undefined(table: Table, driven: int | None = None) -> set[int]:
    mask = table.at_rest.undefined if driven is None else table.driven[driven].undefined
    return {pin for pin in range(30) if mask >> pin & 1}


def closed(*names: str) -> frozenset[str]:
    return frozenset(names)


# -- an independent graph ------------------------------------------------------------------------------


def masks(readings: list[str]) -> tuple[int, int]:
    low, undefined = (
        sum(1 << n for n, r in enumerate(readings) if r == word) for word in ("low", "undefined")
    )
    return low, undefined


@pytest.mark.parametrize("seed", range(40))
def test_readings_are_those_of_an_independent_graph(seed: int) -> None:
    """Source: shortest paths by networkx over a graph that shares no code with the model."""
    chance = Random(seed)
    checked = 0
    while checked < 6:
        wiring = random_wiring(chance)
        texts = [random_fault(chance, wiring) for _ in range(chance.choice((0, 1, 1, 2, 3, 5)))]
        if seed % 3 == 0:  # diodes of which a few together leak as much as flux does
            texts.append(f"leaks diodes {chance.choice((1, 6, 9, 15, 17))}uA")
            texts += [f"leaks SW{chance.randint(1, 9)} {chance.choice((100, 9000, 40000))}nA"]
        if seed % 2:  # supplies that fight through the diodes of one key
            lines = [*wiring.rows, *wiring.columns]
            texts += [f"{chance.choice(('low', 'high'))} GPIO{chance.choice(lines)}" for _ in range(2)]
        faults = []
        for text in texts:
            try:
                faults.append(parse_fault(text, wiring))
            except UserError:
                continue  # not for this wiring
        try:
            planted = Board(wiring, faults)
        except UserError:
            continue  # the supply shorted
        names = [switch.name for switch in wiring.switches]
        for _ in range(3):
            pressed = frozenset(chance.sample(names, min(len(names), chance.choice((0, 1, 2, 3, 6, 12)))))
            table = planted.table(pressed)
            reference = Reference(wiring, faults, pressed)
            reference.solve()
            dies = [("die", pin) for pin in range(30)]
            told = (table.at_rest.low, table.at_rest.undefined)
            assert told == masks([reference.reading(die, None) for die in dies]), (faults, pressed)
            told = (table.pulled_down.low, table.pulled_down.undefined)
            assert told == masks([reference.reading_down(die) for die in dies]), (faults, pressed)
            for pin in range(30):
                told = (table.driven[pin].low, table.driven[pin].undefined)
                assert told == masks([reference.reading(die, pin) for die in dies]), (faults, pressed, pin)
                assert (table.resets >> pin & 1) == (reference.reading("RUN", pin) == "low")
        checked += 1


@pytest.mark.parametrize("seed", range(20))
def test_without_diodes_a_reading_is_a_connected_component(seed: int) -> None:
    """Source: networkx.connected_components. That is what ghosting is."""
    chance = Random(seed)
    wiring = wiring_of((0, 1, 2, 3), (10, 11, 12, 13, 14), Diodes.NONE)
    pressed = frozenset(s.name for s in wiring.switches if chance.random() < 0.35)
    graph = nx.Graph()
    graph.add_nodes_from(range(30))
    graph.add_edges_from((s.row, s.column) for s in wiring.switches if s.name in pressed)
    table = Board(wiring).table(pressed)
    for component in nx.connected_components(graph):
        for pin in component:
            assert low(table, pin) == component


# -- hand-worked cases: the tables of the published description ----------------------------------------


@pytest.mark.parametrize(
    ("fault", "with_the_diode", "against_it"),
    [
        (None, True, False),
        ("reversed SW6", False, True),
        ("shorted SW6", True, True),
        ("open SW6", False, False),
    ],
)
@pytest.mark.parametrize("diodes", [Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN])
def test_one_press_tells_the_four_states_of_a_switch_and_its_diode(
    fault: str | None, with_the_diode: bool, against_it: bool, diodes: Diodes
) -> None:
    """A diode conducts from anode to cathode: common practice."""
    row, column = 3, 7  # of SW6
    cathode, anode = (row, column) if diodes is Diodes.CATHODE_TO_ROW else (column, row)
    table = board(small(diodes), *([fault] if fault else [])).table(closed("SW6"))
    assert (anode in low(table, cathode)) is with_the_diode
    assert (cathode in low(table, anode)) is against_it


def test_two_drops_are_undefined() -> None:
    """Three corners of a rectangle, the fourth's diode in backwards: the ghost reads through two drops."""
    table = board(small(), "reversed SW2").table(closed("SW1", "SW2", "SW6"))
    # From column 6 through SW1 to row 2, through SW2 (backwards) to column 7, through SW6 to row 3.
    assert 6 in undefined(table, 3)
    assert 6 not in low(table, 3)


def test_a_shorted_diode_makes_a_ghost() -> None:
    table = board(small(), "shorted SW2").table(closed("SW1", "SW2", "SW6"))
    assert 6 in undefined(table, 3)  # SW1's diode and SW6's
    assert {6, 7} <= low(table, 2)


def test_a_cut_track_silences_what_lies_behind_it() -> None:
    cut = board(small(), "cut GPIO2 after SW2")
    assert 6 in low(cut.table(closed("SW1")), 2)
    assert 7 in low(cut.table(closed("SW2")), 2)
    assert low(cut.table(closed("SW3")), 2) == {2}
    # Behind the cut the track still joins SW3 and SW4, but nothing drives it.
    assert low(cut.table(closed("SW3", "SW4")), 8) == {8}


def test_an_open_joint_leaves_the_pin_alone_on_its_line() -> None:
    table = board(small(), "open GPIO2").table(closed("SW1"))
    assert low(table, 2) == {2}
    assert table.rise_ns[2] < table.rise_ns[3]


def test_a_bridge_of_two_lines_shows_in_both_directions_and_adds_their_capacity() -> None:
    table = board(small(), "bridge GPIO3 GPIO4").table()
    assert low(table, 3) == low(table, 4) == {3, 4}
    assert low(table) == set()


def test_a_direct_switch_reads_low_with_nothing_driven() -> None:
    assert low(board(small()).table(closed("SW13"))) == {10}
    assert low(board(small(), "open SW13").table(closed("SW13"))) == set()


def test_lines_tied_to_ground_and_to_the_supply() -> None:
    table = board(small(), "low GPIO6", "high GPIO7").table()
    assert low(table) == {6}
    assert table.held_high == 1 << 7
    assert table.pulled_down.low == ALL_PINS & ~(1 << 7)
    assert 7 not in low(table, 7)


def test_a_key_hands_a_held_line_on() -> None:
    """SW2 joins column GPIO7, which the supply holds, to row GPIO2 through its diode."""
    table = board(small(), "high GPIO7").table(closed("SW2"))
    assert table.held_high == 1 << 7 | 1 << 2


def test_a_bridge_to_run_resets_the_chip_when_driven() -> None:
    table = board(small(), "bridge GPIO6 RUN").table()
    assert table.resets == 1 << 6
    assert not table.pulled_down.low >> 6 & 1  # RUN's own pull-up against the pull-down: undefined
    pressed = board(small(), "bridge GPIO6 RUN").table(closed("SW1"))
    assert pressed.resets == 1 << 6 | 1 << 2


def test_run_tied_to_ground_holds_the_chip_in_reset() -> None:
    assert board(small(), "bridge GPIO6 RUN", "low GPIO6").table().resets == ALL_PINS


def test_a_leak_and_an_led_are_undefined() -> None:
    wiring = wiring_of((2, 3), (6, 7), lights=(light(20), light(21, lit_low=True)))
    table = board(wiring, "leaky GPIO2 GPIO3 47k").table()
    assert (low(table, 2), undefined(table, 2)) == ({2}, {3, 20})
    assert undefined(table) == {20}
    assert table.pulled_down.undefined == 1 << 21


@pytest.mark.parametrize("pressed", [(), ("SW1",), ("SW1", "SW2"), ("SW1", "SW6", "SW13")])
def test_what_a_good_diode_leaks_reads_as_nothing(pressed: tuple[str, ...]) -> None:
    """A small-signal diode leaks 25 nA, and microamperes when hot: data sheets, from memory."""
    for microamperes in ("25nA", "5uA"):
        leaks = board(small(), f"leaks diodes {microamperes}")
        assert leaks.table(closed(*pressed)) == board(small()).table(closed(*pressed))


def test_what_diodes_of_one_line_leak_adds_up() -> None:
    """Ohm's law: 16.5 uA at 3.3 V is 200 kOhm. One row, whose columns are tied to ground."""
    wiring = wiring_of((2,), tuple(range(6, 18)))

    def of(count: int, microamperes: str) -> Table:
        tied = [f"low GPIO{gpio}" for gpio in range(6, 6 + count)]
        held = closed(*(f"SW{n}" for n in range(1, count + 1)))
        return board(wiring, f"leaks diodes {microamperes}", *tied).table(held)

    assert undefined(of(8, "2uA")) == set()
    assert undefined(of(9, "2uA")) == {2}
    # One more by way of the driven column.
    nine = board(wiring, "leaks diodes 2uA", *(f"low GPIO{gpio}" for gpio in range(6, 14)))
    table = nine.table(closed(*(f"SW{n}" for n in range(1, 10))))
    assert undefined(table) == set()
    assert undefined(table, 14) == {2}


def test_a_diode_that_leaks_as_flux_does_is_undefined_against_its_direction() -> None:
    table = board(small(), "leaks SW6 20uA").table(closed("SW6"))
    assert (low(table, 3), undefined(table, 3)) == ({3, 7}, set())
    assert (low(table, 7), undefined(table, 7)) == ({7}, {3})


def test_swapped_switches_and_lines() -> None:
    assert 7 in low(board(small(), "swapped SW1 SW2").table(closed("SW1")), 2)
    assert 6 in low(board(small(), "swapped GPIO2 GPIO3").table(closed("SW1")), 3)


def test_a_bridge_between_switch_and_diode_answers_for_both() -> None:
    table = board(small(), "bridge SW1 SW6").table(closed("SW1"))
    assert 6 in low(table, 2)
    assert 6 in low(table, 3)


def test_a_slow_line_rises_as_its_capacitor_charges() -> None:
    """t = RC ln(3.3 / (3.3 - 2.0)): 80 kOhm and 150 pF take 11 us; here 65 kOhm and 300 pF more: 18 us."""
    plain, slow = board(small()).table(), board(small(), "slow GPIO3 300pF").table()
    assert 17_000 < slow.rise_ns[3] - plain.rise_ns[3] < 19_000
    assert slow.rise_ns[4] == plain.rise_ns[4]


def test_undefined_readings_can_be_decided_either_way() -> None:
    table = board(small(), "leaky GPIO2 GPIO3 47k").table()
    high, as_low = table.resolved(0), table.resolved(1)
    assert high.driven[2].low == 1 << 2
    assert as_low.driven[2].low == 1 << 2 | 1 << 3
    assert not any(row.undefined for one in (high, as_low) for row in (one.at_rest, *one.driven))
    chosen = {table.resolved(seed).driven[2].low for seed in range(2, 20)}
    assert chosen == {1 << 2, 1 << 2 | 1 << 3}
    assert table.resolved(7) == table.resolved(7)


# -- the words of faults -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "open SW7",
        "closed SW7",
        "reversed SW7",
        "shorted SW7",
        "drops SW7",
        "bounces SW7 6ms",
        "sticks SW7",
        "open GPIO2",
        "cut GPIO2 after SW3",
        "bridge GPIO3 GPIO4",
        "bridge SW7 SW8",
        "bridge GPIO16 RUN",
        "low GPIO5",
        "high GPIO5",
        "leaky GPIO3 GPIO4 47k",
        "bounces SW7 6ms 20%",
        "sticks SW7 20%",
        "leaks SW7 2uA",
        "leaks diodes 50nA",
        "slow GPIO3 300pF",
        "swapped GPIO2 GPIO3",
        "swapped SW7 SW8",
        "no-flash",
        "no-usb",
    ],
)
def test_every_fault_is_read_and_written_alike(text: str) -> None:
    assert str(parse_fault(text, small())) == text


def test_a_pin_may_have_the_name_that_modules_print() -> None:
    assert parse_fault("open GP2", small()) == Fault("open", ("GPIO2",))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "isn't a fault"),
        ("broken SW7", "isn't a fault"),
        ("open SW70", "no switch SW70"),
        ("open GPIO30", "no switch GPIO30"),
        ("low GPIO30", "no pin"),
        ("reversed SW13", "no diode"),
        ("shorted SW13", "no diode"),
        ("cut GPIO2 after SW7", "isn't on GPIO2"),
        ("cut GPIO2 after SW4", "nothing lies after SW4"),
        ("cut GPIO2 behind SW3", "missing or too much"),
        ("bridge GPIO3 GPIO3", "twice"),
        ("bridge GPIO3 XTAL", "nothing that a line can touch"),
        ("leaky GPIO3 GPIO4 10", "outside 10k to 200k"),
        ("leaky GPIO3 GPIO4 lots", "no resistance"),
        ("slow GPIO3 300", "no capacitance"),
        ("bounces SW7 6", "no time"),
        ("bounces SW7 6ms 6", "no share"),
        ("sticks SW7 200%", "no share"),
        ("leaks SW7 2", "no current"),
        ("leaks SW7 0.5mA", "no current"),
        ("leaks SW7 301uA", "more than a diode leaks"),
        ("leaks SW13 2uA", "no diode"),
        ("no-usb SW7", "nothing follows"),
        ("open", "missing or too much"),
    ],
)
def test_a_wrong_fault_is_explained(text: str, says: str) -> None:
    with pytest.raises(UserError, match=says) as told:
        parse_fault(text, small())
    assert told.value.help
    assert told.value.exit_status == 2


def test_without_diodes_there_is_none_to_break() -> None:
    with pytest.raises(UserError, match="no diodes"):
        parse_fault("reversed SW1", small(Diodes.NONE))


def test_a_shorted_supply_is_refused() -> None:
    with pytest.raises(UserError, match="supply to ground"):
        board(small(), "low GPIO5", "high GPIO5")


@pytest.mark.parametrize(("text", "us"), [("6ms", 6000), ("800us", 800), ("1.5s", 1_500_000)])
def test_times(text: str, us: int) -> None:
    assert duration_us(text) == us


def test_a_closed_switch_between_the_rails_ties_them_together() -> None:
    wiring = wiring_of((2, 3), (4, 5), Diodes.NONE)
    faults = [parse_fault(text, wiring) for text in ("high GPIO2", "low GPIO5", "closed SW2")]
    with pytest.raises(UserError, match="supply to ground"):
        Board(wiring, faults)
    Board(wiring, faults[:2])
