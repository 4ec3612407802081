"""The C engine against the independent reference, on random keymaps and random hands.

`python -m tests.meaning 10000000` does the same for as many changes as one likes, with `--sanitize`
under the address and undefined behaviour sanitizers.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from keyc.engine.library import EngineLibrary, load
from tests.meaning.engine_runs import (
    difference,
    difference_of,
    engine_reports,
    numbers,
    scanned_reports,
    shortest,
    tables_of_text,
)
from tests.meaning.generator import Features, random_changes, random_keymap
from tests.meaning.reference import DEFAULTS, QueueOverrun

CHANGES = 200  # of one keymap


@pytest.fixture(scope="module")
def library() -> EngineLibrary:
    return load()


def judged(library: EngineLibrary, seeds: range, features: Features = Features.ALL, **how: bool) -> int:
    """How many keymaps the reference could judge; fails at the first difference."""
    count = 0
    for seed in seeds:
        try:
            found = difference(library, seed, CHANGES, features, **how)
        except QueueOverrun:
            continue
        count += 1
        if found is not None:
            pytest.fail(str(found if how else shortest(library, found, features)))
    return count


@pytest.mark.parametrize("part", range(4))
def test_a_hundred_thousand_changes(library: EngineLibrary, part: int) -> None:
    """Every feature of the language mixed; 4 x 125 keymaps of about 200 changes."""
    assert judged(library, range(part * 125, (part + 1) * 125)) >= 120


@pytest.mark.parametrize("feature", list(Features), ids=lambda one: str(one.name))
def test_each_feature_alone(library: EngineLibrary, feature: Features) -> None:
    """What a keymap doesn't use is left out of its tables: each part works without the others."""
    assert judged(library, range(10_000, 10_015), feature) >= 14


def test_on_a_board_that_is_scanned(library: EngineLibrary) -> None:
    """The same through matrix, scan and debounce, for keymaps without dials."""
    without_dials = Features.ALL & ~Features.DIALS
    assert judged(library, range(20_000, 20_020), without_dials, scanned=True) >= 18


@pytest.mark.parametrize("scanned", [False, True])
@pytest.mark.parametrize("seed", range(30_000, 30_012))
def test_the_clock_may_wrap(library: EngineLibrary, seed: int, scanned: bool) -> None:
    """The chip's clock has 32 bits of microseconds: 71.6 minutes. Rules and debounce go on across its end."""
    made = random_keymap(seed, Features.ALL & ~Features.DIALS if scanned else Features.ALL)
    changes = random_changes(seed, made, CHANGES)
    tables, number_of = tables_of_text(made), numbers(made)
    begins_us = (1 << 32) - changes[len(changes) // 2].time_us
    begins_us -= begins_us % 1000  # the host asks at the same moments

    def told(begins: int) -> list[tuple[int, str, bytes]]:
        if scanned:
            reports = scanned_reports(library, made, tables, changes, begins)
        else:
            reports = engine_reports(library, tables, number_of, changes, begins)
        return [(one.time_us - begins, one.which, one.bytes) for one in reports]

    assert told(0) == told(begins_us)


def test_a_difference_is_found(library: EngineLibrary) -> None:
    """That all of this can fail: a reference whose keys are held 60 ms sooner is told apart."""
    told_apart = 0
    for seed in range(12):
        made = random_keymap(seed, Features.DUAL)
        changes = random_changes(seed, made, CHANGES)
        hold_after_us = made.keymap.rules.over(DEFAULTS).hold_after_us
        assert hold_after_us is not None
        rules = replace(made.keymap.rules, hold_after_us=hold_after_us - 60_000)
        other = replace(made, keymap=replace(made.keymap, rules=rules))
        told_apart += difference_of(library, other, changes) is not None
    assert told_apart >= 6
