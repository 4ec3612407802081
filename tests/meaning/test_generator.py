"""The random keymaps and hands are what they promise; and what holds of the reference for all of them."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import pytest

from keyc.language.syntax import parsed
from keyc.source import Source
from tests.meaning.generator import Features, random_changes, random_keymap, thresholds_us
from tests.meaning.reference import (
    QUEUE_LENGTH,
    Action,
    Bottom,
    ByTaps,
    Change,
    Keymap,
    Lock,
    NextOnly,
    Off,
    Outcome,
    Press,
    QueueOverrun,
    TapOrHold,
    Typing,
    WhileHeld,
    outcome,
)

SEEDS = range(40)


def judged(
    keymap: Keymap, changes: list[Change], *, report_us: int = 1000, queue_length: int = QUEUE_LENGTH
) -> Outcome | None:
    """None: too much waits for a sequence, which the reference leaves alone."""
    try:
        return outcome(keymap, changes, report_us=report_us, queue_length=queue_length)
    except QueueOverrun:
        return None


def actions(keymap: Keymap) -> Iterator[Action]:
    for layer in keymap.layers:
        yield from layer.cells.values()
    for chord in keymap.chords:
        yield chord.action


def test_the_same_seed_makes_the_same() -> None:
    one, again, other = random_keymap(5), random_keymap(5), random_keymap(6)
    assert (one.text, one.keymap) == (again.text, again.keymap)
    assert one.text != other.text
    assert random_changes(1, one, 200) == random_changes(1, again, 200)
    assert random_changes(1, one, 200) != random_changes(2, one, 200)


def test_the_text_reads_without_mistakes() -> None:
    for seed in SEEDS:
        made = random_keymap(seed)
        assert parsed(Source(f"random-{seed}.keys", made.text)).diagnostics == (), made.text


def test_every_kind_of_action_and_rule_comes_up() -> None:
    made = [random_keymap(seed) for seed in range(150)]
    kinds = {type(action) for one in made for action in actions(one.keymap)}
    assert {Press, WhileHeld, Off, TapOrHold, ByTaps, NextOnly, Lock, Bottom, Typing} <= kinds
    in_chords = {type(chord.action) for one in made for chord in one.keymap.chords}
    assert {Press, WhileHeld, TapOrHold, NextOnly, Typing} <= in_chords
    assert any(layer.when for one in made for layer in one.keymap.layers)
    assert any(one.dials for one in made)
    assert any(one.keymap.rules_of for one in made)
    assert {one.keymap.rules.hold_if_another_key for one in made} == {None, "tapped", "pressed"}


def test_without_features_only_plain_keys_come_up() -> None:
    for seed in SEEDS:
        made = random_keymap(seed, Features(0))
        assert {type(action).__name__ for action in actions(made.keymap)} <= {
            "Press",
            "WhileHeld",
            "Off",
            "Beneath",
        }
        assert not made.keymap.chords


def test_changes_keep_clear_of_each_other_and_of_what_decides() -> None:
    """Looked up here the slow way: each change against every earlier one and every threshold."""
    for seed in SEEDS:
        made = random_keymap(seed)
        changes = random_changes(seed, made, 150, spacing_us=1500, margin_us=1750, same_switch_us=5000)
        times = sorted({change.time_us for change in changes})
        assert all(later - earlier >= 1500 for earlier, later in pairwise(times))
        last_of: dict[str, int] = {}
        for change in changes:
            if " " not in change.switch:  # a dial's detent goes down and up at once
                assert change.time_us - last_of.get(change.switch, -(10**9)) >= 5000
                last_of[change.switch] = change.time_us
        for place, later in enumerate(times):
            for threshold in thresholds_us(made.keymap):
                assert all(abs(later - earlier - threshold) >= 1750 for earlier in times[:place])


def test_many_changes_lie_close_to_what_decides() -> None:
    """Within 6 ms of it, on either side."""
    before = after = 0
    for seed in SEEDS[:12]:
        made = random_keymap(seed)
        times = sorted({change.time_us for change in random_changes(seed, made, 150)})
        for place, later in enumerate(times):
            gaps = [later - earlier - t for earlier in times[:place] for t in thresholds_us(made.keymap)]
            before += any(-6000 < gap < 0 for gap in gaps)
            after += any(0 < gap < 6000 for gap in gaps)
    assert before > 200
    assert after > 200


def test_a_board_that_looks_a_little_late_sees_the_same() -> None:
    """Every change is shifted by up to 0.99 ms of its own, which keeps the order and all decisions."""
    compared = 0
    for seed in SEEDS:
        made = random_keymap(seed)
        changes = random_changes(seed, made, 200)
        chance = random.Random(seed)
        shifts = {change.time_us: chance.randint(0, 990) for change in changes}
        shifted = [change._replace(time_us=change.time_us + shifts[change.time_us]) for change in changes]
        one, other = judged(made.keymap, changes), judged(made.keymap, shifted)
        if one is not None and other is not None:
            assert one.states == other.states, made.text
            compared += len(one.states)
    assert compared > 4000


def test_slow_reports_change_nothing_but_the_time() -> None:
    """DECISIONS 10: what is decided never depends on when the board comes to look at the changes."""
    compared = 0
    for seed in SEEDS:
        made = random_keymap(seed)
        changes = random_changes(seed, made, 200)
        one, other = judged(made.keymap, changes), judged(made.keymap, changes, report_us=4000)
        if one is not None and other is not None:
            assert one.states == other.states, made.text
            compared += len(one.states)
    assert compared > 4000


def test_nothing_stays_held_whatever_the_hands_did() -> None:
    """DECISIONS 58, on streams after which nothing is locked or armed."""
    at_rest = 0
    for seed in range(100):
        made = random_keymap(seed, Features.ALL & ~Features.LOCK)
        keymap = replace(
            made.keymap,
            rules=replace(made.keymap.rules, next_twice_locks=None),
            rules_of={
                name: replace(own, next_twice_locks=None) for name, own in made.keymap.rules_of.items()
            },
        )
        end = judged(keymap, random_changes(seed, made, 100))
        if end is None:
            continue
        assert not end.switches_down
        assert not end.locked
        if not end.armed:
            at_rest += 1
            assert end.states[-1:] in ((), (frozenset(),)), made.text
    assert at_rest > 60


def test_some_hands_fill_the_queue() -> None:
    """DECISIONS 13: with a longer queue these streams come out otherwise."""
    otherwise = 0
    for seed in range(150):
        made = random_keymap(seed)
        changes = random_changes(seed, made, 200)
        one, longer = judged(made.keymap, changes), judged(made.keymap, changes, queue_length=10_000)
        otherwise += one is not None and longer is not None and one.states != longer.states
    assert otherwise > 8


@pytest.mark.parametrize("seed", range(10))
def test_no_press_is_lost_on_plain_keys(seed: int) -> None:
    """Every press of a key usage is one new usage in a report, on a keymap of plain keys alone."""
    made = random_keymap(seed, Features(0))
    only = made.keymap.layers[0]
    plain = {name: action for name, action in only.cells.items() if isinstance(action, Press)}
    keymap = Keymap((replace(only, cells=plain),))
    changes = random_changes(seed, made, 300)
    states = (frozenset(), *outcome(keymap, changes).states)
    reached = sum(
        sum(not usage.is_modifier for usage in after - before) for before, after in pairwise(states)
    )
    pressed = [plain[change.switch] for change in changes if change.pressed and change.switch in plain]
    assert reached == sum(not action.usage.is_modifier for action in pressed) > 10
