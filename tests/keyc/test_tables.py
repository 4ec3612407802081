"""The plain integers, against the C header's own words, its compiler, and the usage tables."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from keyc.files import data_rows, shipped
from keyc.fingerprints import fingerprints
from keyc.keyboard import Action, Debounce, Diodes, LayerHeld, Off, Through, Usage, UsbBoot
from keyc.table_rows import SECOND_CONTROLS, SECOND_NONE, TABLES_VERSION, Tables, TimingRow
from keyc.tables import tables_of
from keyc.usages import is_reportable
from tests.keyc.c_compilers import chip_compilers, compile_objects
from tests.keyc.hand_made import key, keyboard_of, media, system, wiring_of

HEADER = shipped("templates", "engine", "keyc_engine.h")


def test_cells_are_what_the_header_says() -> None:
    """Bit for bit, as the comment above `keyc_cell` has it."""
    actions: list[Action] = [
        Through(),
        Off(),
        UsbBoot(),
        LayerHeld("upper"),
        key(0x04),
        key(0x1D, 0xE0),
        key(0x1D, 0xE1, 0xE3),
        key(0x1D, 0xE6),
        key(0x1D, 0xE5, 0xE7),
        key(0xE2),
    ]
    wiring = wiring_of(rows=(2, 3), columns=(6, 7, 8, 9, 10), direct=())
    (cells, _) = tables_of(keyboard_of(wiring, actions, [])).cells
    assert [f"{cell:016b}" for cell in cells] == [
        "0000000000000000",
        "0000000000000001",
        "0000000000000010",
        "0110000000000001",
        "0010000000000100",
        "0010000100011101",
        "0010101000011101",
        "0011010000011101",
        "0011101000011101",
        "0010000011100010",
    ]


def test_what_needs_an_action_gets_one_and_shares_it() -> None:
    actions = [media(0xE9), key(4, 0xE0, 0xE4), media(0xE9), media(0xE9, 0xE1), system(0x81)]
    tables = tables_of(keyboard_of(wiring_of(), actions))
    assert tables.cells == ((0x4000, 0x4001, 0x4000, 0x4002, 0x4003),)
    assert tables.actions == (actions[0], actions[1], actions[3], actions[4])
    assert tables.second_reports == SECOND_CONTROLS


def test_keys_alone_need_no_second_interface() -> None:
    tables = tables_of(keyboard_of(wiring_of(), [key(4), key(4, 0xE0, 0xE4)]))
    assert tables.second_reports == SECOND_NONE
    assert tables.actions == (key(4, 0xE0, 0xE4),)


@pytest.mark.parametrize("diodes", list(Diodes))
def test_the_cathode_side_is_driven(diodes: Diodes) -> None:
    """bench.md's model: a good switch reads low when the cathode's line is driven."""
    from hil.board import Board

    wiring = wiring_of(rows=(2, 3), columns=(6, 7, 8), direct=(11, 10), diodes=diodes, without=("SW2",))
    tables = tables_of(keyboard_of(wiring, []))
    for number, switch in enumerate(wiring.switches):
        table = Board(wiring).table(frozenset({switch.name}))
        read = [
            numbers[place]
            for pin, numbers in zip(tables.driven, tables.switch_at, strict=False)
            for place, sensed in enumerate(tables.sensed)
            if table.driven[pin].low >> sensed & 1
        ]
        read += [
            tables.switch_at[-1][place]
            for place, pin in enumerate(tables.direct)
            if table.at_rest.low >> pin & 1
        ]
        assert read == [number], switch.name
    assert sum(map(len, tables.switch_at)) == len(tables.driven) * len(tables.sensed) + len(tables.direct)


def test_timings() -> None:
    special = {"SW2": Debounce(20_000), "SW4": Debounce(5_000, at_once=True), "SW5": Debounce(20_000)}
    tables = tables_of(keyboard_of(wiring_of(), [], for_switch=special))
    assert tables.timings == (TimingRow(5_000, False), TimingRow(20_000, False), TimingRow(5_000, True))
    assert tables.timing_of == (0, 1, 0, 2, 1)
    plain = tables_of(keyboard_of(wiring_of(), [], for_switch={"SW2": Debounce(5_000)}))
    assert (plain.timings, plain.timing_of) == ((TimingRow(5_000, False),), None)


def test_what_a_report_can_say() -> None:
    """HID Usage Tables: System Power Down to System Display LCD Autoscale; keys without error codes."""
    desktop = {int(number, 16): name for number, name, *_ in data_rows("hut-page01-generic-desktop.tsv")}
    assert desktop[0x81].startswith("System Power Down")
    assert desktop[0xB7].startswith("System Display")
    for number, name in desktop.items():
        assert is_reportable(Usage(0x01, number)) == (0x81 <= number <= 0xB7), name
    keyboard = {int(number, 16): name for number, name, *_ in data_rows("hut-page07-keyboard.tsv")}
    assert keyboard[0x04].startswith("Keyboard A")
    assert [n for n in range(256) if is_reportable(Usage(0x07, n))] == list(range(0x04, 0xE8))
    assert not is_reportable(Usage(0x0C, 0))
    assert not is_reportable(Usage(0x08, 1))
    with pytest.raises(ValueError, match="0x08"):
        tables_of(keyboard_of(wiring_of(), [key(4).replaced(usage=Usage(0x08, 1))]))


def test_a_plain_cell_takes_two_bytes() -> None:
    wiring = wiring_of(rows=tuple(range(6)), columns=tuple(range(6, 23)), direct=())
    layers = [[key(4 + n % 100) for n in range(102)]] * 4
    sizes = [tables_of(keyboard_of(wiring, *layers[:count])).flash_bytes for count in (1, 2, 3, 4)]
    assert [later - sooner for sooner, later in pairwise(sizes)] == [204] * 3


@pytest.mark.parametrize("compiler", chip_compilers())
def test_sizes_are_the_compilers(compiler: str, tmp_path: Path) -> None:
    wiring = wiring_of()
    tables = tables_of(keyboard_of(wiring, [], for_switch={"SW1": Debounce(1)}))
    flash = (
        "sizeof(struct keyc_tables) + 2 * sizeof(struct keyc_timing) + 0 * sizeof(keyc_action)"
        " + 2 + 2 + 1 + 5 + 5 + 5 * sizeof(keyc_cell)"
    )
    checks = {
        f"KEYC_TABLES_VERSION == {TABLES_VERSION}",
        f"KEYC_KEYBOARD_BYTES(5) == {tables.state_bytes}",
        f"{flash} == {tables.flash_bytes}",
        f"sizeof(keyc_action) == {with_action(tables).flash_bytes - tables.flash_bytes}",
    }
    lines = [f'_Static_assert({check}, "");' for check in sorted(checks)]
    (tmp_path / "sizes.c").write_text("\n".join([f'#include "{HEADER}"', *lines, ""]))
    assert compile_objects(chip_compilers()[compiler], tmp_path, ["sizes.c"]) == ""


def with_action(tables: Tables) -> Tables:
    return tables.replaced(actions=(media(0xE9),))


def test_fingerprints_tell_what_matters() -> None:
    wiring = wiring_of()
    keyboard = keyboard_of(wiring, [key(4), LayerHeld("upper")], [key(5)])
    first = fingerprints(keyboard)
    for text in (first.wiring, first.keymap, first.engine):
        assert len(bytes.fromhex(text)) == 6
        assert text == text.lower()

    turned = wiring_of(rows=(3, 2), columns=(7, 6))
    by_place = {(s.row, s.column, s.direct): s.name for s in wiring.switches}
    renamed = tuple(s.replaced(name=by_place[s.row, s.column, s.direct]) for s in turned.switches)
    assert fingerprints(keyboard_of(turned.replaced(switches=renamed), [])).wiring == first.wiring
    moved = wiring_of(direct=(11,))
    assert fingerprints(keyboard_of(moved, [])).wiring != first.wiring
    assert fingerprints(keyboard_of(wiring_of(diodes=Diodes.NONE), [])).wiring != first.wiring

    titled = keyboard_of(
        wiring, [key(4), LayerHeld("arrows")], [key(5)], names=("b", "arrows"), title="Other"
    )
    assert fingerprints(titled) == first
    other = fingerprints(keyboard_of(wiring, [key(4), LayerHeld("upper")], [key(6)]))
    assert (other.wiring, other.engine) == (first.wiring, first.engine)
    assert other.keymap != first.keymap
    slower = keyboard_of(wiring, [key(4), LayerHeld("upper")], [key(5)], debounce=Debounce(6_000))
    assert fingerprints(slower).keymap != first.keymap
