"""Wiring out of presses alone."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest
from wirings import random_wiring, small, wiring_of

from hil.board import Board, parse_fault
from hil.cli import main
from hil.learn import Learner, learnt
from hil.observe import REST, ROW, observed
from keyc.compile import check_text
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Wiring
from keyc.source import Source


def learner_of(wiring: Wiring, faults: list[str], order: list[str], seed: int = 0) -> Learner:
    board = Board(wiring, [parse_fault(text, wiring) for text in faults])
    base = observed(board.table().resolved(seed), ROW)
    usable = base.over & ~base.held & ~base.row(REST)
    learner = Learner(base.within(usable))
    for name in order:
        table = observed(board.table(frozenset((name,))).resolved(seed), usable, driven=usable)
        contact = learner.contact_in(table)
        if contact is not None:
            learner.pressed(contact)
    return learner


def checked(text: str, names: tuple[str, ...]) -> Wiring:
    """The wiring, as the compiler reads the text."""
    shape = "shape {\n" + "\n".join(f"    {name}" for name in names) + "\n}\n"
    layer = "layer base {\n" + "\n".join("    off" for _ in names) + "\n}\n"
    head = 'keyboard "Test" {\n    usb 0x1209:0x0001  maker "Nobody"\n}\n'
    keyboard, found = check_text(Source("learnt.keys", head + text + shape + layer))
    assert keyboard is not None, [one.message for one in found]
    return keyboard.wiring


def joins(wiring: Wiring) -> set[tuple[str, int | None, int | None]]:
    """Per switch the anode's and the cathode's line; unordered where there are no diodes."""
    found = set()
    for switch in wiring.switches:
        a, b = switch.column, switch.row
        if wiring.diodes is Diodes.CATHODE_TO_COLUMN:
            a, b = b, a
        if switch.direct is not None:
            a, b = switch.direct, None
        elif wiring.diodes is Diodes.NONE:
            a, b = sorted((a, b))  # type: ignore[type-var]
        found.add((switch.name, a, b))
    return found


@pytest.mark.parametrize("seed", range(60))
def test_any_board_in_any_order(seed: int) -> None:
    """What is learnt joins the same lines, through diodes that lead the same way, as what was pressed."""
    chance = Random(seed)
    wiring = random_wiring(chance)
    order = [switch.name for switch in wiring.switches]
    chance.shuffle(order)
    learner = learner_of(wiring, [], order, seed % 3)
    found = learnt(learner.contacts, order)
    assert found.remarks == ()
    assert joins(checked(found.wiring, found.switches)) == joins(wiring)


def test_a_diode_that_is_in_backwards_is_said() -> None:
    wiring = small()
    order = [switch.name for switch in wiring.switches]
    found = learnt(learner_of(wiring, ["reversed SW6"], order).contacts, order)
    assert found.remarks == ("SW6: its diode leads the other way than most",)
    found = learnt(learner_of(wiring, ["shorted SW6"], order).contacts, order)
    assert found.remarks == ("SW6: conducts both ways, its diode is shorted or missing",)


def test_two_keys_at_once_are_nothing_learnt() -> None:
    wiring = small()
    learner = learner_of(wiring, [], [])
    board = Board(wiring)
    both = observed(board.table(frozenset(("SW1", "SW6"))), ROW, driven=ROW & ~(1 << 29))
    assert learner.contact_in(both) is None


def test_keys_that_fit_no_rows_and_columns() -> None:
    wiring = wiring_of((2,), (3, 4))
    learner = learner_of(wiring, [], ["SW1", "SW2"])
    from hil.learn import Contact

    learner.pressed(Contact(3, 4, True))
    with pytest.raises(UserError, match="don't fit"):
        learnt(learner.contacts)


def test_the_command_learns_a_file_that_checks_clean(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "nine.keys"
    file.write_text(
        'keyboard "Nine" {\n    usb 0x1209:0x0001  maker "Nobody"\n}\n'
        "wiring {\n    diodes cathode-to-column\n    columns    GPIO6  GPIO7  GPIO8\n"
        "    row GPIO2  SW1    SW2    SW3\n    row GPIO3  SW4    SW5    --\n    direct GPIO10 SW9\n}\n"
        "shape {\n    SW1 SW2 SW3\n    SW4 SW5 SW9\n}\nlayer base {\n    A B C\n    D E usb-boot\n}\n"
    )
    learnt_file = tmp_path / "learnt.keys"
    assert main(["learn", "--virtual", str(file), "--shape", str(file), "-o", str(learnt_file)]) == 0
    out = capsys.readouterr().out
    assert out == (
        "wiring {\n    diodes cathode-to-column\n    columns    GPIO6  GPIO7  GPIO8\n"
        "    row GPIO2  SW1    SW2    SW3\n    row GPIO3  SW4    SW5    --\n    direct GPIO10  SW9\n}\n"
    )
    keyboard, found = check_text(Source("learnt.keys", learnt_file.read_text()))
    assert keyboard is not None
    assert [one for one in found if one.severity == "error"] == []
