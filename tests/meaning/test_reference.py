"""The reference of the language's meaning against worked examples.

Sentences of `MEANING.md` are quoted by the tests that check them, and each number of
`DECISIONS.md` that a board can show stands in brackets at its test. The expected reports were
worked out by hand from those two pages; usages are from the USB HID Usage Tables, page 0x07.

A script is a line of words: `+x` and `-x` are the switch x going down and up, a number is
milliseconds of waiting. What the host sees is a line of reports: `Shift A` are two usages down,
`.` is none.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.meaning.reference import (
    Action,
    Beneath,
    Bottom,
    ByTaps,
    Change,
    Chord,
    Keymap,
    Layer,
    Lock,
    NextOnly,
    Off,
    Outcome,
    Pause,
    Press,
    QueueOverrun,
    Rules,
    TapOrHold,
    Text,
    Typing,
    Usage,
    UsbBoot,
    WhileHeld,
    boot_report,
    detent,
    dial_switch,
    outcome,
)

PAGES = Path(__file__).parent

CONTROL, SHIFT, ALT, ALT_RIGHT = (Usage(7, number) for number in (0xE0, 0xE1, 0xE2, 0xE6))
_NAMES = {
    **{Usage(7, 0x04 + place): letter for place, letter in enumerate("ABCDEFGHIJKLMNOPQRSTUVWXYZ")},
    **{Usage(7, 0x1E + place): digit for place, digit in enumerate("1234567890")},
    Usage(7, 0x28): "Enter",
    Usage(7, 0x2B): "Tab",
    Usage(7, 0x34): "Quote",
    Usage(7, 0x50): "Left",
    CONTROL: "Control",
    SHIFT: "Shift",
    ALT: "Alt",
    ALT_RIGHT: "AltRight",
    Usage(0x0C, 0xE9): "VolumeUp",
    Usage(0x0C, 0xEA): "VolumeDown",
}
_USAGES = {name: usage for usage, name in _NAMES.items()}


def key(words: str) -> Press:
    """`A`, `Control+Z`."""
    *modifiers, last = words.split("+")
    return Press(_USAGES[last], frozenset(_USAGES[word] for word in modifiers))


A, B, C, D, X, Y, Z = (key(letter) for letter in "ABCDXYZ")
SHIFT_KEY, CONTROL_KEY = key("Shift"), key("Control")
THROUGH, OFF = Beneath(), Off()
BANG = key("Shift+1")  # "!" on linux-us
ARROWS = WhileHeld(("arrows",))
SWITCHES = "abcdefgh"


def layer(
    name: str, *cells: Action, when: Sequence[str] = (), dial: tuple[Action, Action] | None = None
) -> Layer:
    """A layer whose cells belong to the switches a, b, c … in this order."""
    of_switches = dict(zip(SWITCHES, cells, strict=False))
    if dial is not None:
        of_switches |= {
            dial_switch("DIAL", clockwise=True): dial[0],
            dial_switch("DIAL", clockwise=False): dial[1],
        }
    return Layer(name, of_switches, tuple(when))


def base(
    *cells: Action, rules: Rules | None = None, more: Sequence[Layer] = (), chords: Sequence[Chord] = ()
) -> Keymap:
    return Keymap((layer("base", *cells), *more), tuple(chords), rules or Rules())


def chord(members: str, action: Action, on: str = "base") -> Chord:
    return Chord(frozenset(members), on, action)


def changes(script: str) -> list[Change]:
    now_us, found = 0, []
    for word in script.split():
        if word[0] in "+-":
            found.append(Change(now_us, word[1:], word[0] == "+"))
        else:
            now_us += round(float(word) * 1000)
    return found


def played(keymap: Keymap, script: str) -> Outcome:
    return outcome(keymap, changes(script))


def words(states: Sequence[frozenset[Usage]]) -> str:
    """The reports in words: in each the modifiers by their number, then the keys as they went down."""
    keys: list[Usage] = []
    reports = []
    for down in states:
        new = sorted(down.difference(keys))
        keys = [usage for usage in [*keys, *new] if usage in down and not usage.is_modifier]
        modifiers = sorted(usage for usage in down if usage.is_modifier)
        reports.append(" ".join(_NAMES[usage] for usage in [*modifiers, *keys]) or ".")
    return " | ".join(reports)


def seen(keymap: Keymap, script: str) -> str:
    return words(played(keymap, script).states)


def times_ms(keymap: Keymap, script: str) -> list[float]:
    return [report.time_us / 1000 for report in played(keymap, script).reports]


# ---- the pages


def test_the_reference_and_the_decisions_name_the_same_numbers() -> None:
    decided = {int(number) for number in re.findall(r"^(\d+)\. ", (PAGES / "DECISIONS.md").read_text(), re.M)}
    assert decided == set(range(1, max(decided) + 1))
    named: set[int] = set()
    for name in ("reference.py", "test_reference.py"):
        text = (PAGES / name).read_text()
        named |= {int(number) for number in re.findall(r"(?<![\w\])])\[(\d+)[a-d]?\]", text)}
    assert named - decided == set()
    # What no list of changes shows: the order of switches in a scan, and the host's side of a report.
    assert decided - named == {1, 2, 54, 56}


# ---- the stack

STACKED = Keymap(
    (
        layer("base", A, B, WhileHeld(("low",)), WhileHeld(("high",))),
        layer("low", C, D),
        layer("high", X, THROUGH),
    )
)


def test_later_layers_lie_on_top() -> None:
    """The stack is: the first layer (or the chosen bottom), then active layers in file order, later on
    top. [20]"""
    assert seen(STACKED, "+c +d +a -a -c -d") == "X | ."
    assert seen(STACKED, "+d +c +a -a -c -d") == "X | .", "the file's order counts, not the hand's"
    assert seen(STACKED, "+c +a -a -c") == "C | ."


def test_two_dots_let_through() -> None:
    """A press takes the topmost cell that is not `..`."""
    assert seen(STACKED, "+c +d +b -b -d -c") == "D | ."
    assert seen(STACKED, "+d +b -b -d") == "B | ."


def test_a_release_undoes_its_own_press() -> None:
    """Its release undoes what that press did, whatever changed in between."""
    assert seen(STACKED, "+c +a -c 50 -a") == "C | ."
    assert seen(STACKED, "+a +c -a 50 -c") == "A | ."
    twice_held = Keymap((layer("base", ARROWS, A), layer("arrows", B, C)))
    assert seen(twice_held, "+a +b -a -b +b -b") == "C | . | A | ."


def test_the_chosen_bottom_takes_the_first_layers_place() -> None:
    """[20], [21], [46]"""
    keymap = Keymap(
        (
            layer("base", A, B, Bottom("game"), OFF, OFF),
            layer("mid", C, THROUGH, THROUGH, THROUGH, THROUGH),
            layer("game", X, OFF, Bottom("base"), WhileHeld(("mid",)), WhileHeld(("base",))),
        )
    )
    game = "+c -c "
    assert seen(keymap, "+a -a") == "A | ."
    assert seen(keymap, game + "+a -a +b -b") == "X | ."
    assert seen(keymap, game + "+d +a -a -d") == "C | .", "an earlier layer lies on the bottom too"
    assert seen(keymap, game + "+e +a -a +b -b -e") == "A | . | B | .", "the first layer, held"
    assert seen(keymap, game + "+c -c +a -a") == "A | ."
    assert played(keymap, game).bottom == "game"
    assert played(keymap, game).layers_on == {"game"}


def test_nothing_beneath_another_bottom_is_off() -> None:
    """[21]"""
    keymap = Keymap((layer("base", A, Bottom("game")), layer("game", THROUGH, Bottom("base"))))
    assert seen(keymap, "+b -b +a -a") == ""


def test_a_bottom_that_is_held_too_stands_at_both_places() -> None:
    """[20]"""
    keymap = Keymap(
        (
            layer("base", A, Bottom("high"), OFF, OFF),
            layer("low", B, THROUGH, THROUGH, THROUGH),
            layer("high", C, THROUGH, WhileHeld(("low",)), WhileHeld(("high",))),
        )
    )
    assert seen(keymap, "+b -b +c +a -a -c") == "B | ."
    assert seen(keymap, "+b -b +c +d +a -a -c -d") == "C | ."


def test_a_layer_is_on_while_others_are() -> None:
    """[22]"""
    keymap = Keymap(
        (
            layer("base", A, WhileHeld(("one",)), WhileHeld(("two",)), Bottom("one")),
            layer("one", B, THROUGH, THROUGH, THROUGH),
            layer("two", C, THROUGH, WhileHeld(("two",)), THROUGH),
            layer("both", X, when=["one", "two"]),
            layer("all", Y, when=["both", "base"]),
        )
    )
    assert seen(keymap, "+b +a -a -b") == "B | ."
    assert seen(keymap, "+b +c +a -a -c +a -a -b") == "Y | . | B | .", (
        "by a layer that is on by `when` itself"
    )
    one_at_bottom = Keymap(
        (
            layer("base", A, Bottom("one")),
            layer("one", B, WhileHeld(("two",))),
            layer("two"),
            layer("both", X, when=["one", "two"]),
            layer("all", Y, when=["both", "base"]),
        )
    )
    assert seen(one_at_bottom, "+b -b +b +a -a -b") == "X | .", "the bottom is on, the first layer isn't"


def test_layers_that_wait_for_each_other_stay_off() -> None:
    """[22]"""
    keymap = Keymap(
        (layer("base", A, WhileHeld(("one",))), layer("one", B, when=["two"]), layer("two", C, when=["one"]))
    )
    assert seen(keymap, "+a -a") == "A | ."
    assert seen(keymap, "+b +a -a -b +a -a") == "C | . | A | .", "one of them held brings the other"


def test_a_dial_acts_as_on_the_next_layer_beneath() -> None:
    """A dial on a layer without a `dial` statement acts as on the next one beneath. [3], [23]"""
    up, down = key("VolumeUp"), key("VolumeDown")
    keymap = Keymap(
        (
            layer("base", ARROWS, WhileHeld(("pages",)), dial=(up, down)),
            layer("arrows", THROUGH, THROUGH),
            layer("pages", THROUGH, THROUGH, dial=(key("Left"), THROUGH)),
        )
    )
    turned = [*detent(10_000, "DIAL", clockwise=True), *detent(20_000, "DIAL", clockwise=False)]

    def with_held(switch: str) -> str:
        held = [Change(0, switch, True), *turned, Change(30_000, switch, False)]
        return words(outcome(keymap, held).states)

    assert with_held("h") == "VolumeUp | . | VolumeDown | ."
    assert with_held("a") == "VolumeUp | . | VolumeDown | ."
    assert with_held("b") == "Left | . | VolumeDown | .", "a direction that isn't named is like `..`"


# ---- holding and counting


def test_holders_are_counted() -> None:
    """Usages, modifiers and layers are *counted* per holder. [38], [40]"""
    keymap = base(SHIFT_KEY, SHIFT_KEY, ARROWS, ARROWS, A, A, more=[layer("arrows", *[THROUGH] * 4, X, X)])
    assert seen(keymap, "+a +b -a +e -e -b") == "Shift | Shift A | Shift | ."
    assert seen(keymap, "+c +d -c +e -e -d +e -e") == "X | . | A | ."
    assert seen(keymap, "+e +f -e 50 -f") == "A | . | A | .", (
        "the second press is a press; the last release counts"
    )


def test_the_same_usage_with_another_modifier_is_pressed_again() -> None:
    """[38]"""
    keymap = base(key("1"), BANG)
    assert seen(keymap, "+a +b 20 -a -b") == "1 | . | Shift 1 | ."
    assert seen(keymap, "+a +b 20 -b -a") == "1 | . | Shift 1 | 1 | ."


def test_nothing_stays_held() -> None:
    """All keys up, nothing locked, every `next` spent, every sequence ended ⇒ the reports are empty. [58]"""
    keymap = Keymap(
        (
            layer(
                "base",
                TapOrHold(A, ARROWS),
                NextOnly(SHIFT),
                Lock(CONTROL),
                key("Control+Z"),
                ByTaps((B, C)),
                Typing((Text((key("Shift+A"), B)), Pause(50_000), key("Enter"))),
            ),
            layer("arrows", THROUGH, NextOnly("arrows"), Lock("arrows"), X, THROUGH, THROUGH),
        ),
        (chord("de", SHIFT_KEY),),
    )
    script = "+a 10 +b 5 +c -b 3 +d +e 200 -c -a +f 2 -d -e -f 300 +c 2 -c 20 +d -d 9 +e 1 -e 300 +d -d"
    end = played(keymap, script)
    assert len(end.states) > 10
    assert (end.switches_down, end.locked, end.armed) == (frozenset(), frozenset(), frozenset())
    assert end.states[-1] == frozenset()
    assert end.layers_on == {"base"}


def test_bottom_and_locks_begin_afresh() -> None:
    """`bottom` and locks don't outlive a power-off."""
    keymap = Keymap((layer("base", A, Bottom("game"), Lock(SHIFT)), layer("game", X, THROUGH, THROUGH)))
    assert played(keymap, "+c -c +b -b").locked == {SHIFT}
    assert seen(keymap, "+a -a") == "A | .", "a board that has just been plugged in knows nothing of it"


# ---- dual-role keys

TAB_ARROWS = TapOrHold(key("Tab"), ARROWS)


def dual(rules: Rules | None = None, *, hold: WhileHeld = ARROWS) -> Keymap:
    return base(
        TapOrHold(key("Tab"), hold),
        A,
        B,
        TapOrHold(D, hold),
        rules=rules,
        more=[layer("arrows", THROUGH, X, Y, THROUGH)],
    )


def test_a_held_key_counts_by_time() -> None:
    """Dual-role `tap/hold`: hold once `hold-after` has passed since the physical press; sooner by the
    rules in `timing`. [31]"""
    assert seen(dual(), "+a 179 -a") == "Tab | ."
    assert seen(dual(), "+a 180 -a") == "", "at exactly that time it has passed"
    assert seen(dual(), "+a 200 +b -b -a") == "X | ."
    assert seen(dual(), "+a 20 +b 20 -b 20 -a") == "Tab | Tab A | Tab | ."
    assert seen(dual(hold=WhileHeld((CONTROL, ALT))), "+a 300 -a") == "Control Alt | ."
    assert times_ms(dual(hold=WhileHeld((CONTROL,))), "+a 300 -a") == [180, 300]
    assert times_ms(dual(), "+a 60 -a") == [60, 60]


def test_another_key_tapped() -> None:
    """[31c], [32]"""
    rules = Rules(hold_if_another_key="tapped")
    assert seen(dual(rules), "+a 20 +b 20 -b 20 -a") == "X | ."
    assert seen(dual(rules), "+a 20 +b 20 -a 20 -b") == "Tab | Tab A | A | .", "a roll is two taps"
    assert seen(dual(rules), "+b 20 +a 20 -b 20 -a") == "A | A Tab | Tab | .", (
        "pressed before, it doesn't count"
    )
    assert times_ms(dual(rules), "+a 20 +b 20 -b 20 -a")[0] == 40


def test_another_key_pressed() -> None:
    """[31c], [33]"""
    rules = Rules(hold_if_another_key="pressed")
    assert seen(dual(rules), "+a 20 +b 20 -a 20 -b") == "X | ."
    assert times_ms(dual(rules), "+a 20 +b 20 -a 20 -b") == [20, 60]


def test_a_tap_in_the_flow_of_typing() -> None:
    """[31b], [6]"""
    rules = Rules(tap_if_typing_within_us=120_000)
    assert seen(dual(rules), "+b 30 -b 30 +a 500 -a") == "A | . | Tab | ."
    assert times_ms(dual(rules), "+b 30 -b 30 +a 500 -a")[2] == 60, "at once"
    assert seen(dual(rules), "+b 30 -b 90 +a 500 -a") == "A | ."
    held_before = base(TAB_ARROWS, ARROWS, SHIFT_KEY, rules=rules, more=[layer("arrows", THROUGH)])
    assert seen(held_before, "+b 10 +a 300 -a -b") == "", "a layer isn't typing"
    assert seen(held_before, "+c 10 +a 300 -a -c") == "Shift | .", "nor is a modifier"


def test_a_tapped_key_repeats() -> None:
    """[31a]"""
    rules = Rules(repeat_if_tapped_within_us=150_000)
    assert seen(dual(rules), "+a 50 -a 149 +a 900 -a") == "Tab | . | Tab | ."
    assert times_ms(dual(rules), "+a 50 -a 149 +a 900 -a") == [50, 50, 199, 1099]
    assert seen(dual(rules), "+a 50 -a 150 +a 900 -a") == "Tab | ."
    assert seen(dual(rules), "+a 50 -a 20 +b -b 20 +a 900 -a") == "Tab | . | A | .", (
        "another key came between"
    )
    assert seen(dual(rules), "+a 200 -a 20 +a 900 -a") == "", "a hold isn't a tap"
    assert seen(dual(rules), "+a 50 -a 20 +a +b -b 30 -a 30 +a 900 -a") == "Tab | . | Tab | Tab A | Tab | ."


def test_a_switch_of_its_own_rules() -> None:
    """[34]"""
    keymap = Keymap(
        (layer("base", TAB_ARROWS, A, THROUGH, TapOrHold(D, ARROWS)), layer("arrows", THROUGH, X)),
        (),
        Rules(hold_after_us=100_000, hold_if_another_key="tapped"),
        {"d": Rules(hold_after_us=300_000)},
    )
    assert seen(keymap, "+a 150 -a") == ""
    assert seen(keymap, "+d 250 -d") == "D | ."
    assert seen(keymap, "+d 20 +b 20 -b -d") == "X | .", "the general rule still holds"


def test_undecided_keys_delay_later_ones() -> None:
    """Undecided keys delay later ones in order; nothing is lost or reordered. [9], [10]"""
    assert seen(dual(), "+a 10 +b 10 -b 10 +c 10 -a 10 -c") == "Tab | Tab A | Tab | Tab B | B | ."
    assert seen(dual(), "+b 10 +a 10 -b 10 +c 10 -a 10 -c") == "A | A Tab | Tab | Tab B | B | ."
    assert seen(dual(), "+a 10 +d 10 +b 10 -b 10 -d 10 -a") == "Tab | Tab D | Tab D A | Tab D | Tab | ."


def test_what_waits_is_judged_by_its_own_times() -> None:
    """[10]"""
    assert seen(dual(), "+a 10 +d 175 +b -b -a 100 -d") == "X | .", "both are holds"
    assert seen(dual(), "+a 100 +d 100 -d 10 +b -b -a") == "D | . | X | ."


def test_overlapping_holds() -> None:
    rules = Rules(hold_if_another_key="tapped")
    assert (
        seen(dual(rules, hold=WhileHeld((CONTROL,))), "+a 10 +d 10 +b 10 -b 10 -d -a")
        == "Control | Control A | Control | ."
    )
    assert seen(dual(rules, hold=WhileHeld((CONTROL,))), "+a 10 +d 10 +b 10 -d 10 -a 10 -b") == (
        "Control | Control D | Control D A | Control A | A | ."
    )


def test_a_full_queue_decides() -> None:
    """The queue is 64 events; when full, the oldest dual-role is decided as hold. [13]"""
    slow = Rules(hold_after_us=5_000_000)
    press_31_times = "+b 1 -b 1 " * 31
    keymap = dual(slow)
    assert seen(keymap, f"+a 1 {press_31_times} -a") == "Tab" + " | Tab A | Tab" * 31 + " | .", "64 find room"
    assert seen(keymap, f"+a 5000 {press_31_times} -a") == "X | ." + " | X | ." * 30, "no 65th"
    last = played(keymap, f"+a 1 {press_31_times} +c 1 -c 1 -a")
    assert last.reports[0].time_us == 64_000
    assert words(last.states) == " | ".join(["X | ."] * 31 + ["Y | ."]), "the 65th doesn't"


def test_a_full_queue_decides_one_after_the_other() -> None:
    """[13]"""
    slow = Rules(hold_after_us=5_000_000)
    both = "+a 1 +d 1 " + "+b 1 -b 1 " * 31 + "+c 1 -d 1 -a 1 -c"
    assert seen(dual(slow), both) == " | ".join(["X | ."] * 31 + ["Y | ."])
    room_for_its_release = "+a 1 +d 1 " + "+b 1 -b 1 " * 30 + "+c 1 -d 1 -a 1 -c"
    assert seen(dual(slow), room_for_its_release) == "D" + " | D X | D" * 30 + " | D Y | Y | ."


def test_a_tap_acts_like_a_cell() -> None:
    """[35]"""
    keymap = base(TapOrHold(key("Control+Z"), WhileHeld((SHIFT,))), D)
    assert seen(keymap, "+a 10 +b 10 -a 10 -b") == "Control Z | Z | Z D | D | ."
    assert seen(keymap, "+a 200 +b 10 -b -a") == "Shift | Shift D | Shift | .", "a hold doesn't lift"


# ---- chords

CHORDED = base(A, B, C, D, chords=[chord("ab", X), chord("abc", Y)])


def test_a_chord() -> None:
    """A chord counts where the topmost cells of all its members come from that layer; it waits at most
    `chord-within`; if it fails, its keys act as usual, in order, with their own press times."""
    two = base(A, B, C, D, chords=[chord("ab", X)])
    assert seen(two, "+a 20 +b 50 -a -b") == "X | ."
    assert times_ms(two, "+a 20 +b 50 -a -b") == [20, 70], "at once, since no longer one is possible"
    assert seen(two, "+a 40 +b 10 -a -b") == "A | A B | B | ."
    assert times_ms(two, "+a 20 +b 5 +c 50 -a -b -c") == [20, 25, 75, 75], "and whatever comes then"
    assert times_ms(two, "+a 40 +b 60 -a -b") == [40, 40, 100, 100]
    assert seen(two, "+a 10 -a 10 +b -b") == "A | . | B | ."
    assert seen(two, "+c +a -a -c") == "C | C A | C | .", "others wait for nothing"
    assert times_ms(two, "+c 10 -c") == [0, 10]


def test_a_chord_counts_on_its_layer_alone() -> None:
    """[24]"""
    keymap = base(
        A,
        B,
        ARROWS,
        WhileHeld(("other",)),
        more=[layer("arrows", THROUGH, THROUGH), layer("other", D, THROUGH)],
        chords=[chord("ab", X)],
    )
    assert seen(keymap, "+c +a +b -a -b -c") == "X | .", "through `..`"
    assert seen(keymap, "+d +a +b -a -b -d") == "D | D B | B | ."
    assert times_ms(keymap, "+d +a 5 -a -d") == [0, 5]


def test_a_member_that_is_down_rules_a_chord_out() -> None:
    """[24], [29]"""
    two = base(A, B, C, chords=[chord("ab", X)])
    assert seen(two, "+a 60 +b 5 -b -a") == "A | A B | A | ."
    assert times_ms(two, "+a 60 +b 5 -b -a") == [40, 60, 65, 65], "the second one waits for nothing"
    assert seen(two, "+a +b 50 -a 50 +a 50 -a -b") == "X | . | A | ."
    assert times_ms(two, "+a +b 50 -a 50 +a 50 -a -b") == [0, 50, 100, 150]


def test_the_longest_chord_wins() -> None:
    """[25], [26]"""
    assert seen(CHORDED, "+a 10 +b 10 +c 60 -a -b -c") == "Y | ."
    assert seen(CHORDED, "+a 10 +b 60 -a -b") == "X | ."
    assert times_ms(CHORDED, "+a 10 +b 60 -a -b") == [40, 70]
    assert times_ms(CHORDED, "+a 10 +b 60 +c 10 -a -b -c") == [40, 70, 80, 80]
    assert times_ms(CHORDED, "+a 10 +b 10 -b 50 -a") == [20, 20], "the release of a member decides"
    assert seen(CHORDED, "+a 10 +b 10 +d 10 -a -b -d") == "X | X D | D | ."
    assert times_ms(CHORDED, "+a 10 +b 10 +d 10 -a -b -d")[0] == 20, "so does a press that fits no chord"


def test_gathered_in_vain() -> None:
    """[26], [11]"""
    keymap = base(A, B, C, D, chords=[chord("ac", X), chord("abcd", Y), chord("ab", Z)])
    assert seen(keymap, "+a 5 +b 5 +c 90 -a -b -c") == "Z | Z C | C | ."
    assert seen(keymap, "+a 5 +c 5 +b 90 -a -b -c").startswith("X | X B"), "the one that was complete first"
    in_file_order = base(A, B, C, D, A, chords=[chord("acd", X), chord("abd", Y), chord("abcde", Z)])
    assert seen(in_file_order, "+a 5 +b 5 +c 5 +d 90 -a -b -c -d").startswith("X | X B")


def test_a_key_that_fits_no_chord_ends_the_gathering() -> None:
    """[25], [27]"""
    two = base(A, B, C, chords=[chord("ab", X), chord("bc", Y)])
    assert seen(two, "+a 5 +c 5 +b 90 -a -b -c") == "A | A Y | Y | ."
    assert times_ms(two, "+a 5 +c 5 +b 90 -a -b -c") == [5, 10, 100, 100]


def test_other_releases_dont_matter_to_a_chord() -> None:
    """[25], [11]"""
    two = base(A, B, C, chords=[chord("ab", X)])
    assert seen(two, "+c 50 +a 5 -c 5 +b 50 -a -b") == "C | C X | X | ."


def test_a_chord_ends_once() -> None:
    """It ends when its first member goes up; the others stay silent. [29]"""
    two = base(A, B, C, chords=[chord("ab", X)])
    assert seen(two, "+a +b 50 -b 50 -a") == "X | ."
    assert times_ms(two, "+a +b 50 -b 50 -a") == [0, 50]
    assert seen(two, "+a +b 50 -b 50 +c -c -a") == "X | . | C | ."


def test_dual_role_members() -> None:
    """[18], [30]"""
    keymap = base(
        TapOrHold(A, ARROWS),
        TapOrHold(B, WhileHeld((SHIFT,))),
        C,
        more=[layer("arrows", THROUGH, THROUGH, Y)],
        chords=[chord("ab", X)],
    )
    assert seen(keymap, "+a 10 +b 500 -b -a") == "X | ."
    assert seen(keymap, "+a 170 -a") == "A | ."
    assert seen(keymap, "+a 200 +c -c -a") == "Y | .", (
        "hold-after runs from the physical press, not from the failure"
    )
    assert times_ms(keymap, "+b 500 -b") == [180, 500]
    assert times_ms(keymap, "+a 300 +b 500 -b -a") == [480, 800], "held, it rules the chord out"


def test_a_chord_with_a_dual_role() -> None:
    """[28]"""
    keymap = base(
        A,
        B,
        C,
        more=[layer("arrows", THROUGH, THROUGH, Y)],
        chords=[chord("ab", TapOrHold(X, ARROWS))],
        rules=Rules(hold_if_another_key="pressed"),
    )
    assert seen(keymap, "+a 10 +b 50 -b 50 -a") == "X | ."
    assert seen(keymap, "+a 10 +b 200 -b -a") == ""
    assert seen(keymap, "+a 10 +b 50 +c -c -a -b") == "Y | ."
    assert seen(keymap, "+a 10 +b 169 -b -a") == "X | .", "from the first member's press"


def test_a_chord_goes_by_its_first_members_rules() -> None:
    """[28]"""
    keymap = Keymap((layer("base", A, B),), (chord("ab", X),), Rules(), {"b": Rules(chord_within_us=90_000)})
    assert seen(keymap, "+a 60 +b -b -a") == "A | A B | A | ."
    assert seen(keymap, "+b 60 +a -a -b") == "X | ."


# ---- taps


def test_taps() -> None:
    """`taps(A, B)` is decided `taps-within` after the last press, or at once by the last one named;
    held, it stays down. [36], [37]"""
    keymap = base(ByTaps((A, B, C)), D, SHIFT_KEY)
    assert seen(keymap, "+a 50 -a") == "A | ."
    assert times_ms(keymap, "+a 50 -a") == [200, 200]
    assert times_ms(keymap, "+a 50 -a 100 +a 50 -a") == [350, 350]
    assert seen(keymap, "+a 50 -a 100 +a 50 -a") == "B | ."
    assert seen(keymap, "+a 50 -a 50 +a 50 -a 50 +a 500 -a") == "C | ."
    assert times_ms(keymap, "+a 50 -a 50 +a 50 -a 50 +a 500 -a") == [200, 700]
    assert times_ms(keymap, "+a 500 -a") == [200, 500], "held"
    assert seen(keymap, "+a 50 -a 150 +a 50 -a") == "A | . | A | ."
    assert seen(keymap, "+a 9 -a 9 +a 9 -a 9 +a 9 -a 9 +a 9 -a") == "C | . | A | .", "counting begins afresh"


def test_taps_and_other_keys() -> None:
    """[36], [37]"""
    keymap = base(ByTaps((A, B)), D, SHIFT_KEY)
    assert seen(keymap, "+a 20 -a 20 +b 20 -b") == "A | . | D | ."
    assert times_ms(keymap, "+a 20 -a 20 +b 20 -b") == [40, 40, 40, 60], "the other press decides at once"
    assert seen(keymap, "+a 20 -a 20 +b 20 -b 20 +a 20 -a") == "A | . | D | . | A | .", (
        "and counting begins afresh"
    )
    assert seen(keymap, "+a 20 +b 20 -a 20 -b") == "A | A D | D | ."
    assert seen(keymap, "+c +a 20 -a 20 -c 20 +a 20 -a") == "Shift | Shift B | B | .", (
        "at the place of the first press"
    )


def test_taps_typed_just_now() -> None:
    """[31b]"""
    keymap = base(
        ByTaps((A, B)), TapOrHold(X, WhileHeld((SHIFT,))), rules=Rules(tap_if_typing_within_us=100_000)
    )
    assert seen(keymap, "+a 60 -a 60 +a 60 +b 500 -b -a") == "B | B X | B | .", (
        "60 ms after the last counted press"
    )
    assert seen(keymap, "+a 120 -a +b 500 -b") == "A | . | Shift | ."


# ---- next


def next_map(rules: Rules | None = None) -> Keymap:
    return base(
        NextOnly(SHIFT),
        NextOnly("arrows"),
        A,
        B,
        CONTROL_KEY,
        TapOrHold(C, WhileHeld((ALT,))),
        NextOnly(CONTROL),
        Lock("arrows"),
        rules=rules,
        more=[
            layer(
                "arrows",
                THROUGH,
                THROUGH,
                X,
                THROUGH,
                THROUGH,
                TapOrHold(Y, WhileHeld((ALT,))),
                THROUGH,
                THROUGH,
            )
        ],
    )


def test_next() -> None:
    """`next(x)` acts as held if another key goes down meanwhile; else it covers the next non-modifier
    key until that key's release or the next press, whichever is first. [42], [43], [44]"""
    assert seen(next_map(), "+a 20 -a 50 +c 20 -c +d -d") == "Shift | Shift A | . | B | ."
    assert seen(next_map(), "+a 20 +c 20 -c +d -d -a +c -c") == (
        "Shift | Shift A | Shift | Shift B | Shift | . | A | ."
    ), "held"
    assert seen(next_map(), "+a -a +c 20 +d 20 -c -d") == "Shift | Shift A | A | A B | B | .", (
        "until the next press"
    )
    assert seen(next_map(), "+b -b +c -c +c -c") == "X | . | A | ."
    assert seen(next_map(), "+b -b +c +d -c -d") == "X | X B | B | ."
    assert seen(next_map(), "+b +c -c +c -c -b +c -c") == "X | . | X | . | A | ."


def test_the_next_press_finds_its_cell_without_the_cover() -> None:
    """[15], [44]"""
    assert seen(next_map(), "+b -b +d 10 +c 10 -c -d") == "B | B A | B | ."
    assert seen(next_map(), "+a -a +c 10 +e 10 -c -e") == "Shift | Shift A | A | Control A | Control | .", (
        "whatever it does"
    )


def test_a_cover_ends_in_a_report_of_its_own() -> None:
    """[55], [15]"""
    keymap = base(NextOnly(SHIFT), key("Control+Z"), D, TapOrHold(C, WhileHeld((ALT,))))
    assert seen(keymap, "+a -a +b +c -b -c") == "Shift | Control Shift Z | Control Z | Z | Z D | D | ."
    assert times_ms(keymap, "+a -a +b 10 +d 300 -d -b") == [0, 0, 10, 190, 190, 310, 310], (
        "before it is decided"
    )


def test_what_leaves_next_armed() -> None:
    """[7], [42]"""
    assert seen(next_map(), "+a -a +e +c -c -e") == "Shift | Control Shift | Control Shift A | Control | ."
    assert seen(next_map(), "+a -a +g -g +c -c") == "Shift | Control Shift | Control Shift A | .", (
        "several at once"
    )
    assert seen(next_map(), "+a +g -a -g +c -c") == "Shift | Control Shift | Control Shift A | .", (
        "rolled too"
    )
    assert seen(next_map(), "+a -a +b -b +c -c") == "Shift | Shift X | ."
    assert seen(next_map(), "+a 5000 -a 5000 +c -c") == "Shift | Shift A | .", "no time limit"
    assert seen(next_map(), "+a -a +a -a +c -c +c -c") == "Shift | Shift A | . | A | .", (
        "armed twice is armed once"
    )
    assert played(next_map(), "+a -a").armed == {SHIFT}


def test_what_spends_next() -> None:
    """[7], [47]"""
    assert seen(next_map(), "+a -a +h -h +c -c") == "Shift | . | X | .", "lock of a layer"
    keymap = base(NextOnly(SHIFT), OFF, A, Lock(CONTROL), Bottom("base"))
    assert seen(keymap, "+a -a +b -b +c -c") == "Shift | . | A | .", "a key that does nothing"
    assert seen(keymap, "+a -a +e -e +c -c") == "Shift | . | A | ."
    assert seen(keymap, "+a -a +d -d +c -c") == ("Shift | Control Shift | Control Shift A | Control"), (
        "lock of a modifier doesn't"
    )


def test_next_is_consumed_in_order() -> None:
    """It is consumed in decided order. [43]"""
    assert seen(next_map(), "+a -a +f 20 +c 20 -f 20 -c") == "Shift | Shift C | C | C A | A | ."
    assert seen(next_map(), "+a -a +f 200 +c -c -f") == "Shift | Shift Alt | Shift Alt A | Alt | .", (
        "a hold leaves it armed"
    )
    assert seen(next_map(), "+a 10 +f 10 -a 10 -f") == "Shift | Shift C | C | .", (
        "the release waits behind the undecided key"
    )
    assert seen(next_map(), "+b -b +f 20 -f +f 20 -f") == "Y | . | C | ."


def test_next_and_chords() -> None:
    """[43], [44]"""
    keymap = base(NextOnly(SHIFT), A, B, C, chords=[chord("bc", X)])
    assert seen(keymap, "+a -a +b 10 +c 10 -b 10 +d -d -c") == "Shift | Shift X | . | C | ."
    on_layer = base(
        NextOnly("arrows"), A, B, more=[layer("arrows", THROUGH, C, D)], chords=[chord("bc", X, "arrows")]
    )
    assert seen(on_layer, "+a -a +b +c -b -c +b +c -b -c") == "X | . | A | A B | B | ."


def test_the_silent_members_of_a_chord_arm_nothing() -> None:
    """[29], [42]"""
    keymap = base(A, B, C, chords=[chord("ab", NextOnly(SHIFT))])
    assert seen(keymap, "+a +b 10 -a +c -c -b +c -c") == "Shift | Shift C | . | C | ."
    twice = base(
        A, B, NextOnly(SHIFT), chords=[chord("ab", NextOnly(SHIFT))], rules=Rules(next_twice_locks=True)
    )
    end = played(twice, "+a +b 10 -a +c -c -b")
    assert end.locked == {SHIFT}
    assert not end.armed


def test_next_twice_locks() -> None:
    """[45]"""
    rules = Rules(next_twice_locks=True)
    assert seen(next_map(rules), "+a -a +a -a +c -c +d -d +a -a +c -c") == (
        "Shift | Shift A | Shift | Shift B | Shift | . | A | ."
    )
    assert (
        seen(next_map(rules), "+a -a +g -g +a -a +c -c") == "Shift | Control Shift | Control Shift A | Shift"
    )
    assert seen(next_map(rules), "+a -a +c -c +a -a +c -c") == "Shift | Shift A | . | Shift | Shift A | ."
    assert played(next_map(rules), "+b -b +b -b").locked == {"arrows"}
    assert seen(next_map(rules), "+h -h +b -b +c -c") == "A | .", "it unlocks what `lock` has locked"
    assert seen(next_map(), "+h -h +b -b +c -c +c -c") == "X | . | X | .", "without the rule it doesn't"


# ---- lock


def test_lock() -> None:
    """[41]"""
    keymap = base(
        Lock(SHIFT),
        SHIFT_KEY,
        A,
        Lock("arrows"),
        NextOnly(SHIFT),
        more=[layer("arrows", THROUGH, Lock(SHIFT), X, THROUGH, THROUGH)],
    )
    assert seen(keymap, "+a 50 -a +c -c +a 50 -a") == "Shift | Shift A | Shift | ."
    assert times_ms(keymap, "+a 50 -a 10 +a 50 -a") == [0, 60], "at the press"
    assert seen(keymap, "+a -a +b -b +c -c") == "Shift | Shift A | Shift", "a Shift by hand doesn't end it"
    assert seen(keymap, "+b +a -a +a -a 20 -b") == "Shift | ."
    assert seen(keymap, "+a -a +d -d +b -b") == "Shift | .", "the same lock by another switch"
    assert seen(keymap, "+d -d +c -c +d -d +c -c") == "X | . | A | ."
    assert seen(keymap, "+a -a +e -e +c -c +a -a") == "Shift | Shift A | Shift | .", "`next` leaves it locked"


# ---- modifiers of a press


def test_a_modifier_lifts() -> None:
    """`Control+Z`: its modifier lifts when another key goes down, so a fast roll doesn't become
    Control+D. [39], [55]"""
    keymap = base(
        key("Control+Z"),
        D,
        CONTROL_KEY,
        ARROWS,
        key("Control+Alt"),
        BANG,
        NextOnly(SHIFT),
        OFF,
        more=[layer("arrows", THROUGH)],
    )
    assert seen(keymap, "+a 20 +b 20 -a -b") == "Control Z | Z | Z D | D | ."
    assert seen(keymap, "+a 20 +b 20 -b 20 -a") == "Control Z | Z | Z D | Z | .", "it doesn't come back"
    assert seen(keymap, "+a 20 +f 20 -a 20 -f") == "Control Z | Z | Shift Z 1 | Shift 1 | ."
    assert seen(keymap, "+f 20 +a 20 -f 20 -a") == "Shift 1 | 1 | Control 1 Z | Control Z | ."
    assert seen(keymap, "+a +d +h -h -d -a") == "Control Z | .", "what puts nothing down lifts nothing"
    assert seen(keymap, "+a +g -g -a +b -b") == "Control Z | Z | Shift Z | Shift | Shift D | ."
    assert seen(keymap, "+e +b -b -e") == "Control Alt | Control Alt D | Control Alt | .", (
        "modifiers alone don't lift"
    )


def test_a_modifier_of_the_hand_stays() -> None:
    """A modifier the hand holds stays."""
    keymap = base(key("Control+Z"), D, CONTROL_KEY, Lock(CONTROL))
    assert seen(keymap, "+c +a +b -a -b -c") == (
        "Control | Control Z | Control Z D | Control D | Control | ."
    )
    assert seen(keymap, "+d -d +a +b -a -b") == "Control | Control Z | Control Z D | Control D | Control"


def test_a_quoted_character() -> None:
    """One quoted character: its own Shift or AltGr is added, `Control+"z"` is allowed."""
    keymap = base(BANG, key("AltRight+Q"), key("Control+Z"), SHIFT_KEY)
    assert seen(keymap, "+a -a +b -b +c -c") == "Shift 1 | . | AltRight Q | . | Control Z | ."
    assert seen(keymap, "+d +a -a -d") == "Shift | Shift 1 | Shift | ."


# ---- sequences

REGARDS = Typing((Text((key("Shift+A"), B)), key("Enter"), Pause(50_000), key("Control+C")))


def test_a_sequence() -> None:
    """A sequence: physical events queue while it types; held modifiers are lifted for text; releasing
    the trigger doesn't abort; each stroke is a report of its own. [50], [51], [52], [53]"""
    keymap = base(REGARDS, D, SHIFT_KEY)
    typed = "Shift A | . | B | . | Enter | . | Control C | ."
    assert seen(keymap, "+a 1 -a") == typed
    assert seen(keymap, "+a 500 -a") == typed, "once"
    assert seen(keymap, "+a 1 -a 1 +b 1 -b") == typed + " | D | ."
    assert seen(keymap, "+a 1 -a 1 +a 1 -a") == typed + " | " + typed
    assert seen(keymap, "+c +a -a 200 -c") == (
        "Shift | . | Shift A | . | B | . | Shift | Shift Enter | Shift | Control Shift C | Shift | ."
    )
    assert times_ms(keymap, "+a -a") == [0, 1, 2, 3, 4, 5, 56, 57]


def test_modifiers_lift_and_return_in_reports_of_their_own() -> None:
    """[52], [55]"""
    keymap = base(Typing((Text((D,)), D, Text((B,)))), D, SHIFT_KEY)
    assert seen(keymap, "+b +c +a 99 -a -c -b") == (
        "D | Shift D | D | . | D | Shift D | Shift | Shift D | D | D B | D | Shift D | D | ."
    )
    assert times_ms(keymap, "+c +a 99 -a -c")[-2:] == [9, 99], "they return when the sequence ends"


def test_texts_in_a_row_lift_once() -> None:
    """[52]"""
    keymap = base(
        Typing((Text((A,)), Pause(9_000), Text((B,)))),
        SHIFT_KEY,
        Lock(ALT),
        TapOrHold(C, WhileHeld((CONTROL,))),
    )
    assert seen(keymap, "+b +a -a 99 -b") == "Shift | . | A | . | B | . | Shift | ."
    assert seen(keymap, "+c -c +d 200 +a -a 99 -d +c -c") == (
        "Alt | Control Alt | . | A | . | B | . | Control Alt | Alt | ."
    ), "locked ones and holds too"


def test_a_sequence_and_next() -> None:
    """[52], [53]"""
    keymap = base(REGARDS, D, NextOnly(SHIFT))
    assert seen(keymap, "+c -c +a -a 200 +b -b") == (
        "Shift | . | Shift A | . | B | . | Shift | Shift Enter | Shift | Control Shift C | Shift | . | D | ."
    )


def test_a_sequence_and_keys_that_are_held() -> None:
    """[51], [52]"""
    keymap = base(Typing((Text((D, B)),)), D, key("Control+Z"))
    assert seen(keymap, "+b +a -a 99 -b") == "D | . | D | D B | D | ."
    assert seen(keymap, "+c +a -a 99 -c") == "Control Z | Z | Z D | Z | Z B | Z | ."


def test_a_text_is_typed_once() -> None:
    """Text of two or more characters is typed once, dead keys included. [49]"""
    e_acute = (key("Quote"), key("E"))  # a layout on which Quote is a dead acute
    keymap = base(Typing((Text((key("T"), *e_acute)),)), D)
    assert seen(keymap, "+a 900 +b -b -a") == "T | . | Quote | . | E | . | D | ."


def test_what_waits_for_a_sequence_is_judged_by_its_own_times() -> None:
    """[10], [12]"""
    keymap = base(Typing((A, Pause(400_000), A)), TapOrHold(B, WhileHeld((SHIFT,))))
    assert seen(keymap, "+a 10 -a 10 +b 100 -b") == "A | . | A | . | B | ."
    assert seen(keymap, "+a 10 -a 10 +b 190 -b") == "A | . | A | . | Shift | ."


def test_a_sequence_is_typing() -> None:
    """[6], [31b]"""
    keymap = base(
        Typing((A,)), TapOrHold(B, WhileHeld((SHIFT,))), rules=Rules(tap_if_typing_within_us=100_000)
    )
    assert seen(keymap, "+a 10 -a 80 +b 300 -b") == "A | . | B | ."


def test_more_than_waits_for_a_sequence_isnt_judged() -> None:
    """[14]"""
    keymap = base(Typing((A, Pause(400_000), A)), B)
    more = "+a 1 -a 1 " + "+b 1 -b 1 " * 31  # with the trigger's release 63 changes wait
    assert seen(keymap, more + "+b 999 -b").endswith("A | ." + " | B | ." * 32)
    with pytest.raises(QueueOverrun):
        played(keymap, more + "+b 1 -b")


# ---- off, usb-boot, and what the host sees


def test_off_and_usb_boot() -> None:
    """[47], [48]"""
    keymap = base(OFF, UsbBoot(), SHIFT_KEY, A)
    assert seen(keymap, "+a -a") == ""
    end = played(keymap, "+c +d +b +a -a -b -d -c")
    assert end.restarted
    assert words(end.states) == "Shift | Shift A | ."


def test_more_keys_than_a_boot_report_holds() -> None:
    """More keys than a boot report holds: in the boot protocol the phantom state (0x01 in all six,
    modifiers true); in the report protocol every key. [57]

    HID 1.11, appendix C: ErrorRollOver in all array fields, modifiers still reported.
    """
    seven = base(SHIFT_KEY, *(key(letter) for letter in "ABCDEFG"))
    states = played(seven, "+a +b +c +d +e +f +g +h").states
    assert boot_report(states[6]) == (0x02, (0x04, 0x05, 0x06, 0x07, 0x08, 0x09))
    assert boot_report(states[7]) == (0x02, (0x01,) * 6)
    assert len(states[7]) == 8
    assert boot_report([Usage(0x0C, 0xE9), _USAGES["A"]]) == (0x00, (0x04, 0, 0, 0, 0, 0))


# ---- the language page's own scenario, and what can't be


def test_the_pages_own_scenario() -> None:
    """A tapped thumb is Tab, a held one reaches the arrows."""
    keymap = base(TAB_ARROWS, B, more=[layer("arrows", THROUGH, key("Left"))])
    assert seen(keymap, "+a 20 -a") == "Tab | ."
    assert seen(keymap, "+a 300 +b 20 -b -a") == "Left | ."


@pytest.mark.parametrize("script", ["-a", "+a 1 +a"])
def test_changes_that_no_switch_can_make(script: str) -> None:
    with pytest.raises(ValueError, match="already"):
        played(base(A), script)
