"""The stage `extras`: dials and lights. The order of a dial's contacts is the one of quadrature encoders:
contact A leads contact B clockwise (common practice)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from hil.board import Board
from hil.conversation import Settings
from hil.events import Event
from hil.faults import dial_contacts, parse_fault
from hil.hands import FingerHand
from hil.host_board import HostBoard, _BenchImage
from hil.link import Link, Refused
from hil.result import PositionVerdict, Result
from hil.session import Session
from hil.transport import BoardTransport
from hil.views.measured import measured
from hil.virtual import Finger, board_of, loader_of
from keyc.compile import check_text
from keyc.diagnostics import UserError
from keyc.fingerprints import fingerprints
from keyc.keyboard import Keyboard
from keyc.source import Source
from tests.hil.boards import keyboard_of
from tests.hil.copper_graph import Reference
from tests.hil.wirings import dial, light, wiring_of

ROWS, COLUMNS = (2, 3, 4), (6, 7, 8, 9)
WIRING = wiring_of(
    ROWS, COLUMNS, directs=(10,), lights=(light(25, lit_low=True),), dials=(dial("DIAL1", 20, 21),)
)
KEYBOARD = keyboard_of(WIRING)
ALONE = Settings(stages=("extras",))


def bench(
    *faults: str,
    keyboard: Keyboard = KEYBOARD,
    settings: Settings = ALONE,
    seed: int = 0,
    tell: Callable[[Event], None] = lambda event: None,
    chip: bool = False,
) -> Result:
    planted = [parse_fault(text, keyboard.wiring) for text in faults]
    finger = Finger(board_of(keyboard, planted, seed=seed, chip=chip), seed)
    link = Link(BoardTransport(finger))
    session = Session(keyboard, link, FingerHand(finger), fingerprints(keyboard).wiring, settings, tell=tell)
    return session.run()


def said(result: Result) -> list[str]:
    return [one.title for one in result.faults]


def test_a_good_dial_and_a_good_light() -> None:
    result = bench()
    assert said(result) == []
    assert result.verdict.value == "pass"
    (one,), (lit,) = result.dials, result.lights
    assert (one.verdict, one.clockwise, one.counter_clockwise) == (PositionVerdict.PROVEN, 4, 4)
    assert (lit.verdict, lit.shows) == (PositionVerdict.PROVEN, "CapsLock")


@pytest.mark.parametrize(
    ("fault", "titles"),
    [
        ("open DIAL1", ["open DIAL1"]),
        ("open GPIO20", ["open GPIO20"]),
        ("open GPIO21", ["open GPIO21"]),
        ("low GPIO20", ["low GPIO20"]),
        ("swapped GPIO20 GPIO21", ["swapped GPIO20 GPIO21"]),
        ("detents DIAL1 2", ["detents DIAL1 2"]),
        ("open GPIO25", ["open GPIO25"]),
        ("high GPIO25", ["high GPIO25"]),
    ],
)
def test_each_fault_by_its_name(fault: str, titles: list[str]) -> None:
    result = bench(fault)
    assert said(result) == titles
    assert result.verdict.value == "fail"


def test_a_dial_with_other_detents_is_not_just_called_proven() -> None:
    (told,) = (text for text in measured(bench("detents DIAL1 2")) if text.startswith("extras"))
    assert "DIAL1 proven, but with 2 edges from detent to detent" in told


def test_a_bridge_hides_the_dial() -> None:
    result = bench("bridge GPIO20 GPIO21")
    assert said(result) == ["bridge GPIO20 GPIO21"]
    assert result.dials[0].verdict is PositionVerdict.UNTESTED
    assert result.dials[0].blocked_by == ("bridge GPIO20 GPIO21",)


def test_a_dial_may_have_any_detents() -> None:
    """2 edges to a detent rest with both contacts open or both closed; 1 edge rests anywhere."""
    for edges in (1, 2, 4):
        wiring = wiring_of(ROWS, COLUMNS, dials=(dial("KNOB", 20, 21, edges),))
        result = bench(keyboard=keyboard_of(wiring))
        assert (said(result), result.verdict.value) == ([], "pass"), edges
        half = bench("open GPIO21", keyboard=keyboard_of(wiring))
        assert said(half) == ["open GPIO21"], edges


TO_GROUND = keyboard_of(wiring_of(ROWS, COLUMNS, lights=(light(25),)))


@pytest.mark.parametrize(
    ("faults", "titles"),
    [
        ((), []),
        (("open GPIO25",), ["open GPIO25"]),
        (("low GPIO25",), ["low GPIO25"]),
        (("bridge GPIO24 GPIO25",), ["bridge GPIO24 GPIO25"]),
        (("high GPIO25",), ["high GPIO25"]),
    ],
)
def test_a_light_that_is_wired_to_ground(faults: tuple[str, ...], titles: list[str]) -> None:
    for seed in (0, 1):  # whether the LED's leak reads low or high
        result = bench(*faults, keyboard=TO_GROUND, seed=seed)
        if seed and faults and faults[0].startswith("bridge"):
            # Both pins read low at rest, as that LED alone would have it: the board sees it as it drives.
            assert any("another pin follows its pin" in text for text in result.not_tested)
        else:
            assert said(result) == titles
        lit = result.lights[0].verdict
        hidden = faults and faults[0].split()[0] in ("bridge", "high")
        assert lit.value == ("untested" if hidden else "open" if faults else "proven")
        if titles == ["open GPIO25"]:
            assert "its anode goes towards GPIO25" in result.faults[0].causes[0].look_at


@pytest.mark.parametrize(
    ("fault", "most_us"),
    [
        ("bridge GPIO24 GPIO25", 0),
        ("high GPIO25", 0),
        ("low GPIO25", 4 * 20),  # asked for twice, two pulses each
        ("open GPIO25", 6_000_000),
        ("", 3_000_000),
    ],
)
def test_nothing_but_that_light_is_ever_driven_high(fault: str, most_us: int) -> None:
    """The C on this computer counts how long each pin is driven high; not at all where it isn't free."""
    planted = [parse_fault(fault, TO_GROUND.wiring)] if fault else []
    board = HostBoard(TO_GROUND.wiring, planted, fingerprints=fingerprints(TO_GROUND))
    finger = Finger(board)
    stages = ("lines", "positions", "together", "bounce", "flex", "extras")
    settings = Settings(stages=stages, flex_us=1_000_000)
    prints = fingerprints(TO_GROUND).wiring
    Session(TO_GROUND, Link(BoardTransport(finger)), FingerHand(finger), prints, settings).run()
    assert isinstance(board._image, _BenchImage)
    high_us = board._image.driven_us[1]
    assert {pin for pin, us in enumerate(high_us) if us} <= {25}
    assert high_us[25] <= most_us


def test_the_board_itself_lets_a_light_go_that_another_pin_follows() -> None:
    """Whatever the computer says: one pulse, and `refused`. A pin that is no light is refused without one."""
    planted = [parse_fault("bridge GPIO25 GPIO24", TO_GROUND.wiring)]
    board = HostBoard(TO_GROUND.wiring, planted, fingerprints=fingerprints(TO_GROUND))
    link = Link(BoardTransport(board))
    link.who()
    with pytest.raises(Refused, match="pin-not-free"):
        link.blink(25)
    assert isinstance(board._image, _BenchImage)
    assert 0 < board._image.driven_us[1][25] <= 2 * 20  # asked twice
    for pin in (2, 6, 30):
        with pytest.raises(Refused, match="pin-not-free"):
            link.blink(pin)
    link.blink(20)  # any free pin may be pulled low
    assert {pin for pin, us in enumerate(board._image.driven_us[1]) if us} == {25}


def test_an_image_that_knows_no_keymap_drives_nothing_high() -> None:
    board = HostBoard(TO_GROUND.wiring)
    finger = Finger(board)
    prints = fingerprints(TO_GROUND).wiring
    result = Session(TO_GROUND, Link(BoardTransport(finger)), FingerHand(finger), prints, ALONE).run()
    assert result.lights[0].verdict is PositionVerdict.UNTESTED
    assert any("load the bench image of this file" in text for text in result.not_tested)
    assert isinstance(board._image, _BenchImage)
    assert not any(board._image.driven_us[1])


def test_without_dials_and_lights_it_is_skipped_and_says_why() -> None:
    result = bench(keyboard=keyboard_of(wiring_of(ROWS, COLUMNS)))
    stage = next(one for one in result.stages if one.name == "extras")
    assert stage.verdict.value == "skipped"
    assert "neither dials nor lights" in stage.not_tested[0]


def test_what_the_stage_left_out_is_said_without_it() -> None:
    result = bench(settings=Settings(stages=("lines", "positions")))
    assert any("dials and lights: not asked for" in text for text in result.not_tested)
    assert (result.dials, result.lights) == ((), ())


@pytest.mark.parametrize("at_us", [100_000, 300_000, 900_000, 1_700_000, 2_500_000, 3_000_000])
def test_a_pulled_cable_makes_no_fault(at_us: int) -> None:
    board = board_of(KEYBOARD)
    finger = Finger(board)
    finger.obey(f"wait {at_us}us")
    finger.obey("unplug")
    link = Link(BoardTransport(finger))
    result = Session(KEYBOARD, link, FingerHand(finger), fingerprints(KEYBOARD).wiring, ALONE).run()
    assert (said(result), result.verdict.value) == ([], "pass")
    assert result.link.reconnects == 1


class Hasty(FingerHand):
    """Doesn't look at the light, and turns every dial the same way whatever is asked."""

    def asked_to_turn(self, dial: str, detents: int) -> None:
        super().asked_to_turn(dial, abs(detents))

    def asked_what_lit(self, pin: int, touch: str) -> None:
        """Looks away."""


class Hesitant(FingerHand):
    """Turns each dial half a detent and back, a few times, before it turns it at all."""

    def asked_to_turn(self, dial: str, detents: int) -> None:
        if detents > 0:
            contact, _ = dial_contacts(dial)
            for n in range(6):
                self._finger.tap(contact, 20_000, self._finger.now_us + (n + 1) * 300_000)
            self._free_us = self._finger.now_us + 2_100_000
        super().asked_to_turn(dial, detents)


def test_a_hand_that_hesitates_makes_no_open_contact() -> None:
    finger = Finger(board_of(KEYBOARD))
    link = Link(BoardTransport(finger))
    result = Session(KEYBOARD, link, Hesitant(finger), fingerprints(KEYBOARD).wiring, ALONE).run()
    assert said(result) == []


def test_a_hand_that_does_not_do_what_is_asked_makes_no_fault_of_a_dial() -> None:
    finger = Finger(board_of(KEYBOARD))
    link = Link(BoardTransport(finger))
    result = Session(KEYBOARD, link, Hasty(finger), fingerprints(KEYBOARD).wiring, ALONE).run()
    assert result.dials[0].verdict is PositionVerdict.UNTESTED
    # Whoever says twice that a light stayed dark is believed.
    assert said(result) == ["open GPIO25"]


def test_nobody_needs_a_key_on_the_computer() -> None:
    """The questions in order: each can be answered by the dial or a switch."""
    told: list[Event] = []
    bench("open GPIO25", "open DIAL1", tell=told.append)
    asked = [one.text for one in told if one.kind == "prompt"]
    assert all("touch a switch that works" in text for text in asked)
    assert len(asked) == 2 + 2 * 2


def test_a_turned_dial_comes_with_the_corrected_file() -> None:
    text = (
        'keyboard "Two" { usb 0x1209:0x0001 maker "Nobody" }\n'
        "wiring {\n    diodes none\n    direct GPIO2 SW1\n    direct GPIO3 SW2\n"
        "    dial GPIO20 GPIO21 KNOB\n}\nshape { SW1 SW2 }\n"
        "layer base { A usb-boot }\ndial KNOB on base { clockwise = B counter-clockwise = C }\n"
    )
    keyboard, _ = check_text(Source("two.keys", text))
    assert keyboard is not None
    result = bench("swapped GPIO20 GPIO21", keyboard=keyboard)
    assert said(result) == ["swapped GPIO20 GPIO21"]
    assert result.suggested_wiring is not None
    assert "+    dial GPIO21 GPIO20 KNOB" in result.suggested_wiring.splitlines()


# -- the model and the finger --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "faults",
    [
        (),
        ("open DIAL1",),
        ("open GPIO20",),
        ("low GPIO21",),
        ("swapped GPIO20 GPIO21",),
        ("bridge GPIO20 GPIO4",),
    ],
)
def test_a_dials_contacts_read_as_the_graph_has_them(faults: tuple[str, ...]) -> None:
    """`copper_graph` (networkx) shares no code with the model."""
    planted = [parse_fault(text, WIRING) for text in faults]
    a, b = dial_contacts("DIAL1")
    for closed in ((), (a,), (b,), (a, b), (a, "SW7")):
        table = Board(WIRING, planted).table(frozenset(closed))
        graph = Reference(WIRING, planted, frozenset(closed))
        graph.solve()
        for driven, row in ((None, table.at_rest), *((pin, table.driven[pin]) for pin in (4, 6, 20, 21))):
            for pin in (2, 4, 6, 20, 21):
                if pin == driven:
                    continue
                bit = 1 << pin
                reads = "low" if row.low & bit else "undefined" if row.undefined & bit else "high"
                assert reads == graph.reading(("die", pin), driven), (closed, driven, pin)


def test_a_finger_turns_a_dial_in_the_order_of_its_contacts() -> None:
    finger = Finger(board_of(KEYBOARD))
    states: list[frozenset[str]] = []
    set_closed = finger.board.set_closed

    def noted(closed: frozenset[str]) -> None:
        states.append(closed)
        set_closed(closed)

    finger.board.set_closed = noted  # type: ignore[method-assign]  # what the finger does is overheard
    finger.obey("turn DIAL1 +1")
    finger.obey("turn DIAL1 -1")
    finger.advance(1_000_000)
    a, b = dial_contacts("DIAL1")
    round_ = [frozenset({a}), frozenset({a, b}), frozenset({b}), frozenset[str]()]
    there = [state for n, state in enumerate(states) if not n or state != states[n - 1]]
    assert there == [*round_, *reversed(round_[:3]), frozenset()]


@pytest.mark.parametrize(
    ("command", "says"),
    [("turn DIAL1", "no finger command"), ("turn DIAL2 +1", "no dial DIAL2"), ("turn DIAL1 2", "which way")],
)
def test_a_wrong_turn_is_explained(command: str, says: str) -> None:
    with pytest.raises(UserError, match=says) as told:
        Finger(board_of(KEYBOARD)).obey(command)
    assert told.value.help


@pytest.mark.parametrize(("text", "says"), [("detents DIAL2 2", "no dial"), ("detents DIAL1 3", "1, 2 or 4")])
def test_a_wrong_fault_of_a_dial_is_explained(text: str, says: str) -> None:
    with pytest.raises(UserError, match=says):
        parse_fault(text, WIRING)
    assert str(parse_fault("detents DIAL1 2", WIRING)) == "detents DIAL1 2"


def test_on_the_real_image_in_the_emulated_chip() -> None:
    pytest.importorskip("rp2040py")
    dial_alone = keyboard_of(wiring_of((2,), (6,), dials=(dial("DIAL1", 20, 21),)))
    host, chip = (bench("open GPIO21", keyboard=dial_alone, chip=chip) for chip in (False, True))
    assert (said(chip), chip.dials) == (said(host), host.dials) != ([], ())


def test_after_typing_the_bench_image_comes_back() -> None:
    finger = Finger(board_of(KEYBOARD))
    hand = FingerHand(finger, loader_of(finger.board, KEYBOARD))
    link = Link(BoardTransport(finger))
    settings = Settings(stages=("positions", "typing", "extras"))
    result = Session(KEYBOARD, link, hand, fingerprints(KEYBOARD).wiring, settings).run()
    assert result.trouble is None
    assert result.typing is not None
    assert (said(result), result.dials[0].verdict) == ([], PositionVerdict.PROVEN)
    assert result.lights[0].verdict is PositionVerdict.PROVEN
