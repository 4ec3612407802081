"""Saved dumps: a run read again, cut, damaged; and plain dumps of a one-way firmware."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from io import BytesIO
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest

from hil.board import Board
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.link import Link
from hil.read import NO_CHECKSUMS, verdicts_of
from hil.record import Dump
from hil.result import Result
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of
from keyc.fingerprints import fingerprints
from keyc.keyboard import Diodes, Keyboard
from tests.hil.boards import keyboard_of
from tests.hil.wirings import small

KEYBOARD = keyboard_of(small())
WIRING = fingerprints(KEYBOARD).wiring
MODEST = {"untested", "answers"}

FAULTS = [
    (),
    ("reversed SW7", "open SW2", "shorted SW9"),
    ("bridge GPIO3 GPIO4", "reversed SW1"),
    ("low GPIO7",),
    ("high GPIO7",),
    ("closed SW7",),
    ("sticks SW7",),
    ("drops SW7",),
    ("swapped SW2 SW12",),
    ("open GPIO2",),
    ("slow GPIO7 5nF",),
]


@cache
def run(faults: Sequence[str], seed: int = 1) -> tuple[Result, bytes]:
    """A live run, and its dump."""
    finger = Finger(board_of(KEYBOARD, [parse_fault(text, KEYBOARD.wiring) for text in faults], seed=seed))
    with TemporaryDirectory() as folder:
        path = Path(folder, "x.dump")
        dump = Dump(path)
        link = Link(BoardTransport(finger))
        result = Session(KEYBOARD, link, FingerHand(finger), WIRING, notes=dump).run()
        dump.close()
        return result, path.read_bytes()


def read_dump(dump: bytes, keyboard: Keyboard, fingerprint: str) -> Result:
    return verdicts_of(BytesIO(dump), keyboard, fingerprint)


def verdicts(result: Result) -> dict[str, str]:
    return {one.switch: one.verdict.value for one in result.positions}


@pytest.mark.parametrize("faults", FAULTS)
def test_a_dump_gives_what_the_live_run_gave(faults: Sequence[str]) -> None:
    live, dump = run(faults)
    read = read_dump(dump, KEYBOARD, WIRING)
    assert read.positions == live.positions
    assert read.lines == live.lines
    assert read.faults == live.faults
    assert read.ghosting == live.ghosting
    assert read.stuck == live.stuck
    assert read.board == live.board
    assert read.verdict == live.verdict
    assert read.presses == live.presses


def test_a_restart_at_a_pin_is_in_the_dump() -> None:
    from tests.hil.wirings import wiring_of

    keyboard = keyboard_of(wiring_of((16, 17), (6, 7)))
    prints = fingerprints(keyboard).wiring
    finger = Finger(board_of(keyboard, [parse_fault("bridge GPIO16 RUN", keyboard.wiring)], seed=1))
    with TemporaryDirectory() as folder:
        path = Path(folder, "x.dump")
        dump = Dump(path)
        live = Session(keyboard, Link(BoardTransport(finger)), FingerHand(finger), prints, notes=dump).run()
        dump.close()
        read = read_dump(path.read_bytes(), keyboard, prints)
    assert [one.title for one in live.faults] == ["bridge GPIO16 RUN"]
    assert read.faults == live.faults


@pytest.mark.parametrize("faults", FAULTS)
def test_a_dump_cut_anywhere_is_never_a_wrong_verdict(faults: Sequence[str]) -> None:
    live, dump = run(faults)
    truth = verdicts(live)
    chance = Random(len(dump))
    for cut in sorted(chance.sample(range(len(dump)), 60)):
        for name, verdict in verdicts(read_dump(dump[:cut], KEYBOARD, WIRING)).items():
            assert verdict in {truth[name], *MODEST}, (cut, name)


@pytest.mark.parametrize("faults", FAULTS)
def test_missing_and_damaged_lines_are_never_a_wrong_verdict(faults: Sequence[str]) -> None:
    live, dump = run(faults)
    truth = verdicts(live)
    chance = Random(7)
    for round_ in range(40):
        lines = dump.splitlines(keepends=True)
        for _ in range(chance.randint(1, 4)):
            at = chance.randrange(len(lines))
            kind = chance.choice(("gone", "doubled", "bit", "half", "noise"))
            if kind == "gone":
                del lines[at]
            elif kind == "doubled":
                lines.insert(at, lines[at])
            elif kind == "bit":
                line = bytearray(lines[at])
                line[chance.randrange(len(line) - 1)] ^= 1 << chance.randrange(7)
                lines[at] = bytes(line)
            elif kind == "half":
                lines[at] = lines[at][: chance.randrange(len(lines[at]))]
            else:
                lines.insert(at, b"AT\r\n")
        for name, verdict in verdicts(read_dump(b"".join(lines), KEYBOARD, WIRING)).items():
            assert verdict in {truth[name], *MODEST}, (round_, name)


def test_random_bytes_are_no_dump() -> None:
    for seed in range(200):
        chance = Random(seed)
        data = bytes(chance.randrange(256) for _ in range(chance.randrange(400)))
        result = read_dump(data, KEYBOARD, WIRING)
        assert set(verdicts(result).values()) == {"untested"}
        assert result.faults == ()


def test_a_dump_of_another_wiring_is_refused() -> None:
    _, dump = run(())
    result = read_dump(dump, KEYBOARD, "0123456789ab")
    assert result.verdict.value == "error"
    assert "another wiring" in (result.trouble or "")
    assert set(verdicts(result).values()) == {"untested"}


def test_without_its_notes_a_dump_answers_and_proves_nothing() -> None:
    _, dump = run(("reversed SW7", "open SW2"))
    bare = b"".join(line for line in dump.splitlines(keepends=True) if not line.startswith(b"bench "))
    found = verdicts(read_dump(bare, KEYBOARD, WIRING))
    assert found.pop("SW7") == "reversed"  # two presses that agree need no question
    assert found.pop("SW2") == "untested"
    assert set(found.values()) == {"answers"}


# -- plain dumps -------------------------------------------------------------------------------------


def plain(
    frames: Sequence[Sequence[str]], faults: Sequence[str] = (), diodes: Diodes = Diodes.CATHODE_TO_ROW
) -> str:
    """What a firmware would write that drives the cathodes one by one and tells rows that changed, for these
    sets of held switches, from the electrical model. Undefined readings are low: that is how ghosts show."""
    wiring = small(diodes)
    board = Board(wiring, [parse_fault(text, wiring) for text in faults])
    sensed = sum(1 << pin for pin in (*wiring.sensed, *wiring.direct_pins))
    before = dict.fromkeys(("up", *map(str, wiring.driven)), 0)
    lines = ["# written by hand"]
    for n, held in enumerate(frames):
        table = board.table(frozenset(held)).resolved(1)
        now = {"up": table.at_rest.low & sensed}
        now |= {str(pin): table.driven[pin].low & sensed for pin in wiring.driven}
        lines += [f"change {how} {mask:x} {n * 20_000}" for how, mask in now.items() if mask != before[how]]
        before = now
    return "\n".join([*lines, "finished change", ""])


def one_by_one(names: Sequence[str]) -> list[list[str]]:
    return [frame for name in names for frame in ([name], [])]


ALL = [f"SW{n}" for n in range(1, 14)]


@pytest.mark.parametrize("diodes", [Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN])
def test_a_plain_dump_answers(diodes: Diodes) -> None:
    keyboard = keyboard_of(small(diodes))
    result = read_dump(plain(one_by_one(ALL), diodes=diodes).encode(), keyboard, WIRING)
    assert set(verdicts(result).values()) == {"answers"}
    assert result.verdict.value == "incomplete"
    assert NO_CHECKSUMS in result.notes
    assert any(text.startswith("ghosting: not tested") for text in result.not_tested)
    assert any("against their direction" in text for text in result.not_tested)
    assert all(one.backward is None for one in result.positions)


def test_a_plain_dump_says_which_were_never_reached() -> None:
    result = read_dump(plain(one_by_one(ALL), ["reversed SW7", "open SW2"]).encode(), KEYBOARD, WIRING)
    assert result.unreached == ("SW2", "SW7")
    assert verdicts(result)["SW2"] == verdicts(result)["SW7"] == "untested"


def test_a_ghost_puts_the_diode_across_from_it_under_suspicion() -> None:
    """SW1, SW2 and SW5 held make SW6 answer: current from column 2 goes SW2, row 1, SW1 backwards, column 1,
    SW5, row 2. So it is SW1's diode, across from SW6 (common practice: ghosts need a diode that leaks)."""
    frames = [["SW1"], ["SW1", "SW2"], ["SW1", "SW2", "SW5"], ["SW1", "SW2"], []]
    result = read_dump(plain(frames, ["shorted SW1"]).encode(), KEYBOARD, WIRING)
    ghosts = {(one.ghost, one.suspect, one.proven) for one in result.ghosting}
    assert ("SW6", "SW1", False) in ghosts
    assert {one.rectangle for one in result.ghosting} == {("SW1", "SW2", "SW5", "SW6")}
    assert result.rectangles_exercised == 1
    assert verdicts(result)["SW6"] == "untested"
    assert not any(text.startswith("ghosting: not tested") for text in result.not_tested)


def test_what_outlives_the_corner_is_no_ghost() -> None:
    """SW1 is let go first: SW6 goes with it, SW5 stays, so SW5 was pressed and SW6 was the ghost."""
    frames = [["SW1"], ["SW1", "SW2"], ["SW1", "SW2", "SW5"], ["SW2", "SW5"], []]
    result = read_dump(plain(frames, ["shorted SW1"]).encode(), KEYBOARD, WIRING)
    assert [(one.ghost, one.suspect) for one in result.ghosting] == [("SW6", "SW1")]


def test_three_corners_without_a_ghost_exercise_the_rectangle_and_clear_nothing() -> None:
    frames = [["SW1"], ["SW1", "SW2"], ["SW1", "SW2", "SW5"], []]
    result = read_dump(plain(frames).encode(), KEYBOARD, WIRING)
    assert result.ghosting == ()
    assert result.rectangles_exercised == 1
    assert result.rectangles == 18  # 3 choose 2 rows times 4 choose 2 columns
    assert verdicts(result)["SW1"] == "answers"


def test_without_diodes_every_rectangle_ghosts_and_that_is_said() -> None:
    keyboard = keyboard_of(small(Diodes.NONE))
    result = read_dump(plain(one_by_one(ALL), diodes=Diodes.NONE).encode(), keyboard, WIRING)
    assert any("no diodes" in text for text in result.not_tested)


def test_a_key_that_stays_down_in_a_dump_is_stuck() -> None:
    text = "low-lines 2 40\nlow-lines 3 0\nlow-lines 4 0\nfinished watch\n"
    text += "change 3 80 20000\nchange 3 0 40000\nchange 4 80 60000\nchange 4 0 80000\nfinished change\n"
    result = read_dump(text.encode(), KEYBOARD, WIRING)
    assert verdicts(result)["SW1"] == "stuck"
    assert result.stuck == ("SW1",)


def test_a_plain_dump_cut_anywhere_says_less() -> None:
    whole = plain(one_by_one(ALL)).encode()
    for cut in range(0, len(whole), 7):
        assert set(verdicts(read_dump(whole[:cut], KEYBOARD, WIRING)).values()) <= MODEST


@pytest.mark.parametrize(
    "line",
    ["change 2 40", "change 2 4G 10", "change 77 40 10", "change 2 40 10 11", "change two 40 10", "hello"],
)
def test_half_a_line_of_a_plain_dump_counts_for_nothing(line: str) -> None:
    result = read_dump(f"{line}\nfinished change\n".encode(), KEYBOARD, WIRING)
    assert set(verdicts(result).values()) == {"untested"}
    assert result.link.damaged == 1


def test_an_empty_dump_says_so() -> None:
    result = read_dump(b"", KEYBOARD, WIRING)
    assert result.trouble == "there is no line of the wire in this dump"


def test_crlf_is_taken_too() -> None:
    live, dump = run(())
    assert read_dump(dump.replace(b"\n", b"\r\n"), KEYBOARD, WIRING).positions == live.positions
