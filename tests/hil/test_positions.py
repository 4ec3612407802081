"""The stage `positions`: presses, and what may be said after them."""

from __future__ import annotations

import re
from dataclasses import replace
from random import Random

import pytest

from hil.board import Board, Table
from hil.faults import Fault, gpio_of, parse_fault
from hil.observe import pair
from hil.stages.positions import Kind
from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Wiring
from tests.hil.boards import Desk
from tests.hil.wirings import random_fault, random_wiring, small, wiring_of

DIODES = [Diodes.CATHODE_TO_ROW, Diodes.CATHODE_TO_COLUMN]
ALL = [f"SW{n}" for n in range(1, 14)]


def but(**others: str) -> dict[str, str]:
    return dict.fromkeys(ALL, "proven") | others


# -- the table of the four readings ------------------------------------------------------------------


@pytest.mark.parametrize("diodes", DIODES)
@pytest.mark.parametrize(
    ("fault", "verdict", "forward", "backward"),
    [
        (None, "proven", "low", "high"),
        ("reversed SW7", "reversed", "high", "low"),
        ("shorted SW7", "shorted", "low", "low"),
        ("open SW7", "open", "high", "high"),
    ],
)
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_four_readings(
    diodes: Diodes, fault: str | None, verdict: str, forward: str, backward: str, seed: int
) -> None:
    """Low or high with and against the diode: good, backwards, shorted, open. From the physics of a diode
    between two pulled-up lines (common practice)."""
    desk = Desk(small(diodes), [fault] if fault else [], seed).follow()
    position = desk.positions.position("SW7")
    assert (position.verdict.value, position.forward, position.backward) == (verdict, forward, backward)
    assert desk.verdicts() == but(SW7=verdict)


def test_without_diodes_both_directions_are_good() -> None:
    desk = Desk(small(Diodes.NONE)).follow()
    assert desk.verdicts() == but()
    position = desk.positions.position("SW7")
    assert (position.forward, position.backward) == ("low", "low")


def test_a_switch_to_ground() -> None:
    desk = Desk(small()).follow()
    position = desk.positions.position("SW13")
    assert (position.row, position.column, position.direct, position.verdict.value) == (
        None,
        None,
        "low",
        "proven",
    )
    assert Desk(small(), ["open SW13"]).follow().verdicts() == but(SW13="open")


def test_every_switch_is_judged_by_one_press() -> None:
    """N presses judge N switches and diodes: the least there can be."""
    desk = Desk(small()).follow()
    assert [question.asked for question in desk.questions] == ALL
    assert desk.positions.presses == 13


# -- one fault at a time -----------------------------------------------------------------------------

ROW_3 = dict.fromkeys(("SW5", "SW6", "SW7", "SW8"), "untested")
ROW_4 = dict.fromkeys(("SW9", "SW10", "SW11", "SW12"), "untested")


@pytest.mark.parametrize("diodes", DIODES)
@pytest.mark.parametrize("seed", [0, 1, 5])
@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("bridge GPIO3 GPIO4", but(**ROW_3, **ROW_4)),
        ("bridge GPIO3 GPIO7", but(SW6="untested")),  # its own row and column: it is hidden, not open
        ("bridge GPIO9 GPIO11", but()),
        ("low GPIO3", but(**ROW_3)),
        ("high GPIO3", but(**ROW_3)),
        ("closed SW7", but(SW7="stuck")),
        ("closed SW13", but(SW13="untested")),
        ("open GPIO2", but(SW1="open", SW2="open", SW3="open", SW4="open")),
        ("open GPIO7", but(SW2="open", SW6="open", SW10="open")),
        ("cut GPIO2 after SW2", but(SW3="open", SW4="open")),
        ("swapped SW6 SW7", but(SW6="swapped", SW7="swapped")),
        ("swapped SW1 SW12", but(SW1="swapped", SW12="swapped")),
        ("swapped SW4 SW5", but(SW4="swapped", SW5="swapped")),
        ("swapped SW12 SW13", but(SW12="swapped", SW13="swapped")),
        ("swapped GPIO2 GPIO4", but(**{f"SW{n}": "swapped" for n in (1, 2, 3, 4, 9, 10, 11, 12)})),
        ("swapped GPIO6 GPIO7", but(**{f"SW{n}": "swapped" for n in (1, 2, 5, 6, 9, 10)})),
        ("bridge SW3 SW7", but(SW3="untested", SW7="untested")),
        ("bridge SW1 SW6", but(SW1="untested", SW6="untested")),
    ],
)
def test_one_fault(diodes: Diodes, fault: str, expected: dict[str, str], seed: int) -> None:
    if diodes is Diodes.CATHODE_TO_COLUMN and fault == "bridge SW3 SW7":
        expected = but()  # both diodes lead to one line: either switch alone acts as it should
    assert Desk(small(diodes), [fault], seed).follow().verdicts() == expected


@pytest.mark.parametrize(
    ("fault", "blocked_by"),
    [
        ("low GPIO7", "low GPIO7"),
        ("high GPIO7", "high GPIO7"),
        ("bridge GPIO3 GPIO7", "bridge GPIO3 GPIO7"),
        ("bridge GPIO2 GPIO3", "bridge GPIO2 GPIO3"),
    ],
)
def test_what_hides_a_switch_is_named_and_the_switch_not_asked_for(fault: str, blocked_by: str) -> None:
    desk = Desk(small(), [fault]).follow()
    assert blocked_by in desk.positions.position("SW6").blocked_by
    assert "SW6" not in [question.asked for question in desk.questions]


def test_a_bad_diode_beside_a_bridge_is_still_found() -> None:
    desk = Desk(small(), ["bridge GPIO8 GPIO9", "reversed SW1"]).follow()
    assert desk.verdicts() == but(SW1="reversed", **{f"SW{n}": "untested" for n in (3, 4, 7, 8, 11, 12)})


def test_swapped_says_where_it_answered() -> None:
    desk = Desk(small(), ["swapped SW6 SW11"]).follow()
    assert desk.positions.position("SW6").answered_as == "SW11"
    assert desk.positions.position("SW11").answered_as == "SW6"


def test_pins_off_by_one_close_into_one_round() -> None:
    """Three lines in a ring: GPIO2 → 3 → 4 → 2."""
    desk = Desk(small(), ["swapped GPIO2 GPIO3", "swapped GPIO3 GPIO4"]).follow()
    verdicts = desk.verdicts()
    assert {verdicts[f"SW{n}"] for n in range(1, 13)} == {"swapped"}
    assert len(desk.positions.round_of("SW1")) == 3


# -- how the person answers --------------------------------------------------------------------------


def test_touching_the_next_says_that_this_one_is_silent() -> None:
    """No hand is needed on the computer: SW6 is open; its neighbour is touched instead, twice."""
    desk = Desk(small(), ["open SW6"])
    while (question := desk.guide.question()) is not None:
        desk.positions.ask(question.asked, question.instead)
        noted = desk.press(question.asked)
        if noted is None or noted.kind is Kind.RELEASED:
            assert question.instead is not None
            noted = desk.press(question.instead)
        assert noted is not None
        desk.guide.react(noted)
        desk.questions.append(question)
    assert desk.end().verdicts() == but(SW6="open")
    asked = [question.asked for question in desk.questions]
    # Again at the end of its row, before the next row.
    assert asked.index("SW9") > len(asked) - 1 - asked[::-1].index("SW6")


def test_the_last_switch_offers_one_that_is_known_to_answer() -> None:
    desk = Desk(small())
    while (question := desk.guide.question()) is not None and question.asked != "SW13":
        desk.positions.ask(question.asked, question.instead)
        noted = desk.press(question.asked)
        assert noted is not None
        desk.guide.react(noted)
    assert question is not None
    assert question.instead is not None
    assert desk.verdicts()[question.instead] == "proven"


def test_one_silence_is_not_open_yet() -> None:
    desk = Desk(small(), ["open SW6"])
    desk.positions.ask("SW6", "SW7")
    desk.positions.silent()
    assert desk.verdicts()["SW6"] == "untested"
    desk.positions.silent()
    assert desk.verdicts()["SW6"] == "open"


@pytest.mark.parametrize("fault", ["reversed SW6", "shorted SW6"])
def test_one_bad_press_is_no_verdict_yet(fault: str) -> None:
    desk = Desk(small(), [fault])
    desk.positions.ask("SW6", "SW7")
    desk.press("SW6")
    assert desk.verdicts()["SW6"] == "untested"
    desk.press("SW6")
    assert desk.verdicts()["SW6"] == fault.split()[0]


def test_presses_that_disagree_are_intermittent() -> None:
    good, bad = Desk(small()), Desk(small(), ["shorted SW6"])
    good.positions.ask("SW6", "SW7")
    good.press("SW6")
    assert good.verdicts()["SW6"] == "proven"
    for _ in range(2):
        good.positions.see(bad.table("SW6"))
        good.hold()
    assert good.verdicts()["SW6"] == "intermittent"


def test_free_order_answers_but_proves_nothing() -> None:
    desk = Desk(small())
    for name in Random(3).sample(ALL, len(ALL)):
        desk.press(name)
    assert set(desk.end().verdicts().values()) == {"answers"}


def test_a_slip_of_the_finger_is_no_swap() -> None:
    """Asked for SW1 the person touches SW7 twice, and later does everything as asked."""
    desk = Desk(small())
    question = desk.guide.question()
    assert question is not None
    desk.positions.ask(question.asked, question.instead)
    for _ in range(2):
        noted = desk.press("SW7")
        assert noted is not None
        desk.guide.react(noted)
    assert desk.follow().verdicts() == but()


SILENT = [
    *([f"open SW{n}"] for n in (1, 4, 6, 12, 13)),
    *([f"open GPIO{n}"] for n in (2, 4, 6, 9, 10)),
    *([f"cut {where}"] for where in ("GPIO2 after SW1", "GPIO2 after SW3", "GPIO6 after SW1")),
    *([f"swapped {where}"] for where in ("SW1 SW2", "SW4 SW5", "SW12 SW13", "GPIO2 GPIO3", "GPIO2 GPIO6")),
    ["open SW4", "open SW5"],
    ["open SW12", "open SW13"],
    ["open SW6", "reversed SW7"],
    ["swapped SW6 SW7", "open SW8"],
]


@pytest.mark.parametrize("faults", SILENT, ids=", ".join)
def test_no_hand_at_the_computer_finds_what_one_there_does(faults: list[str]) -> None:
    """Touching what is offered instead says the same as Enter, in verdicts and in faults."""
    told, touched = Desk(small(), faults).follow(), Desk(small(), faults).follow(touches=True)
    assert touched.verdicts() == told.verdicts()
    found = {fault.title for fault in touched.result().faults}
    assert found
    assert found == {fault.title for fault in told.result().faults}


@pytest.mark.parametrize("second", ["SW6", None])
def test_a_silent_switch_is_a_fault_however_the_person_said_it(second: str | None) -> None:
    """SW4 is open. First SW5 is touched instead; then SW6, or it is said at the computer."""
    desk = Desk(small(), ["open SW4"])
    for touched in ("SW1", "SW2", "SW3", "SW5", second):
        question = desk.guide.question()
        assert question is not None
        desk.positions.ask(question.asked, question.instead)
        noted = desk.press(touched) if touched else desk.positions.silent()
        assert noted is not None
        desk.guide.react(noted)
    assert desk.follow().verdicts() == but(SW4="open")
    assert [fault.title for fault in desk.result().faults] == ["open SW4"]


def test_one_wrong_key_after_the_one_that_was_offered_is_no_other_place() -> None:
    """SW4 is open, and the person touches SW5 as told. Asked once more, with SW6 offered by now, it is SW5
    again, out of habit: not two answers that agree, and no second fault beside the open one."""
    desk = Desk(small(), ["open SW4"])
    for touched, offered in (("SW1", "SW2"), ("SW2", "SW3"), ("SW3", "SW4"), ("SW5", "SW5"), ("SW5", "SW6")):
        question = desk.guide.question()
        assert question is not None
        assert question.instead == offered
        desk.positions.ask(question.asked, question.instead)
        noted = desk.press(touched)
        assert noted is not None
        desk.guide.react(noted)
    assert desk.follow().verdicts() == but(SW4="open")
    assert desk.positions.position("SW4").answered_as is None
    result = desk.result()
    assert [fault.title for fault in result.faults] == ["open SW4"]
    assert result.suggested_wiring is None


def test_the_one_that_was_offered_may_rattle() -> None:
    """SW5, touched instead of SW4, lets go for a moment and is down again: that is one touch, not two."""
    desk = Desk(small(), ["open SW4"])
    desk.positions.ask("SW4", "SW5")
    desk.hold("SW5")
    desk.hold()
    desk.clock_us -= 495_000  # of the 500 ms from touch to touch: back within 5 ms, as no hand is
    desk.press("SW5")
    assert desk.follow().verdicts()["SW4"] == "open"
    assert desk.positions.position("SW4").answered_as is None


def test_two_quick_touches_go_back() -> None:
    desk = Desk(small())
    for _ in range(2):
        question = desk.guide.question()
        assert question is not None
        desk.positions.ask(question.asked, question.instead)
        noted = desk.press(question.asked)
        assert noted is not None
        desk.guide.react(noted)
    question = desk.guide.question()
    assert question is not None
    assert question.asked == "SW3"
    desk.positions.ask(question.asked, question.instead)
    for _ in range(2):
        for closed in (("SW1",), ()):
            desk.clock_us += 100_000
            noted = desk.positions.see(desk.table(*closed))
            if noted is not None:
                desk.guide.react(noted)
    question = desk.guide.question()
    assert question is not None
    assert question.asked == "SW2"
    assert desk.follow().verdicts() == but()


def test_rolling_over_two_switches_judges_both() -> None:
    """The next one goes down before the first is up: ordinary with fingers."""
    desk = Desk(small())
    desk.positions.ask("SW1", "SW2")
    desk.hold("SW1")
    desk.positions.ask("SW2", "SW3")
    desk.hold("SW1", "SW2")
    desk.hold("SW2")
    desk.hold()
    assert desk.verdicts() == dict.fromkeys(ALL, "untested") | {"SW1": "proven", "SW2": "proven"}


def test_two_at_once_are_no_verdict() -> None:
    desk = Desk(small())
    desk.positions.ask("SW1", "SW2")
    noted = desk.hold("SW1", "SW2")
    assert noted is not None
    assert noted.kind is Kind.UNCLEAR
    desk.hold()
    assert set(desk.verdicts().values()) == {"untested"}


def test_a_switch_is_proven_once_it_has_opened_again() -> None:
    desk = Desk(small())
    desk.positions.ask("SW1", "SW2")
    desk.hold("SW1")
    assert desk.verdicts()["SW1"] == "answers"
    desk.hold()
    assert desk.verdicts()["SW1"] == "proven"


def test_a_switch_that_stays_down_is_stuck() -> None:
    desk = Desk(small())
    desk.positions.ask("SW1", "SW2")
    desk.hold("SW1")
    for name in ("SW2", "SW7"):
        desk.positions.ask(name, "SW8")
        desk.hold("SW1", name)
        desk.hold("SW1")
    desk.end()
    assert desk.verdicts()["SW1"] == "stuck"
    assert desk.verdicts()["SW2"] == desk.verdicts()["SW7"] == "proven"


def test_a_switch_held_only_at_the_start_is_not_stuck() -> None:
    desk = Desk(small(), ["closed SW7"])
    free = Desk(small())
    assert desk.findings.closed
    desk.positions.see(free.table())  # it was a finger: now it is let go
    for name in ("SW1", "SW2"):
        desk.positions.see(free.table(name))
        desk.positions.see(free.table())
    assert desk.end().verdicts()["SW7"] != "stuck"


def test_a_contact_that_lets_go_in_the_middle_is_asked_for_again_and_then_intermittent() -> None:
    desk = Desk(small())
    for count in (1, 2):
        desk.positions.ask("SW1", "SW2")
        for closed in (("SW1",), (), ("SW1",), ()):
            desk.clock_us += 7_000  # no hand is that fast (under 30 ms: common practice)
            desk.positions.see(desk.table(*closed))
        desk.clock_us += 500_000
        assert desk.verdicts()["SW1"] == ("untested" if count == 1 else "intermittent")


def test_a_contact_that_is_never_quiet_chatters() -> None:
    desk = Desk(small())
    desk.positions.ask("SW1", "SW2")
    for count in (1, 2):
        desk.positions.see(desk.table("SW1"), steady=False)
        desk.positions.see(desk.table())
        assert desk.verdicts()["SW1"] == ("untested" if count == 1 else "chattering")


def test_a_closed_rectangle_is_no_evidence_for_its_fourth_corner() -> None:
    """Three corners are held; the fourth comes: pressed, or a ghost. Nobody can tell."""
    desk = Desk(small())
    desk.hold("SW1", "SW2")
    desk.hold("SW1", "SW2", "SW5")
    desk.hold("SW1", "SW2", "SW5", "SW6")
    desk.hold()
    assert desk.verdicts()["SW6"] == "untested"


# -- never a wrong verdict ---------------------------------------------------------------------------


def is_wrong(name: str, verdict: str, wiring: Wiring, faults: list[Fault]) -> bool:
    """Whether the planted faults contradict a verdict. Written from what each fault does to its switch."""
    switch = next(each for each in wiring.switches if each.name == name)
    lines = {f"GPIO{pin}" for pin in (switch.row, switch.column, switch.direct) if pin is not None}

    def planted(*kinds: str, on: set[str]) -> bool:
        return any(fault.kind in kinds and on & set(fault.where) for fault in faults)

    every_diode = {"diodes"} if switch.direct is None else set()
    own, leaky = {name}, any(fault.kind == "leaky" for fault in faults)
    swapped = planted("swapped", on=own | lines) or planted("moved", on=own)
    crossed = any(
        fault.kind == "swapped"
        and len({gpio_of(word) in wiring.rows for word in fault.where if gpio_of(word) is not None}) == 2
        for fault in faults
    )
    bypassed = planted("bridge", on=own) and any(fault.kind == "shorted" for fault in faults)
    if verdict == "proven":
        return (
            planted("open", "shorted", "closed", on=own)
            or planted("open", on=lines)
            or swapped
            or planted("reversed", on=own) != planted("reversed", on=every_diode)
        )
    if verdict == "reversed":  # a row and a column exchanged turn the diode where they cross
        return planted("reversed", on=own) == planted("reversed", on=every_diode) and not crossed
    if verdict == "shorted":
        return not planted("shorted", on=own) and not bypassed
    if verdict == "open":
        return not planted("open", "cut", on=own | lines) and not swapped
    if verdict == "stuck":  # dirt that happens to read low one way looks like a held switch
        return not planted("closed", on=own) and not leaky
    if verdict == "swapped":
        # Through a short and a closed switch on a row that isn't soldered, two columns are joined as by a
        # switch that the file doesn't have: no reading tells the two apart.
        through = planted("shorted", on=own) and any(fault.kind == "closed" for fault in faults)
        return not any(fault.kind in ("swapped", "moved") for fault in faults) and not through
    return verdict in ("intermittent", "chattering")


def random_board(seed: int) -> tuple[Wiring, list[str]]:
    """Up to three faults that can be planted together. Exchanges stand alone: two may cancel out."""
    chance = Random(seed)
    wiring = random_wiring(chance)
    faults: list[str] = []
    for _ in range(chance.choice((0, 1, 1, 2, 3))):
        text = random_fault(chance, wiring)
        if faults and re.search("swapped|moved", " ".join([text, *faults])):
            continue
        if "DVDD" in text or (wiring.diodes is Diodes.NONE and text.startswith("swapped GPIO")):
            continue  # 1.1 V reads as it likes; and where nothing has a direction, an exchange may not show
        try:
            Board(wiring, [parse_fault(each, wiring) for each in (*faults, text)])
        except UserError:
            continue
        faults.append(text)
    return wiring, faults


_FALLS = (0, 1, 7)  # undefined readings: all high, all low, each its own way


@pytest.mark.parametrize("seed", _FALLS)
def test_no_verdict_is_wrong_however_undefined_readings_fall(seed: int) -> None:
    wrong = []
    for board in range(250):
        wiring, faults = random_board(board)
        if not wiring.switches:
            continue
        planted = [parse_fault(text, wiring) for text in faults]
        desk = Desk(wiring, faults, seed).follow()
        for name, verdict in desk.verdicts().items():
            if is_wrong(name, verdict, wiring, planted):
                wrong.append((board, faults, name, verdict))
        if board % len(_FALLS) == _FALLS.index(seed):  # each board in one of the three
            desk.result()
    assert wrong == []


class Flickering(Desk):
    """What electricity leaves open reads another way at each look."""

    looks = 0

    def _table(self, *closed: str) -> Table:
        self.looks += 1
        return self.board.table(frozenset(closed)).resolved(1000 * self.seed + self.looks)


@pytest.mark.parametrize("diodes", list(Diodes))
@pytest.mark.parametrize("lines", ["GPIO3 GPIO4", "GPIO6 GPIO7", "GPIO7 GPIO10"])
def test_no_verdict_rests_on_what_does_not_read_the_same_twice(lines: str, diodes: Diodes) -> None:
    """Flux between two lines that no switch joins, at the edge of what an input takes for low."""
    told = []
    for seed in range(2, 8):
        desk = Flickering(small(diodes), [f"leaky {lines} 47k"], seed).follow()
        result = desk.result()
        # Low both ways in the one look before the first press, it is a bridge of those pads by all one knows.
        assert {fault.title for fault in result.faults} <= {f"leaky {lines}", f"bridge {lines}"}, seed
        good_or_not = {one.verdict.value for one in result.positions}
        assert good_or_not <= {"proven", "answers", "untested"}, (seed, good_or_not)
        told += [line.note for line in result.lines if line.note and "same twice" in line.note]
    assert len(told) >= 6


@pytest.mark.parametrize("diodes", list(Diodes))
@pytest.mark.parametrize("lines", ["GPIO3 GPIO7", "GPIO2 GPIO6", "GPIO4 GPIO9"])
def test_nor_where_a_switch_joins_these_two_lines(lines: str, diodes: Diodes) -> None:
    """Found by presses alone here: nobody watches this board untouched first."""
    for seed in range(2, 10):
        desk = Flickering(small(diodes), [f"leaky {lines} 47k"], seed).follow()
        result = desk.result()
        (own,) = (one for one in result.positions if f"{one.row} {one.column}" == lines)
        assert own.verdict.value == "untested", seed
        assert own.blocked_by, seed
        assert {fault.title for fault in result.faults} <= {f"leaky {lines}"}, seed
        assert {one.verdict.value for one in result.positions} <= {"proven", "answers", "untested"}, seed


def test_lines_that_never_become_quiet_with_nothing_touched_are_no_chattering_switch() -> None:
    """The board tells a frame as unsteady after 50 ms without quiet (hil/WIRE.md)."""
    desk = Desk(small())
    flux = pair(3, 4)
    for n in range(4):
        rest = desk.table()
        desk.positions.see(replace(rest, low=rest.low | flux * (n % 2)), steady=False)
    assert desk.positions.lines.troubles_of(3) == ("leaky GPIO3",)
    desk.positions.ask("SW1")
    for _ in range(3):
        desk.positions.see(desk.table("SW1"), steady=False)
        desk.positions.silent()
    desk.end()
    assert desk.verdicts()["SW1"] == "untested"
    assert [fault.title for fault in desk.result().faults] == ["leaky GPIO3 GPIO4"]


def test_no_verdict_depends_on_an_undefined_reading() -> None:
    """Every undefined reading high, low, or each its own way: the same verdicts. Left out: what is
    undefined with nothing pressed (leaks, indicators, RUN's and SWD's pull-ups): that is in the table that
    all else is judged against."""
    compared = 0
    for board in range(200):
        wiring, faults = random_board(board)
        if (
            wiring.lights
            or not wiring.switches
            or any(word in " ".join(faults) for word in ("leaky", "RUN", "SWD"))
        ):
            continue
        outcomes = [Desk(wiring, faults, seed).follow().verdicts() for seed in (0, 1, 7)]
        assert outcomes[0] == outcomes[1] == outcomes[2], (board, faults)
        compared += 1
    assert compared > 50


def test_fiddling_is_never_a_wrong_verdict() -> None:
    """A person who touches this and that, holds two, lets go late: on a good board only `proven`, `answers`
    and `untested` may come of it, unless a switch was passed over on purpose, twice (`open`)."""
    for seed in range(60):
        chance = Random(seed)
        desk = Desk(wiring_of((2, 3), (6, 7, 8), chance.choice(DIODES)))
        names = list(desk.matrix.switches)
        down: set[str] = set()
        for _ in range(80):
            question = desk.guide.question()
            if question is not None:
                desk.positions.ask(question.asked, question.instead)
            name = chance.choice(names)
            offered = None if question is None else question.instead
            if name != offered:  # touching that one says something
                down ^= {name}
            desk.clock_us += chance.randrange(40_000, 400_000)
            noted = desk.positions.see(replace(desk.table(*down), time_us=desk.clock_us))
            if noted is not None:
                desk.guide.react(noted)
        assert set(desk.verdicts().values()) <= {"proven", "answers", "untested"}, seed


def test_a_switch_that_answers_as_the_one_offered_is_not_called_silent() -> None:
    """An open pin whose pad touches the next one: SW6 reads as SW5, which is offered to say that SW6 is
    silent. Offered another one, SW5 is no word of silence."""
    wiring = wiring_of((2,), (6, 7, 8, 9, 10, 11), Diodes.NONE)
    desk = Desk(wiring, ["open GPIO11", "bridge GPIO10 GPIO11"]).follow()
    assert desk.verdicts()["SW6"] != "open"
    offered = [question.instead for question in desk.questions if question.asked == "SW6"]
    assert len(set(offered)) > 1
    assert desk.positions.answered_elsewhere("SW6") == "SW5"


def test_a_silent_switch_is_called_open_whatever_is_offered() -> None:
    wiring = wiring_of((2,), (6, 7, 8, 9, 10, 11), Diodes.NONE)
    assert Desk(wiring, ["open SW6"]).follow().verdicts()["SW6"] == "open"
