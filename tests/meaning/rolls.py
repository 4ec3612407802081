"""`python -m tests.meaning.rolls [PRESSES]`: how often a key with two roles is taken for what it wasn't.

Generated hands on the C engine, for each `hold-after` and each rule that goes with it. Two mistakes are
counted: a key of a fast roll that counts as held, and one held on purpose that counts as a tap.

The hands are log-normal, as keystroke times are described in the literature on typing. All figures are
from memory (Salthouse 1986 on skilled typing; Dhakal and others 2018 on 136 million keystrokes): fast
typists press a key for about 100 ms and overlap most of their presses. Twelve presses a second is one
every 83 ms. For holds on purpose no figures are known to us; ours are an assumption: the next key comes
250 ms after, and is tapped for 100 ms.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from random import Random

from keyc.compile import check_text
from keyc.engine.engine import Engine, Report
from keyc.engine.library import EngineLibrary, load
from keyc.engine.scenarios import usages_in
from keyc.source import Source
from keyc.table_rows import Tables
from keyc.tables import tables_of
from keyc.usages import FIRST_MODIFIER

HOLD_AFTER_MS = tuple(range(100, 301, 20))
DEFAULT_MS = 180
RULES = {
    "plain": "",
    "tapped": "hold-if another-key tapped",
    "pressed": "hold-if another-key pressed",
    "tapped, typing": "hold-if another-key tapped  tap-if typing-within 120ms",
}
_KEYS = 8  # each a letter when tapped, Shift while held

DWELL_MS, DWELL_SPREAD = 100.0, 0.25  # the median, and the deviation of its logarithm
INTERVAL_MS, INTERVAL_SPREAD = 83.0, 0.3
REACH_MS, REACH_SPREAD = 250.0, 0.25

Moves = list[tuple[float, int, bool]]  # ms, switch, goes down


@dataclass(frozen=True, slots=True)
class Misfires:
    """Shares of all presses: of rolled keys that counted as held, of held ones that counted as tapped."""

    rolled: float
    held: float


def keymap(hold_after_ms: int, rules: str) -> Tables:
    names = " ".join(f"SW{n}" for n in range(1, _KEYS + 1))
    cells = " ".join(f"{letter}/Shift" for letter in "ASDFJKLE"[:_KEYS])
    wires = "\n".join(f"direct GPIO{n} SW{n}" for n in range(1, _KEYS + 1))
    text = (
        f'keyboard "Rolls" {{ }}\nwiring {{\ndiodes none\n{wires}\n}}\nshape {{ {names} }}\n'
        f"timing {{ hold-after {hold_after_ms}ms {rules} }}\nlayer base {{ {cells} }}\n"
    )
    keyboard, found = check_text(Source("rolls.keys", text))
    assert keyboard is not None, found
    return tables_of(keyboard)


def rolled(random: Random, presses: int) -> Moves:
    """Fast typing without a pause; a key is up before it goes down again."""
    moves: Moves = []
    up_ms = [0.0] * _KEYS
    at_ms, last = 0.0, 0
    for _ in range(presses):
        at_ms += _log_normal(random, INTERVAL_MS, INTERVAL_SPREAD)
        switch = random.choice([n for n in range(_KEYS) if n != last and up_ms[n] < at_ms])
        up_ms[switch] = at_ms + _log_normal(random, DWELL_MS, DWELL_SPREAD)
        moves += [(at_ms, switch, True), (up_ms[switch], switch, False)]
        last = switch
    return sorted(moves)


def held(random: Random, presses: int) -> Moves:
    """One key is held, another tapped meanwhile; then a pause."""
    moves: Moves = []
    at_ms = 0.0
    for _ in range(presses):
        at_ms += 1000
        holder, other = random.sample(range(_KEYS), 2)
        down_ms = at_ms + _log_normal(random, REACH_MS, REACH_SPREAD)
        up_ms = down_ms + _log_normal(random, DWELL_MS, DWELL_SPREAD)
        moves += [
            (at_ms, holder, True),
            (down_ms, other, True),
            (up_ms, other, False),
            (up_ms + 60, holder, False),
        ]
        at_ms = up_ms
    return moves


def _log_normal(random: Random, median: float, spread: float) -> float:
    return random.lognormvariate(math.log(median), spread)


def holds(library: EngineLibrary, tables: Tables, moves: Moves) -> int:
    """How many presses the engine takes for holds: how often Shift goes down."""
    engine = Engine(library, tables)
    reports: list[Report] = []
    for time_ms, switch, pressed in moves:
        reports += engine.run_without_board(round(1000 * time_ms))
        assert engine.tell(switch, pressed=pressed)
    reports += engine.run_without_board(engine.now_us + 1_000_000)
    shifted = [any(usage.id >= FIRST_MODIFIER for usage in usages_in(report)) for report in reports]
    return sum(now and not before for before, now in zip([False, *shifted], shifted, strict=False))


def misfires(library: EngineLibrary, hold_after_ms: int, rules: str, presses: int, seed: int = 1) -> Misfires:
    """The same hands for every setting of one seed. Shifts that overlap count once, so that with a setting
    that takes most of a roll for holds the share is too low."""
    tables = keymap(hold_after_ms, rules)
    taken = holds(library, tables, rolled(Random(f"roll {seed}"), presses))
    meant = holds(library, tables, held(Random(f"hold {seed}"), presses))
    return Misfires(taken / presses, 1 - meant / presses)


def main(arguments: list[str]) -> int:
    presses = int(arguments[0]) if arguments else 3000
    library = load()
    print(f"{presses:,} presses each: rolled keys taken for held, held ones for tapped.\n* the default\n")
    print("hold-after" + "".join(f"{name:>17}" for name in RULES))
    for hold_after_ms in HOLD_AFTER_MS:
        row = [misfires(library, hold_after_ms, rules, presses) for rules in RULES.values()]
        cells = "".join(f"{one.rolled:>9.1%}{one.held:>8.1%}" for one in row)
        print(f"{hold_after_ms:>7} ms{cells}" + (" *" if hold_after_ms == DEFAULT_MS else ""))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
