"""The engine's clock has 32 bits of microseconds: it comes round after 71.6 minutes.

No time may go wrong where that happens, and nothing that was long ago may count as a moment ago, though
the clock then shows nearly the same. Each script is played at different times and must give the same
reports; that they are the right ones is tested elsewhere.
"""

from __future__ import annotations

import pytest

from hil.board import Board
from hil.faults import dial_contacts
from keyc.compile import check_text
from keyc.engine.engine import Engine, Report
from keyc.engine.library import EngineLibrary, load
from keyc.keyboard import Keyboard
from keyc.source import Source
from keyc.tables import tables_of

ROUND_US = 1 << 32
KEYMAP = """
keyboard "Clock" { usb 0x1209:0x5A17 }
wiring {
    diodes cathode-to-row
    columns    GPIO6  GPIO7  GPIO8  GPIO9
    row GPIO2  SW1    SW2    SW3    SW4
    row GPIO3  SW5    SW6    SW7    SW8
    direct GPIO10 SW9
    dial GPIO20 GPIO21 DIAL1
}
shape { SW1 SW2 SW3 SW4
        SW5 SW6 SW7 SW8 SW9 }
timing { next-twice locks }
timing SW1 { tap-if typing-within 120ms }
timing SW2 { repeat-if tapped-within 150ms }
timing SW9 { debounce 8ms at-once }
layer base { Tab/Shift   D/Control      taps(E, F)   sign-off
             next(Shift) pointer(left)  wheel(down)  A  B }
sequence sign-off = "Hi" wait 40ms Enter
chord SW8 SW9 on base = CapsLock
dial DIAL1 on base { clockwise = AudioVolumeUp   counter-clockwise = AudioVolumeDown }
"""
# What each timer does: [(ms until then, what closes or opens)]
TIMERS = {
    "debounce, after quiet": [(0, "SW8"), (2, "SW8"), (1, "SW8"), (60, "SW8")],
    "debounce, at once": [(0, "SW9"), (3, "SW9"), (2, "SW9"), (60, "SW9")],
    "hold-after": [(0, "SW1"), (179, "SW1"), (300, "SW1"), (200, "SW1")],
    "tap-if typing-within": [(0, "SW9"), (60, "SW9"), (30, "SW1"), (250, "SW1")],
    "repeat-if tapped-within": [(0, "SW2"), (30, "SW2"), (100, "SW2"), (400, "SW2")],
    "chord-within": [(0, "SW8"), (30, "SW9"), (30, "SW8"), (9, "SW9"), (99, "SW8"), (50, "SW9")],
    "taps-within": [(0, "SW3"), (30, "SW3"), (150, "SW3"), (30, "SW3"), (300, "SW3"), (30, "SW3")],
    "a sequence": [(0, "SW4"), (20, "SW4"), (200, "SW9"), (20, "SW9")],
    "next": [(0, "SW5"), (20, "SW5"), (400, "SW9"), (20, "SW9"), (40, "SW9"), (20, "SW9")],
    "next twice": [(0, "SW5"), (20, "SW5"), (40, "SW5"), (20, "SW5"), (90, "SW9"), (20, "SW9"), (9, "SW5"),
                   (20, "SW5")],
    "the pointer": [(0, "SW6"), (400, "SW6")],
    "the wheel": [(0, "SW7"), (400, "SW7")],
    "a dial": [(0, "A"), (5, "B"), (5, "A"), (5, "B"), (90, "B"), (5, "A"), (5, "B"), (5, "A")],
}  # fmt: skip


@pytest.fixture(scope="module")
def library() -> EngineLibrary:
    return load()


@pytest.fixture(scope="module")
def keyboard() -> Keyboard:
    keyboard, found = check_text(Source("clock.keys", KEYMAP))
    assert keyboard is not None, found
    return keyboard


class Hands:
    def __init__(self, library: EngineLibrary, keyboard: Keyboard, now_us: int) -> None:
        self.board = Board(keyboard.wiring)
        self.engine = Engine(library, tables_of(keyboard), now_us)
        self.closed: frozenset[str] = frozenset()
        self.move()
        self.engine.run_until(now_us + 50_000)

    def move(self, *contacts: str) -> None:
        self.closed ^= frozenset(contacts)
        table = self.board.table(self.closed).resolved(0)
        rows = [row.low for row in table.driven]
        self.engine.set_lines(table.at_rest.low, table.pulled_down.low, rows, table.rise_ns)

    def played(
        self, script: list[tuple[int, str]], after_us: int = 1_000_000, rest_us: int = 1_000_000
    ) -> list[Report]:
        """The reports of a script that begins that long after now, with times from its beginning."""
        begins_us = now_us = self.engine.now_us + after_us
        reports: list[Report] = []
        for wait_ms, what in script:
            now_us += wait_ms * 1000
            reports += self.engine.run_until(now_us)
            contacts = dict(zip("AB", dial_contacts("DIAL1"), strict=True))
            self.move(*(contacts.get(one, one) for one in what.split()))
        reports += self.engine.run_until(now_us + rest_us)
        return [Report(one.time_us - begins_us, one.which, one.bytes) for one in reports]


def told(reports: list[Report]) -> list[tuple[str, bytes]]:
    return [(one.which, one.bytes) for one in reports]


@pytest.mark.parametrize("what", list(TIMERS))
def test_the_clock_may_come_round_meanwhile(library: EngineLibrary, keyboard: Keyboard, what: str) -> None:
    script = TIMERS[what]
    lasts_us = sum(wait for wait, _ in script) * 1000
    expected = Hands(library, keyboard, 0).played(script)
    assert expected, "the script does something"
    for passed_us in range(1_000, lasts_us + 1_000, max(lasts_us // 12, 1_000)):
        begins_us = ROUND_US - 1_050_000 - passed_us
        begins_us -= begins_us % 1000  # the host asks at the same moments
        assert Hands(library, keyboard, begins_us).played(script) == expected, passed_us


# What the engine remembers when all keys are up, and what would go otherwise if it were a moment ago.
REMEMBERED = {
    "the last key that types": ([(0, "SW9"), (60, "SW9")], [(0, "SW1"), (250, "SW1")]),
    "the last tap": ([(0, "SW2"), (60, "SW2")], [(0, "SW2"), (400, "SW2")]),
    "edges of a dial": ([(0, "A"), (5, "A B"), (55, "B")], [(0, "B"), (5, "A"), (5, "B"), (5, "A")]),
}


@pytest.mark.parametrize("what", list(REMEMBERED))
def test_long_ago_is_not_a_moment_ago(library: EngineLibrary, keyboard: Keyboard, what: str) -> None:
    """One round of the clock later, where it shows that 40 ms have passed, it is as after a minute."""
    first, then = REMEMBERED[what]
    lasts_us = sum(wait for wait, _ in first) * 1000

    def told_after(passed_us: int) -> list[tuple[str, bytes]]:
        hands = Hands(library, keyboard, 0)
        ends_us = hands.engine.now_us + 1_000_000 + lasts_us
        hands.played(first, rest_us=20_000)
        return told(hands.played(then, ends_us + passed_us - hands.engine.now_us))

    expected = told_after(60_000_000)
    assert told_after(40_000) != expected, "it is remembered for a while"
    assert [told_after(ROUND_US + late_us) for late_us in (1_000, 40_000)] == [expected] * 2
