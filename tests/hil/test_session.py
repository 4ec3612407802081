"""Whole runs over a link, against the virtual board: the bench's own C over the electrical model."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from random import Random

import pytest

from hil.conversation import Settings
from hil.events import Event
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.host_board import HostBoard
from hil.link import Link
from hil.places import place_of_several, places_of
from hil.result import Result
from hil.session import Session
from hil.stages.guide import Question
from hil.transport import BoardTransport, PortGone
from hil.virtual import Finger, board_of
from keyc.fingerprints import fingerprints
from keyc.keyboard import Keyboard
from tests.hil.boards import keyboard_of
from tests.hil.wirings import small, wiring_of

KEYBOARD = keyboard_of(small())
ALL = [f"SW{n}" for n in range(1, 14)]


class Hand(FingerHand):
    """The finger, with something that happens when it is asked for the nth time."""

    def __init__(self, finger: Finger, at: int = -1, happening: Callable[[], None] = lambda: None) -> None:
        super().__init__(finger)
        self.asked_for: list[str] = []
        self._at, self._happening = at, happening

    def asked(self, question: Question) -> None:
        self.asked_for.append(question.asked)
        if len(self.asked_for) == self._at:
            self._happening()
        super().asked(question)


def bench(
    faults: Sequence[str] = (),
    seed: int = 0,
    keyboard: Keyboard = KEYBOARD,
    settings: Settings | None = None,
    tell: Callable[[Event], None] = lambda event: None,
) -> Result:
    wiring = keyboard.wiring
    finger = Finger(board_of(keyboard, [parse_fault(text, wiring) for text in faults], seed=seed), seed)
    link = Link(BoardTransport(finger))
    session = Session(
        keyboard, link, FingerHand(finger), fingerprints(keyboard).wiring, settings or Settings(), tell=tell
    )
    return session.run()


def verdicts(result: Result) -> dict[str, str]:
    return {one.switch: one.verdict.value for one in result.positions}


def but(**others: str) -> dict[str, str]:
    return dict.fromkeys(ALL, "proven") | others


def test_a_good_board_passes() -> None:
    result = bench()
    assert result.verdict.value == "pass"
    assert verdicts(result) == but()
    assert [(stage.name, stage.verdict.value) for stage in result.stages] == [
        ("alive", "pass"),
        ("hello", "pass"),
        ("lines", "pass"),
        ("positions", "pass"),
        ("together", "skipped"),
        ("bounce", "skipped"),
        ("flex", "skipped"),
        ("typing", "skipped"),
        ("extras", "skipped"),
    ]
    assert (result.faults, result.stuck, result.unreached) == ((), (), ())
    assert result.presses == 13
    assert result.board.protocol == 1
    assert result.board.wiring == fingerprints(KEYBOARD).wiring
    assert result.link.damaged == result.link.lost == 0


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("reversed SW7", but(SW7="reversed")),
        ("shorted SW7", but(SW7="shorted")),
        ("open SW7", but(SW7="open")),
        ("open SW13", but(SW13="open")),
        ("closed SW7", but(SW7="stuck")),
        ("sticks SW7", but(SW7="stuck")),
        ("drops SW7", but(SW7="intermittent")),
        ("bounces SW7 6ms", but()),
        ("bridge GPIO3 GPIO4", but(**dict.fromkeys([f"SW{n}" for n in range(5, 13)], "untested"))),
        ("low GPIO7", but(SW2="untested", SW6="untested", SW10="untested")),
        ("high GPIO7", but(SW2="untested", SW6="untested", SW10="untested")),
        ("open GPIO2", but(SW1="open", SW2="open", SW3="open", SW4="open")),
        ("swapped SW2 SW12", but(SW2="swapped", SW12="swapped")),
        ("slow GPIO3 300pF", but()),
    ],
)
def test_each_fault_by_its_name(fault: str, expected: dict[str, str], seed: int) -> None:
    result = bench([fault], seed)
    assert verdicts(result) == expected
    # A slow line within 100 us, and a bounce that is over before the frame, are nothing to mend here.
    harmless = fault in ("bounces SW7 6ms", "slow GPIO3 300pF")
    assert result.verdict.value == ("pass" if harmless else "fail")
    assert [one.kind for one in result.faults] == ([] if harmless else [fault.split()[0]])


def test_a_line_too_slow_to_measure_is_weak_and_what_it_delays_is_untested() -> None:
    """65 kOhm x 5 nF takes 0.3 ms: GPIO8 and GPIO9 come to their turn while GPIO7 is still low."""
    result = bench(["slow GPIO7 5nF"])
    lines = {line.pin: line.verdict.value for line in result.lines if line.role != "unused"}
    assert lines["GPIO7"] == "weak"
    assert {lines["GPIO8"], lines["GPIO9"]} == {"untested"}
    assert [one.title for one in result.faults] == ["slow GPIO7"]
    assert set(verdicts(result).values()) == {"proven", "untested"}
    assert {name for name, verdict in verdicts(result).items() if verdict == "proven"} >= {
        "SW1",
        "SW5",
        "SW9",
    }


def test_a_contact_that_rattles_longer_than_a_frame_waits_is_never_proven_by_it() -> None:
    for seed in range(6):
        found = verdicts(bench(["bounces SW7 70ms"], seed))
        assert found["SW7"] in ("chattering", "untested")
        assert all(verdict == "proven" for name, verdict in found.items() if name != "SW7")


def test_run_bridged_to_a_pin_is_found_though_it_restarts_the_board() -> None:
    """Seed 1: the pull-up of RUN loses against the pin's pull-down, so the pin is driven."""
    keyboard = keyboard_of(wiring_of((16, 17, 18), (6, 7)))
    result = bench(["bridge GPIO16 RUN"], 1, keyboard)
    assert [one.title for one in result.faults] == ["bridge GPIO16 RUN"]
    line = next(one for one in result.lines if one.pin == "GPIO16")
    assert [(other.name, other.package_pin) for other in line.joined] == [("RUN", 26)]
    assert verdicts(result) == {
        "SW1": "untested",
        "SW2": "untested",
        "SW3": "proven",
        "SW4": "proven",
        "SW5": "proven",
        "SW6": "proven",
    }
    assert result.link.reconnects >= 2


def test_three_faults_then_mended() -> None:
    faults = ["reversed SW1", "open SW2", "bridge GPIO3 GPIO4"]
    broken = bench(faults)
    assert [one.title for one in broken.faults] == ["bridge GPIO3 GPIO4", "open SW2", "reversed SW1"]
    assert bench().verdict.value == "pass"


@pytest.mark.parametrize("stages", [("hello",), ("lines",), ("hello", "lines"), ("positions",)])
def test_stages_alone(stages: tuple[str, ...]) -> None:
    result = bench(settings=Settings(stages=stages))
    run = [stage.name for stage in result.stages if stage.verdict.value != "skipped"]
    assert run == list(dict.fromkeys(("alive", "hello", *stages)))
    assert result.verdict.value == "pass"
    if "positions" not in stages:
        assert set(verdicts(result).values()) == {"untested"}
    if "lines" in stages:
        assert any("--stages positions" in text for text in result.not_tested)


# -- the port goes away ------------------------------------------------------------------------------


@pytest.mark.parametrize("at", [1, 4, 13])
def test_a_pulled_cable_costs_only_the_press_in_progress(at: int) -> None:
    board = board_of(KEYBOARD, [parse_fault("reversed SW7", KEYBOARD.wiring)])
    finger = Finger(board)
    hand = Hand(finger, at, board.unplug)
    told: list[Event] = []
    result = Session(
        KEYBOARD, Link(BoardTransport(finger)), hand, fingerprints(KEYBOARD).wiring, tell=told.append
    ).run()
    assert verdicts(result) == but(SW7="reversed")
    assert result.link.reconnects == 1
    # What was being asked for is asked for again; what was proven is not.
    asked = Counter(hand.asked_for)
    assert asked[hand.asked_for[at - 1]] >= 2
    assert sum(asked.values()) <= 16
    assert any(event.kind == "back" for event in told)


def test_a_cable_that_stays_out_keeps_what_was_proven() -> None:
    board = board_of(KEYBOARD)
    finger = Finger(board)

    class Lost(Hand):
        def gone(self) -> None:
            """Nobody plugs it in again."""

    hand = Lost(finger, 6, board.unplug)
    session = Session(
        KEYBOARD,
        Link(BoardTransport(finger)),
        hand,
        fingerprints(KEYBOARD).wiring,
        Settings(reconnect_us=100_000),
    )
    result = session.run()
    assert result.verdict.value == "error"
    assert result.trouble is not None
    assert "did not come back" in result.trouble
    assert verdicts(result) == dict.fromkeys(ALL, "untested") | dict.fromkeys(ALL[:4], "proven") | {
        "SW5": "answers"  # not let go yet
    }


class Vanishing(BoardTransport):
    """A port that is gone for good after so many bytes."""

    left = 0

    def receive(self, wait_us: int) -> bytes:
        data = super().receive(wait_us)
        self.left -= len(data)
        if self.left < 0:
            raise PortGone("it is gone")
        return data

    def reopen(self, wait_us: int) -> bool:
        return False


def test_a_port_that_vanishes_anywhere_is_an_error_and_never_a_wrong_verdict() -> None:
    whole = 7_000
    stages = set()
    for left in range(0, whole, 170):
        finger = Finger(board_of(KEYBOARD, [parse_fault("open SW7", KEYBOARD.wiring)]))
        transport = Vanishing(finger)
        transport.left = left
        result = Session(
            KEYBOARD,
            Link(transport),
            FingerHand(finger),
            fingerprints(KEYBOARD).wiring,
            Settings(reconnect_us=0),
        ).run()
        if result.verdict.value != "error":
            continue
        stages |= {stage.name for stage in result.stages if stage.verdict.value == "error"}
        assert result.trouble
        for name, verdict in verdicts(result).items():
            assert verdict in ("untested", "answers", "open" if name == "SW7" else "proven")
    assert stages == {"hello", "lines", "positions"}


class Noisy(BoardTransport):
    """A port that damages bytes, and loses and doubles chunks."""

    chance = Random(0)

    def receive(self, wait_us: int) -> bytes:
        data = bytearray(super().receive(wait_us))
        for n in range(len(data)):
            if self.chance.random() < 0.01:
                data[n] ^= 1 << self.chance.randrange(8)
        if self.chance.random() < 0.05:
            return b""
        return bytes(data) * (2 if self.chance.random() < 0.05 else 1)


def test_noise_on_the_wire_is_never_a_wrong_verdict() -> None:
    faults = ["reversed SW1", "shorted SW6", "open SW10"]
    truth = but(SW1="reversed", SW6="shorted", SW10="open")
    for seed in range(4):
        finger = Finger(board_of(KEYBOARD, [parse_fault(text, KEYBOARD.wiring) for text in faults]))
        transport = Noisy(finger)
        transport.chance = Random(seed)
        result = Session(KEYBOARD, Link(transport), FingerHand(finger), fingerprints(KEYBOARD).wiring).run()
        assert result.link.damaged
        for name, verdict in verdicts(result).items():
            assert verdict in (truth[name], "untested", "answers"), (seed, name, result.trouble)


def test_ctrl_c_leaves_a_true_result() -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    finger = Finger(board_of(KEYBOARD))
    hand = Hand(finger, 5, stop)
    result = Session(KEYBOARD, Link(BoardTransport(finger)), hand, fingerprints(KEYBOARD).wiring).run()
    assert result.verdict.value == "aborted"
    assert verdicts(result) == dict.fromkeys(ALL, "untested") | dict.fromkeys(ALL[:3], "proven") | {
        "SW4": "answers"  # not let go yet
    }
    assert [stage.verdict.value for stage in result.stages][:4] == ["pass", "pass", "pass", "aborted"]


# -- the wrong board ---------------------------------------------------------------------------------


def test_another_wiring_stops_the_bench() -> None:
    finger = Finger(board_of(KEYBOARD))
    result = Session(KEYBOARD, Link(BoardTransport(finger)), FingerHand(finger), "0123456789ab").run()
    assert result.verdict.value == "error"
    assert "another wiring" in (result.trouble or "")
    assert set(verdicts(result).values()) == {"untested"}


def test_a_universal_image_takes_the_files_word() -> None:
    finger = Finger(HostBoard(KEYBOARD.wiring))
    result = Session(
        KEYBOARD, Link(BoardTransport(finger)), FingerHand(finger), fingerprints(KEYBOARD).wiring
    ).run()
    assert result.verdict.value == "pass"
    assert any("knows no wiring of its own" in note for note in result.notes)


def test_another_keymap_on_the_same_wiring_is_no_obstacle() -> None:
    prints = fingerprints(KEYBOARD).replaced(keymap="0123456789ab")
    finger = Finger(HostBoard(KEYBOARD.wiring, fingerprints=prints))
    result = Session(KEYBOARD, Link(BoardTransport(finger)), FingerHand(finger), prints.wiring).run()
    assert result.verdict.value == "pass"


def test_an_unknown_flash_id_matches_nothing() -> None:
    result = bench(["no-flash"])
    assert result.board.flash_id is None
    assert result.verdict.value == "pass"


class Silent(BoardTransport):
    """A port with something on it that speaks another language."""

    def receive(self, wait_us: int) -> bytes:
        super().receive(wait_us)
        return b"OK\r\n"


def test_something_else_on_the_port_is_no_board() -> None:
    finger = Finger(board_of(KEYBOARD))
    result = Session(KEYBOARD, Link(Silent(finger)), FingerHand(finger), fingerprints(KEYBOARD).wiring).run()
    assert result.verdict.value == "error"
    assert "nothing that answers like a bench image" in (result.trouble or "")


@pytest.mark.parametrize("answers", [True, False])
def test_a_port_that_opens_says_no_more_of_the_chip_than_that(answers: bool) -> None:
    told: list[Event] = []
    finger = Finger(board_of(KEYBOARD))
    transport = BoardTransport(finger) if answers else Silent(finger)
    settings = Settings(stages=("hello",))
    prints = fingerprints(KEYBOARD).wiring
    result = Session(KEYBOARD, Link(transport), FingerHand(finger), prints, settings, tell=told.append).run()
    assert any("told next" in event.text for event in told)
    assert result.stages[0].verdict.value == ("pass" if answers else "incomplete")
    # What `alive` would say to it comes with the trouble: what to do, and how to look for the chip itself.
    advice = " ".join(result.notes)
    for words in ("BOOTSEL", "--stages alive", "hil ports"):
        assert (words in advice) is not answers


class Elsewhere(BoardTransport):
    """A board that says it speaks a later protocol."""

    def receive(self, wait_us: int) -> bytes:
        from hil.wire import Damaged, line_of, parse_line

        out = b""
        for line in super().receive(wait_us).splitlines(keepends=True):
            said = parse_line(line)
            if not isinstance(said, Damaged) and said.name == "hello":
                out += line_of("hello", 9, *said.fields[1:], sequence=said.sequence)
            else:
                out += line
        return out


def test_a_later_protocol_is_refused_in_words() -> None:
    finger = Finger(board_of(KEYBOARD))
    result = Session(
        KEYBOARD, Link(Elsewhere(finger)), FingerHand(finger), fingerprints(KEYBOARD).wiring
    ).run()
    assert result.verdict.value == "error"
    assert "protocol 9" in (result.trouble or "")


# -- what the person is told -------------------------------------------------------------------------


def test_prompts_name_the_next_switch_its_place_its_pins_and_the_progress() -> None:
    told: list[Event] = []
    bench(["open SW6"], tell=told.append)
    prompts = [event for event in told if event.kind == "prompt"]
    assert prompts[0].text == "press SW1: row 1, 1st from the left (GPIO2, GPIO6)"
    assert (prompts[0].instead, prompts[0].proven, prompts[0].total) == ("SW2", 0, 13)
    assert prompts[4].text == "press SW5: row 2, 1st from the left (GPIO3, GPIO6)"
    again = [event for event in prompts if event.switch == "SW6"]
    assert [event.again for event in again] == [False, True]
    assert [event.proven for event in prompts] == sorted(event.proven or 0 for event in prompts)
    assert [event.verdict for event in told if event.kind == "verdict" and event.switch == "SW6"] == ["open"]
    assert told[-1].kind == "ended"


def test_places_in_words() -> None:
    keyboard = keyboard_of(wiring_of((2,), tuple(range(3, 26))))
    places = places_of(keyboard)
    ordinals = {n: places[f"SW{n}"].split(", ")[1].split()[0] for n in (1, 2, 3, 4, 11, 12, 13, 21, 22, 23)}
    assert list(ordinals.values()) == [
        "1st",
        "2nd",
        "3rd",
        "4th",
        "11th",
        "12th",
        "13th",
        "21st",
        "22nd",
        "23rd",
    ]


@pytest.mark.parametrize(
    ("names", "place"),
    [
        (("SW1", "SW5", "SW9"), "rows 1 to 3, 1st from the left"),
        (("SW5", "SW9"), "rows 2 and 3, 1st from the left"),
        (("SW1", "SW9"), "row 1, 1st from the left; row 3, 1st from the left"),
        (("SW1", "SW2", "SW6"), "row 1, 1st and 2nd from the left; row 2, 2nd from the left"),
    ],
)
def test_caps_below_one_another_are_told_in_one_breath(names: tuple[str, ...], place: str) -> None:
    assert place_of_several(keyboard_of(small()).caps, names) == place


def test_an_event_as_json_holds_only_what_is_known() -> None:
    assert Event("stage", "who is there", stage="hello").as_json() == {
        "event": "stage",
        "text": "who is there",
        "stage": "hello",
    }


def test_a_large_board() -> None:
    keyboard = keyboard_of(wiring_of((0, 1, 2, 3, 4, 5), tuple(range(6, 23))))
    result = bench(["reversed SW50", "open SW77"], keyboard=keyboard)
    assert Counter(verdicts(result).values()) == {"proven": 100, "reversed": 1, "open": 1}
