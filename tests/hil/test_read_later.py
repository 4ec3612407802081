"""Saved dumps of the stages after `positions`: read again, they say what the live run said; cut or damaged
they say less."""

from __future__ import annotations

from functools import cache
from io import BytesIO
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

import pytest

from hil.conversation import Settings
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.link import Link
from hil.read import verdicts_of
from hil.record import Dump
from hil.result import Result
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of, loader_of
from keyc.fingerprints import fingerprints
from tests.hil.boards import keyboard_of
from tests.hil.wirings import dial, light, wiring_of

WIRING = wiring_of(
    (2, 3),
    (6, 7, 8),
    directs=(10,),
    lights=(light(25, lit_low=True), light(24)),
    dials=(dial("DIAL1", 20, 21),),
)
KEYBOARD = keyboard_of(WIRING)
PRINTS = fingerprints(KEYBOARD).wiring
LATER = ("together", "bounce", "flex", "typing", "extras")
GOOD = {"pass", "incomplete", "skipped"}

RUNS = [
    (("positions", "together"), ()),
    (("positions", "together"), ("bridge SW2 SW3",)),
    (("positions", "together"), ("reversed SW1",)),
    (("together",), ("bridge SW2 SW3",)),
    (("bounce",), ()),
    (("bounce",), ("bounces SW5 7ms",)),
    (("bounce",), ("drops SW2",)),
    (("positions", "bounce"), ("open SW4",)),
    (("flex",), ()),
    (("flex",), ("drops SW1",)),
    (("flex",), ("drops GPIO2",)),
    (("flex",), ("drops USB",)),
    (("extras",), ()),
    (("extras",), ("open GPIO21", "open GPIO24")),
    (("extras",), ("swapped GPIO20 GPIO21", "low GPIO24")),
    (("extras",), ("detents DIAL1 2", "open GPIO25")),
    (("typing",), ()),
    (("typing",), ("sticks SW5",)),
    (("positions", *LATER), ("bridge SW2 SW3", "bounces SW5 7ms", "open GPIO24")),
]


@cache
def run(stages: tuple[str, ...], faults: tuple[str, ...], pulled_us: int = 0) -> tuple[Result, bytes]:
    """A live run, and its dump. `pulled_us`: when the cable is pulled; 0: never."""
    board = board_of(KEYBOARD, [parse_fault(text, WIRING) for text in faults], seed=1)
    finger = Finger(board, 1, bouncing=True)
    if pulled_us:
        finger.obey(f"wait {pulled_us}us")
        finger.obey("unplug")
    hand = FingerHand(finger, loader_of(board, KEYBOARD))
    settings = Settings(stages=stages, flex_us=4_000_000)
    with TemporaryDirectory() as folder:
        path = Path(folder, "x.dump")
        dump = Dump(path)
        live = Session(KEYBOARD, Link(BoardTransport(finger)), hand, PRINTS, settings, notes=dump).run()
        dump.close()
        return live, path.read_bytes()


def read(dump: bytes) -> Result:
    return verdicts_of(BytesIO(dump), KEYBOARD, PRINTS)


def ended(result: Result) -> dict[str, str]:
    """How each stage after `positions` ended."""
    return {one.name: one.verdict.value for one in result.stages if one.name in LATER}


@pytest.mark.parametrize(("stages", "faults"), RUNS)
def test_a_dump_of_later_stages_gives_what_the_live_run_gave(
    stages: tuple[str, ...], faults: tuple[str, ...]
) -> None:
    live, dump = run(stages, faults)
    again = read(dump)
    assert live.trouble is None
    # Of typing a dump keeps counts alone, so that nobody can read in it what was typed.
    assert [one.title for one in again.faults] == [one.title for one in live.faults]
    assert again.faults == live.faults
    assert [one.verdict for one in again.positions] == [one.verdict for one in live.positions]
    assert [one.bounce for one in again.positions] == [one.bounce for one in live.positions]
    assert ended(again) == ended(live)
    told = [text for text in again.not_tested if text.endswith("not in this dump")]
    assert len(told) == len(set(LATER) - {*stages})
    assert (again.dials, again.lights, again.together) == (live.dials, live.lights, live.together)
    assert again.debounce == live.debounce
    if live.flexed is not None:
        assert again.flexed is not None
        assert again.flexed.blips == live.flexed.blips
        # How long a switch was held up to the moment when the cable went isn't in the dump.
        held = set(live.flexed.held_us)
        assert set(again.flexed.held_us) == held or "drops USB" in faults
    if live.typing is not None:
        assert again.typing is not None
        counts = [(one.switch, one.presses, one.suspect, one.still_down) for one in live.typing.switches]
        assert [
            (one.switch, one.presses, one.suspect, one.still_down) for one in again.typing.switches
        ] == counts
        assert any("a dump doesn't keep that" in text for text in again.not_tested)


@pytest.mark.parametrize(
    ("stage", "pulled_us"),
    [("together", 150_000), ("together", 200_000)]
    + [(stage, us) for stage in ("bounce", "flex", "extras") for us in (400_000, 1_100_000)],
)
def test_a_pulled_cable_reads_as_it_was(stage: str, pulled_us: int) -> None:
    live, dump = run((stage,), (), pulled_us)
    again = read(dump)
    assert live.link.reconnects == 1
    assert again.faults == live.faults
    assert ended(again) == ended(live)


@pytest.mark.parametrize(("stages", "faults"), [one for one in RUNS if one[0] != ("typing",)])
def test_cut_or_damaged_it_says_less_and_nothing_wrong(
    stages: tuple[str, ...], faults: tuple[str, ...]
) -> None:
    live, dump = run(stages, faults)
    truth = {one.title for one in live.faults}
    # Of a line that lets go, what is left may tell of some of its switches.
    truth |= {f"drops {name}" for one in live.faults if one.kind == "drops" for name in one.switches}
    lines = dump.splitlines(keepends=True)
    chance = Random(len(dump))
    for round_ in range(14):
        some = list(lines)
        if round_ % 2:
            some = some[: chance.randrange(len(some))]
        for _ in range(chance.randint(0, 4)):
            at = chance.randrange(len(some) or 1)
            some[at : at + chance.randint(0, 2)] = [b"AT\r\n"] * chance.randint(0, 1)
        found = read(b"".join(some))
        assert {one.title for one in found.faults} <= truth, round_
        for name, end in ended(found).items():
            assert end in {ended(live)[name], *GOOD}, (round_, name)


def test_a_stage_without_its_end_is_no_pass() -> None:
    live, dump = run(("bounce",), ())
    assert ended(live)["bounce"] == "pass"
    lines = dump.splitlines(keepends=True)
    end = next(n for n, line in enumerate(lines) if line.split()[2:3] == [b"done"])
    found = read(b"".join(lines[:end]))
    assert ended(found) == {**ended(live), "bounce": "incomplete"}
    assert any("ends in the middle of it" in text for text in found.not_tested)


def test_nothing_of_what_was_typed_is_in_the_dump() -> None:
    """Counts per switch, in the order of the wiring; no key that moved, and when."""
    _, dump = run(("typing",), ("sticks SW5",))
    words = [line.split()[2] for line in dump.splitlines() if line.startswith(b"bench ")]
    assert set(words) <= {b"typing", b"typed", b"quick", b"done", b"ended", b"stopped"}
    assert not any(line.startswith((b"switch-", b"usage-")) for line in dump.splitlines())
