"""From verdicts to what to mend, in which order, and where to look."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pytest

from hil.diagnosis.diagnose import _ORDER, diagnosis
from hil.faults import parse_fault
from hil.result import Fault
from keyc.keyboard import Diodes, Wiring
from tests.hil.boards import Desk
from tests.hil.wirings import small, wiring_of

# GPIO → package pin, from the RP2040 datasheet's pinout (QFN-56), copied by hand for these tests.
PINOUT = {2: 4, 3: 5, 4: 6, 6: 8, 7: 9, 8: 11, 9: 12, 10: 13, 16: 27, 17: 28}


def faults_of(wiring: Wiring, faults: Sequence[str], seed: int = 0) -> tuple[Fault, ...]:
    return Desk(wiring, faults, seed).follow().result().faults


@pytest.mark.parametrize("diodes", [Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN])
@pytest.mark.parametrize(
    "planted",
    [
        "open SW7",
        "open SW13",
        "closed SW7",
        "reversed SW7",
        "shorted SW7",
        "open GPIO2",
        "open GPIO7",
        "cut GPIO2 after SW2",
        "cut GPIO6 after SW1",
        "bridge GPIO3 GPIO4",
        "bridge GPIO9 GPIO11",
        "bridge GPIO3 GPIO8",
        "bridge SW1 SW6",
        "low GPIO6",
        "high GPIO6",
        "swapped SW6 SW7",
        "swapped SW1 SW12",
        "swapped GPIO2 GPIO4",
        "swapped GPIO6 GPIO9",
    ],
)
def test_what_was_planted_is_what_is_to_be_mended(planted: str, diodes: Diodes) -> None:
    """Kind and place of the one fault found, read as a fault to plant, are the fault that was planted."""
    wiring = small(diodes)
    found = faults_of(wiring, [planted])
    assert [(fault.kind, set(fault.where)) for fault in found] == [
        (parse_fault(planted, wiring).kind, set(parse_fault(planted, wiring).where))
    ]
    assert parse_fault(found[0].title, wiring).kind == found[0].kind


def test_several_at_once_come_in_the_order_of_mending() -> None:
    """Supply shorts, bridges, opens, then diodes."""
    wiring = wiring_of((2, 3, 4, 5), (6, 7, 8, 9), directs=(10,))
    found = faults_of(
        wiring, ["reversed SW1", "open SW2", "bridge GPIO3 GPIO4", "low GPIO9", "closed SW14", "shorted SW13"]
    )
    assert [fault.title for fault in found] == [
        "low GPIO9",
        "bridge GPIO3 GPIO4",
        "closed SW14",
        "open SW2",
        "reversed SW1",
        "shorted SW13",
    ]
    assert [fault.rank for fault in found] == list(range(1, 7))


def test_a_fault_of_a_whole_line_is_told_once() -> None:
    desk = Desk(small(), ["open GPIO2"]).follow()
    result = desk.result()
    assert [fault.title for fault in result.faults] == ["open GPIO2"]
    assert {line.pin: line.verdict.value for line in result.lines if line.verdict.value != "clear"} == {
        "GPIO2": "open"
    }
    assert result.faults[0].switches == ("SW1", "SW2", "SW3", "SW4")


def test_nobody_pressing_anything_is_no_open_line() -> None:
    result = Desk(small()).end().result()
    assert result.faults == ()
    assert result.unreached == tuple(f"SW{n}" for n in range(1, 14))


@pytest.mark.parametrize("gpio", sorted(PINOUT))
def test_a_pin_is_named_with_its_number_on_the_package(gpio: int) -> None:
    wiring = wiring_of((2, 3, 4, 16), (6, 7, 8, 9, 10, 17))
    (fault,) = faults_of(wiring, [f"low GPIO{gpio}"])
    text = " ".join(f"{cause.look_at} {cause.meter}" for cause in fault.causes)
    assert f"pin {PINOUT[gpio]} of the chip, GPIO{gpio}" in text
    assert f"GPIO{gpio} (pin {PINOUT[gpio]})" in text


def test_neighbouring_pins_are_the_first_suspect_of_a_bridge_and_distant_ones_are_not() -> None:
    (near,) = faults_of(small(), ["bridge GPIO3 GPIO4"])
    assert "neighbouring pins of the chip, 5 and 6" in near.causes[0].what
    (far,) = faults_of(small(), ["bridge GPIO2 GPIO9"])
    assert "neighbouring" not in " ".join(cause.what for cause in far.causes)
    assert "at SW4 and its diode D4" in far.causes[0].look_at


def test_every_cause_says_what_where_and_what_a_meter_reads() -> None:
    planted = ["open SW7", "closed SW5", "reversed SW8", "shorted SW3", "bridge GPIO4 GPIO11", "low GPIO9"]
    for diodes in Diodes:
        wiring = small(diodes)
        for text in planted:
            if diodes is Diodes.NONE and text.split()[0] in ("reversed", "shorted"):
                continue
            for fault in faults_of(wiring, [text]):
                assert fault.causes
                assert fault.evidence
                for cause in fault.causes:
                    assert cause.what
                    assert cause.look_at
                    assert cause.meter
                    assert "unplugged" in cause.meter
                words = [cause.what for cause in fault.causes]
                assert len(set(words)) == len(words)


def test_without_diodes_nothing_speaks_of_one() -> None:
    for text in ("open SW7", "closed SW7", "bridge GPIO3 GPIO4"):
        for fault in faults_of(small(Diodes.NONE), [text]):
            words = " ".join(f"{c.what} {c.look_at}" for c in fault.causes)
            assert not re.search(r"\bdiode\b", words.replace("and its diode", "")), words


def test_the_diodes_own_designator_is_used() -> None:
    (fault,) = faults_of(small(), ["reversed SW7"])
    assert "diode D7 of SW7" in fault.causes[0].what


@pytest.mark.parametrize(
    ("diodes", "towards"),
    [(Diodes.CATHODE_TO_ROW, "row GPIO3"), (Diodes.CATHODE_TO_COLUMN, "column GPIO8")],
)
def test_where_the_ring_of_a_reversed_diode_belongs(diodes: Diodes, towards: str) -> None:
    (fault,) = faults_of(small(diodes), ["reversed SW7"])
    assert f"ringed end (cathode) belongs towards the {towards}" in fault.causes[0].look_at


def test_a_chain_of_bridges_names_each_gap() -> None:
    found = faults_of(small(), ["bridge GPIO2 GPIO3", "bridge GPIO3 GPIO4"])
    assert [fault.title for fault in found] == ["bridge GPIO2 GPIO3", "bridge GPIO3 GPIO4"]


def test_the_order_knows_every_word_for_a_fault() -> None:
    kinds = {"open", "closed", "reversed", "shorted", "drops", "bounces", "sticks"}
    kinds |= {"cut", "bridge", "low", "high", "leaky", "slow", "swapped", "moved", "detents"}
    assert set(_ORDER) == kinds


def test_a_shorted_diode_is_listed_with_a_rectangle_that_it_spoils() -> None:
    (ghost,) = Desk(small(), ["shorted SW6"]).follow().result().ghosting
    assert ghost.suspect == "SW6"
    assert ghost.proven
    rows = {name: (int(name[2:]) - 1) // 4 for name in ghost.rectangle}
    columns = {name: (int(name[2:]) - 1) % 4 for name in ghost.rectangle}
    assert len(set(rows.values())) == len(set(columns.values())) == 2
    assert rows[ghost.ghost] != rows["SW6"]
    assert columns[ghost.ghost] != columns["SW6"]


@pytest.mark.parametrize("planted", ["bridge SW1 SW2", "bridge SW5 SW8"])
def test_solder_between_two_switches_of_a_row_shows_when_both_are_held(planted: str) -> None:
    """Each alone reads as on a good board; held together, their columns read low for one another."""
    first, second = planted.split()[1:]
    desk = Desk(small(), [planted]).follow()
    verdicts = [desk.positions.position(name) for name in desk.matrix.switches]
    assert diagnosis(desk.matrix, desk.findings, desk.positions, verdicts).faults == ()
    chord = frozenset((first, second))
    found = diagnosis(
        desk.matrix, desk.findings, desk.positions, verdicts, chords={chord: desk.table(*chord)}
    ).faults
    assert [fault.title for fault in found] == [planted]
    good = Desk(small()).follow()
    assert not diagnosis(
        good.matrix, good.findings, good.positions, verdicts, chords={chord: good.table(*chord)}
    ).faults


def test_what_hides_a_switch_is_one_of_the_faults() -> None:
    """At rest the lines alone look like dirt; it is solder between two switches and a turned diode."""
    wiring = wiring_of((2, 3), (4, 5), Diodes.CATHODE_TO_ROW)
    result = Desk(wiring, ["bridge SW1 SW4", "reversed SW4", "open SW4"], seed=1).follow().result()
    titles = {fault.title for fault in result.faults}
    assert titles
    for one in result.positions:
        assert titles.issuperset(one.blocked_by), (one.switch, one.blocked_by, titles)
