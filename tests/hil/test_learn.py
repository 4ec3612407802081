"""Wiring out of presses alone."""

from __future__ import annotations

import io
from pathlib import Path
from random import Random

import pytest

from hil.board import Board
from hil.cli import main
from hil.events import Event
from hil.faults import parse_fault
from hil.host_board import HostBoard
from hil.learn import Learner, learn, learnt
from hil.link import Link
from hil.observe import REST, ROW, observed
from hil.transport import BoardTransport
from hil.views.terminal import LearningView, PlainView, learning_view_on
from hil.virtual import Finger
from keyc.compile import check_text
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Wiring
from keyc.source import Source
from tests.hil.boards import keyboard_of
from tests.hil.wirings import random_wiring, small, wiring_of


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


SHAPE = """# Of the case, before anybody has wired it.
shape {
    SW1  SW2  [0.5u]  SW3   # a } in a comment ends nothing
    [0.25u] SW4 1.5u  SW5 2u  # the last line
    at 5u 0u turned 10deg SW6
}
"""


@pytest.mark.parametrize("diodes", ["cathode-to-row", "cathode-to-column", "none"])
def test_a_board_of_each_kind_named_by_a_shape(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], diodes: str
) -> None:
    """The whole way, over the bench's own C: rows, columns, the diodes' direction, a key to ground, and the
    names by the order of a shape that stands alone in its file."""
    board, shape, output = (tmp_path / name for name in ("board.keys", "shape.keys", "learnt.keys"))
    board.write_text(
        'keyboard "Six" {\n    usb 0x1209:0x0001  maker "Nobody"\n}\n'
        f"wiring {{\n    diodes {diodes}\n    columns    GPIO6  GPIO7  GPIO8\n"
        "    row GPIO2  A      B      C\n    row GPIO3  D      E      --\n    direct GPIO10  F\n}\n"
        "shape {\n    A B C\n    D E F\n}\nlayer base {\n    A B C\n    D E usb-boot\n}\n"
    )
    shape.write_text(SHAPE)
    arguments = ["learn", "--virtual", str(board), "--shape", str(shape), "-o", str(output)]
    assert main(arguments) == 0
    told = capsys.readouterr()
    assert told.out == (
        f"wiring {{\n    diodes {diodes}\n    columns    GPIO6  GPIO7  GPIO8\n"
        "    row GPIO2  SW1    SW2    SW3\n    row GPIO3  SW4    SW5    --\n    direct GPIO10  SW6\n}\n"
    )
    assert "[0 of 6 learnt] press SW1: row 1, 1st from the left\n" in told.err
    assert "key 6: SW6, GPIO10 to ground\n" in told.err
    text = output.read_text()
    assert SHAPE[SHAPE.index("shape") :] in text
    keyboard, found = check_text(Source("learnt.keys", text))
    assert keyboard is not None, found
    assert keyboard.caps[5].rotation_deg == 10
    assert joins(keyboard.wiring) == joins(checked(told.out, tuple(f"SW{n}" for n in range(1, 7))))


def learning(*silent: str, held: str | None = None) -> tuple[Learner, list[Event]]:
    """A hand that presses what is asked for, but for these, of which it says that they don't answer."""
    wiring = small()
    finger = Finger(HostBoard(wiring))
    if held is not None:
        finger.down(held, 0)
    names = [switch.name for switch in wiring.switches if switch.name != held]
    events: list[Event] = []

    def tell(event: Event) -> None:
        events.append(event)
        if event.kind == "prompt" and event.switch is not None and event.switch not in silent:
            finger.tap(event.switch, 30_000, finger.now_us + 60_000)

    def skip() -> bool:
        return [event.switch for event in events if event.kind == "prompt"][-1] in silent

    return learn(Link(BoardTransport(finger)), tell, names=names, skip=skip), events


def test_a_key_that_does_not_answer_takes_no_name_from_the_next() -> None:
    learner, events = learning("SW3", "SW7")
    assert learner.silent == ["SW3", "SW7"]
    assert learner.names == [f"SW{n}" for n in range(1, 14) if n not in (3, 7)]
    assert [event.text for event in events if event.kind == "verdict"] == [
        "SW3: doesn't answer",
        "SW7: doesn't answer",
    ]
    switches = {switch.name: switch for switch in small().switches}
    for contact, name in zip(learner.contacts, learner.names, strict=True):
        assert name is not None
        switch = switches[name]
        assert contact.anode in (switch.column, switch.direct)


def test_a_key_that_is_held_down_is_said() -> None:
    learner, events = learning(held="SW6")
    told = [event.text for event in events if event.kind == "line"]
    assert told == ["GPIO7 → GPIO3 conducts with nothing pressed: is a key there held down?"]
    assert len(learner.contacts) == 12


def test_two_quick_touches_on_a_known_key_end_it() -> None:
    finger = Finger(HostBoard(small()))
    script = (
        "wait 1s, tap SW1, wait 900ms, tap SW2, wait 900ms, tap SW1, wait 200ms, tap SW1, wait 1s, tap SW3"
    )
    for command in script.split(", "):
        finger.obey(command)
    events: list[Event] = []
    learner = learn(Link(BoardTransport(finger)), events.append, enough=3)
    assert len(learner.contacts) == 2
    assert [event.meant for event in events if event.kind == "press"] == ["good"] * 2 + ["answered"] * 2
    assert learnt(learner.contacts, ["SW2", None]).switches == ("SW2", "SW1")


def test_a_shape_that_is_missing_or_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "shape.keys"
    file.write_text("# nothing yet\n")
    assert main(["learn", "--shape", str(file)]) == 1
    assert "there is no `shape`" in capsys.readouterr().err
    file.write_text("shape {\n    SW1 SW1\n}\n")
    assert main(["learn", "--shape", str(file)]) == 1
    assert "`SW1` lies in `shape` twice" in capsys.readouterr().err


def test_the_terminal_shows_what_is_learnt_and_what_is_next(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        encoding = "utf-8"

        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    view = learning_view_on(stream, keyboard_of(small()).caps)
    assert isinstance(view, LearningView)
    for event in learning("SW2")[1]:
        view.show(event)
    text = stream.getvalue()
    assert "Press SW1: \n" not in text
    assert "✓SW1" in text
    assert "✗SW2" in text
    assert "▶SW3" in text
    assert text.count("\a") == 12 + 2
    last = text[text.rindex("\x1b[J") :]
    assert "12 of 13 learnt." in last
    plain = learning_view_on(stream, ())
    assert isinstance(plain, PlainView)
