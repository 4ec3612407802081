"""The default of `hold-after` on generated hands: see `rolls.py` for where they come from."""

from __future__ import annotations

import pytest

from keyc.engine.library import EngineLibrary, load
from keyc.keyboard import Rules
from tests.meaning.rolls import DEFAULT_MS, RULES, misfires


@pytest.fixture(scope="module")
def library() -> EngineLibrary:
    return load()


def test_fast_rolls_come_out_right_with_the_default(library: EngineLibrary) -> None:
    """Twelve presses a second, overlapping: hardly one in a hundred counts as held."""
    assert Rules().hold_after_us == 1000 * DEFAULT_MS
    found = misfires(library, DEFAULT_MS, RULES["plain"], 1500)
    assert found.rolled < 0.02
    assert found.held < 0.15


def test_the_hands_tell_settings_apart(library: EngineLibrary) -> None:
    """A shorter time mistakes rolls, a longer one holds, and a press of another key decides far too soon."""
    default, short, long = (misfires(library, time_ms, "", 600) for time_ms in (DEFAULT_MS, 100, 300))
    assert short.rolled > 10 * max(default.rolled, 0.01)
    assert long.held > 3 * default.held
    assert misfires(library, DEFAULT_MS, RULES["pressed"], 600).rolled > 0.2
