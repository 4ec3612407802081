"""The bench image in the emulated chip says what the same C says on this computer."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

import pytest

from hil.board import Board
from hil.chip.chip_board import ChipBoard
from hil.faults import parse_fault
from hil.host_board import HostBoard
from hil.link import Link
from hil.transport import BoardTransport, PortGone
from hil.virtual import Finger
from hil.wire import Sentence
from keyc.image.firmware import build_uf2
from tests.hil.wirings import small, wiring_of
from tests.pico_sdk import RUNTIMES

WIRING = small()
MASK = sum(1 << pin for pin in (2, 3, 4, 6, 7, 8, 9, 10))
TIMED_US = 20  # KEYC_BENCH_TIMED_US
FAULTS = [
    (),
    ("reversed SW6", "bridge GPIO3 GPIO4", "high GPIO5"),
    ("low GPIO7", "open GPIO2", "slow GPIO8 300pF"),
    ("cut GPIO3 after SW6", "shorted SW10", "closed SW3"),
    ("slow GPIO6 3nF", "swapped GPIO3 GPIO9", "bridge SW1 SW6"),
    ("leaky GPIO2 GPIO3 47k", "swapped SW1 SW2", "high GPIO9"),
]


@pytest.fixture(scope="module", params=RUNTIMES)
def chip(request: pytest.FixtureRequest) -> Iterator[ChipBoard]:
    """The universal image, loaded once by the true path."""
    board = ChipBoard(build_uf2(None, "bench", runtime=request.param).bytes, WIRING)
    board.power_on()
    yield board
    assert board.chip.warnings == []
    assert board.chip.drives.violations == []


def table_of(said: list[Sentence]) -> set[tuple[str, ...]]:
    names = ("low-lines", "rise", "held-against", "not-recovered")
    return {(one.name, *one.fields) for one in said if one.name in names}


def without_rise(table: set[tuple[str, ...]]) -> set[tuple[str, ...]]:
    return {row for row in table if row[0] != "rise"}


def rises(table: set[tuple[str, ...]]) -> dict[str, float]:
    return {row[1]: float(row[2]) for row in table if row[0] == "rise"}


@pytest.mark.parametrize("faults", FAULTS, ids=lambda faults: ", ".join(faults) or "none")
def test_a_look_on_the_chip_is_a_look_on_this_computer(chip: ChipBoard, faults: tuple[str, ...]) -> None:
    planted = [parse_fault(fault, WIRING) for fault in faults]
    host = HostBoard(WIRING, planted)
    chip.set_faults(planted)
    for pressed in (frozenset(), frozenset({"SW6", "SW13"})):
        tables = []
        for board in (chip, host):
            board.set_closed(pressed)
            link = Link(BoardTransport(board))
            link.who()
            tables.append(table_of(link.look()))
        on_chip, on_host = tables
        assert without_rise(on_chip) == without_rise(on_host)
        # The chip looks every few cycles for the first 20 µs, then about every µs, as this computer does.
        ahead = {pin: on_chip_us - rises(on_host)[pin] for pin, on_chip_us in rises(on_chip).items()}
        fine = {pin: us for pin, us in ahead.items() if rises(on_chip)[pin] < TIMED_US}
        assert all(-0.1 <= us <= 0.15 for us in fine.values()), fine
        assert all(-1.1 <= us <= 2 for us in ahead.values()), ahead
    chip.set_closed(frozenset())


def test_no_press_or_release_is_missed_whatever_its_moment(chip: ChipBoard) -> None:
    """A switch may move between a scan and the polls at rest: each press and release is one frame."""
    chip.set_faults([parse_fault("reversed SW6", WIRING)])
    chip.set_closed(frozenset())
    chance = Random(1)
    finger = Finger(chip)
    link = Link(BoardTransport(finger))
    link.who()
    link.watch(MASK)
    model = Board(WIRING, chip.faults)
    for _ in range(50):
        switch = chance.choice(WIRING.switches).name
        for pressed in (frozenset({switch}), frozenset()):
            (finger.down if pressed else finger.up)(switch)
            finger.advance(chance.randrange(12_000, 16_000))
            frames = []
            while (said := link.sentence(1_000)) is not None:
                assert isinstance(said, Sentence)
                frames.append(said)
            table = model.table(pressed)
            assert [one.name for one in frames].count("finished") == 1, (switch, pressed)
            for one in frames[:-1]:
                row = table.at_rest if one.fields[0] == "up" else table.driven[one.number(0)]
                own = 0 if one.fields[0] == "up" else 1 << one.number(0)
                assert one.mask(1) == row.low & MASK & ~own


def test_a_pin_that_resets_the_chip_is_the_last_thing_announced() -> None:
    """GPIO16 beside RUN; the pull-up of RUN loses against the pull-down (seed 1), so it is driven."""
    wiring = wiring_of((15, 16), (6, 7))
    board = ChipBoard(build_uf2(None, "bench").bytes, wiring, [parse_fault("bridge GPIO16 RUN", wiring)], 1)
    board.power_on()
    link = Link(BoardTransport(board))
    link.who()
    with pytest.raises(PortGone) as gone:
        link.look(1 << 6 | 1 << 7 | 1 << 15 | 1 << 16)
    assert gone.value.announced == 16


def test_edges_on_the_chip_are_those_of_the_contact(chip: ChipBoard) -> None:
    """A line held low, real interrupts: every edge of every bounce, in its order and within some µs."""
    chip.set_faults([])
    chip.set_closed(frozenset())
    link = Link(BoardTransport(chip))
    can = {one.fields[0]: one.fields[1] for one in link.who() if one.name == "can"}
    link.edges(3, MASK)
    chance = Random(3)
    moments = []
    for n in range(60):
        chip.set_closed(frozenset({"SW6"} if n % 2 == 0 else ()))
        moments.append(chip.now_us)
        chip.advance(int(can["edges"]) + chance.randrange(300))
    heard: list[Sentence] = []
    while len(heard) < len(moments):
        said = link.sentence(50_000)
        assert isinstance(said, Sentence)
        assert said.name == "edge"
        heard.append(said)
    assert [one.fields[1] for one in heard] == ["low", "high"] * 30
    assert {one.fields[0] for one in heard} == {"7"}
    # The board's clock began with its power; a line rises through its pull-up.
    late = [int(one.fields[2]) - at_us for one, at_us in zip(heard, moments, strict=True)]
    assert max(late) - min(late) <= 5
    link.stop()
    assert chip.chip.warnings == []


def test_a_held_line_is_let_go_when_something_holds_it_high(chip: ChipBoard) -> None:
    """The supply comes on to the held line through SW6 and a column that is tied to it."""
    chip.set_faults([parse_fault("high GPIO7", WIRING), parse_fault("shorted SW6", WIRING)])
    chip.set_closed(frozenset())
    link = Link(BoardTransport(chip))
    link.who()
    link.edges(3, MASK)
    chip.set_closed(frozenset({"SW6"}))
    said = [one for _ in range(4) if isinstance(one := link.sentence(20_000), Sentence)]
    assert ("held-against", ("3",)) in [(one.name, one.fields) for one in said]
    chip.advance(1_000)
    assert chip.chip.gpio_state.driven_low == 0
    chip.set_closed(frozenset())
    chip.set_faults([])
