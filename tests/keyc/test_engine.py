"""The C engine on this computer, over the electrical model."""

from __future__ import annotations

import ctypes
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from hil.board import Board
from hil.faults import parse_fault
from keyc.engine.engine import Engine, Report
from keyc.engine.library import EngineLibrary, load
from keyc.keyboard import (
    Debounce,
    Diodes,
    Keyboard,
    LayerHeld,
    UsbBoot,
)
from keyc.tables import tables_of
from tests.keyc.hand_made import key, keyboard_of, media, system, wiring_of

CONTROL, SHIFT, ALT, RIGHT_ALT = 0xE0, 0xE1, 0xE2, 0xE6
A, B, C, D, E, F, G, H, Z = 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0A, 0x0B, 0x1D
FRAME_US = 1000
SCAN_US = 125


@pytest.fixture(scope="module")
def library() -> EngineLibrary:
    return load()


class Bench:
    """A keyboard with fingers on it."""

    def __init__(
        self, library: EngineLibrary, keyboard: Keyboard, now_us: int = 0, faults: tuple[str, ...] = ()
    ):
        self.board = Board(keyboard.wiring, [parse_fault(fault, keyboard.wiring) for fault in faults])
        self.engine = Engine(library, tables_of(keyboard), now_us)
        self.closed: set[str] = set()
        self.reports: list[Report] = []
        self.set()

    def set(self) -> None:
        table = self.board.table(frozenset(self.closed)).resolved(0)
        rows = [row.low for row in table.driven]
        self.engine.set_lines(table.at_rest.low, table.pulled_down.low, rows, table.rise_ns)

    def down(self, *switches: str) -> None:
        self.closed |= set(switches)
        self.set()

    def up(self, *switches: str) -> None:
        self.closed -= set(switches)
        self.set()

    def run(self, time_us: int = 10_000) -> list[Report]:
        reports = self.engine.run_until(self.engine.now_us + time_us)
        self.reports += reports
        return reports

    def tap(self, *switches: str) -> None:
        for switch in switches:
            self.down(switch)
            self.run()
            self.up(switch)
            self.run()


def keys_of(report: Report) -> tuple[int, set[int]]:
    """Modifier byte and usages of a keyboard report, from its bitmap."""
    assert report.which == "keyboard"
    assert len(report.bytes) == 36
    bitmap = int.from_bytes(report.bytes[8:], "little")
    return report.bytes[0], {n for n in range(224) if bitmap >> n & 1}


# ---- what the host sees ---------------------------------------------------------------------------

# HID 1.11, appendix E.6, "Report Descriptor (Keyboard)": its input part
BOOT_DESCRIPTOR = bytes.fromhex(
    "05010906a101050719e029e71500250175019508810295017508810195067508150025650507190029658100c0"
)


def decoded_as_boot_report(data: bytes) -> tuple[set[int], list[int]]:
    """Modifiers and keys, as hid-tools reads them by the standard's own descriptor."""
    from hidtools.hid import ReportDescriptor

    modifiers: set[int] = set()
    keys: list[int] = []
    for field in ReportDescriptor.from_bytes(BOOT_DESCRIPTOR).input_reports[-1]:
        values = field.get_values(list(data))
        if field.is_array:
            keys = [int(value) for value in values if value]
        elif not field.is_const and values[0]:
            modifiers.add(field.usage & 0xFFFF)
    return modifiers, keys


def test_boot_part_is_a_boot_report(library: EngineLibrary) -> None:
    """HID 1.11, appendix B.1, decoded by hid-tools."""
    bench = Bench(library, keyboard_of(wiring_of(), [key(A, SHIFT), key(RIGHT_ALT), key(0x65), key(B)]))
    bench.down("SW1")
    bench.run()
    for switch in ("SW2", "SW3", "SW4"):
        bench.down(switch)
        bench.run()
    decoded = [decoded_as_boot_report(report.bytes[:8]) for report in bench.reports]
    assert decoded == [
        ({SHIFT}, [A]),
        (set(), [A]),  # what another press lifts is told first
        ({RIGHT_ALT}, [A]),
        ({RIGHT_ALT}, [A, 0x65]),
        ({RIGHT_ALT}, [A, B, 0x65]),
    ]


def test_more_keys_than_a_boot_report_holds(library: EngineLibrary) -> None:
    """HID 1.11, appendix C: ErrorRollOver in all six fields, modifiers true; every key in the bitmap."""
    wiring = wiring_of(rows=(2, 3, 4), columns=(6, 7, 8), direct=())
    bench = Bench(library, keyboard_of(wiring, [key(usage) for usage in range(A, A + 8)] + [key(SHIFT)]))
    for number in range(1, 10):
        bench.down(f"SW{number}")
        bench.run()
    assert decoded_as_boot_report(bench.reports[5].bytes[:8]) == (set(), [A, B, C, D, E, F])
    assert decoded_as_boot_report(bench.reports[6].bytes[:8]) == (set(), [1] * 6)
    assert decoded_as_boot_report(bench.reports[8].bytes[:8]) == ({SHIFT}, [1] * 6)
    assert keys_of(bench.reports[8]) == (1 << (SHIFT - CONTROL), set(range(A, A + 8)))
    bench.up("SW1", "SW2")
    bench.run()
    assert decoded_as_boot_report(bench.reports[-1].bytes[:8]) == ({SHIFT}, [C, D, E, F, G, H])


def test_one_usage_on_two_switches_counts_once(library: EngineLibrary) -> None:
    """Seven switches, six usages: no roll-over; the usage ends with the last of its switches."""
    wiring = wiring_of(rows=(2, 3, 4), columns=(6, 7, 8), direct=())
    bench = Bench(library, keyboard_of(wiring, [key(A), key(A), *(key(usage) for usage in range(B, B + 5))]))
    for number in range(1, 8):
        bench.down(f"SW{number}")
        bench.run()
    assert decoded_as_boot_report(bench.reports[-1].bytes[:8]) == (set(), [A, B, C, D, E, F])
    bench.up("SW1")
    bench.run()
    assert decoded_as_boot_report(bench.reports[-1].bytes[:8]) == (set(), [A, B, C, D, E, F])
    bench.up("SW2")
    bench.run()
    assert decoded_as_boot_report(bench.reports[-1].bytes[:8]) == (set(), [B, C, D, E, F])


def test_two_reports_for_one_key(library: EngineLibrary) -> None:
    """Control goes before the media key and comes off after it."""
    bench = Bench(
        library, keyboard_of(wiring_of(), [media(0xE9, CONTROL, RIGHT_ALT), media(0x1A2), system(0x82)])
    )
    bench.tap("SW1")
    assert [(report.which, report.bytes[0]) for report in bench.reports] == [
        ("keyboard", 0x41),
        ("consumer", 0xE9),
        ("consumer", 0),
        ("keyboard", 0),
    ]
    bench.reports.clear()
    bench.down("SW1")
    bench.run()
    bench.down("SW2")
    bench.run()
    assert bench.reports[-2].bytes[0] == 0, "its modifiers lift, since another key went down"
    assert bench.reports[-1].bytes == bytes.fromhex("a201e900"), "two 16-bit usages, low byte first"
    bench.up("SW1", "SW2")
    bench.run()
    bench.tap("SW3")
    assert [report.bytes for report in bench.reports[-2:]] == [b"\x82", b"\x00"]


def test_the_host_changes_the_protocol(library: EngineLibrary) -> None:
    """HID 1.11, 7.2.6: boot = 0 has 8 bytes; every device starts in the report protocol. What is held is told
    again, so that no key stays up or down across the change."""
    wiring = wiring_of(rows=(2, 3, 4), columns=(6, 7, 8), direct=())
    bench = Bench(library, keyboard_of(wiring, [key(usage) for usage in range(A, A + 8)]))
    bench.engine.set_protocol(boot=True)
    bench.run()
    assert bench.reports == [], "nothing held, nothing to tell"
    for number in range(1, 9):
        bench.down(f"SW{number}")
        bench.run()
    assert [len(report.bytes) for report in bench.reports] == [8] * 7, "the eighth key changes no byte"
    bench.engine.set_protocol(boot=True)
    bench.run()
    assert len(bench.reports) == 7, "no change"
    bench.engine.set_protocol(boot=False)
    bench.run()
    assert keys_of(bench.reports[7]) == (0, set(range(A, A + 8)))
    bench.engine.set_protocol(boot=True)
    bench.up(*(f"SW{number}" for number in range(2, 9)))
    bench.run(20_000)
    assert decoded_as_boot_report(bench.reports[8].bytes) == (set(), [1] * 6)
    assert decoded_as_boot_report(bench.reports[-1].bytes) == (set(), [A])


def test_the_host_starts_anew(library: EngineLibrary) -> None:
    """After a bus reset it knows of nothing: the report protocol holds, and what is held is told again."""
    bench = Bench(library, keyboard_of(wiring_of(), [key(A), media(0xE9), key(SHIFT)]))
    bench.engine.set_protocol(boot=True)
    for switch in ("SW1", "SW2"):
        bench.down(switch)
        bench.run()
    bench.reports.clear()
    bench.engine.reset_host()
    bench.run()
    assert keys_of(bench.reports[0]) == (0, {A})
    assert bench.reports[1].bytes == bytes.fromhex("e9000000")
    assert len(bench.reports) == 2


def test_the_host_asks(library: EngineLibrary) -> None:
    """GET_REPORT (HID 1.11, 7.2.1) gets the report as it is, in the protocol that holds."""
    bench = Bench(library, keyboard_of(wiring_of(), [key(A, SHIFT), system(0x81)]))
    for switch in ("SW2", "SW1"):
        bench.down(switch)
        bench.run()
    assert bench.engine.current_report("keyboard") == bench.reports[-1].bytes
    assert bench.engine.current_report("consumer") == bytes(4)
    assert bench.engine.current_report("system") == b"\x81"
    bench.engine.set_protocol(boot=True)
    assert bench.engine.current_report("keyboard") == bytes.fromhex("0200040000000000")
    plain = Bench(library, keyboard_of(wiring_of(), [key(A)]))
    assert plain.engine.current_report("consumer") == b"", "a keymap pays only for what it uses"


def test_one_event_one_report(library: EngineLibrary) -> None:
    """Ten keys that close within one scan reach the host one by one, and all of them."""
    wiring = wiring_of(rows=(2, 3, 4), columns=(6, 7, 8, 9), direct=())
    bench = Bench(library, keyboard_of(wiring, [key(usage) for usage in range(A, A + 12)]))
    bench.down(*(f"SW{n}" for n in range(1, 11)))
    bench.run(30_000)
    counts = [len(keys_of(report)[1]) for report in bench.reports]
    assert counts == list(range(1, 11))
    times = [report.time_us for report in bench.reports]
    assert [later - sooner for sooner, later in pairwise(times)] == [FRAME_US] * 9


# ---- debounce ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_a_bouncing_switch_is_one_press(library: EngineLibrary, seed: int) -> None:
    """`after-quiet`: told once it has been quiet that long, and within a scan and a frame of it."""
    random = Random(seed)
    bench = Bench(library, keyboard_of(wiring_of(), [key(A)]), now_us=random.randrange(2**33))
    for _ in range(4):
        for move, other in ((bench.down, bench.up), (bench.up, bench.down)):
            for _ in range(random.randrange(8)):
                move("SW1")
                bench.run(random.randrange(1, 4_500))
                other("SW1")
                bench.run(random.randrange(1, 4_500))
            assert bench.reports == []
            move("SW1")
            moved_us = bench.engine.now_us
            bench.run()
            (report,) = bench.reports
            assert 5_000 - SCAN_US <= report.time_us - moved_us <= 5_000 + 2 * SCAN_US + FRAME_US
            bench.reports.clear()


@pytest.mark.parametrize("seed", range(20))
def test_at_once_tells_and_then_ignores(library: EngineLibrary, seed: int) -> None:
    random = Random(seed)
    keyboard = keyboard_of(wiring_of(), [key(A)], debounce=Debounce(5_000, at_once=True))
    bench = Bench(library, keyboard, now_us=random.randrange(2**33))
    for _ in range(4):
        for move, other in ((bench.down, bench.up), (bench.up, bench.down)):
            move("SW1")
            moved_us = bench.engine.now_us
            for _ in range(random.randrange(8)):
                bench.run(random.randrange(1, 300))
                other("SW1")
                bench.run(random.randrange(1, 300))
                move("SW1")
            bench.run()
            (report,) = bench.reports
            assert report.time_us - moved_us <= 2 * SCAN_US + FRAME_US
            bench.reports.clear()


def test_at_once_still_tells_what_changed_while_it_ignored(library: EngineLibrary) -> None:
    bench = Bench(library, keyboard_of(wiring_of(), [key(A)], debounce=Debounce(5_000, at_once=True)))
    bench.down("SW1")
    bench.run(2_000)
    bench.up("SW1")
    bench.run(20_000)
    assert [keys_of(report)[1] for report in bench.reports] == [{A}, set()]
    released_after_us = bench.reports[1].time_us - bench.reports[0].time_us
    assert 5_000 - FRAME_US <= released_after_us <= 5_000 + 2 * SCAN_US + FRAME_US


def test_at_once_ignores_after_each_telling(library: EngineLibrary) -> None:
    """The release is told late, as the time after the press ends; then that long is ignored again."""
    bench = Bench(library, keyboard_of(wiring_of(), [key(A)], debounce=Debounce(5_000, at_once=True)))
    bench.down("SW1")
    bench.run(2_000)
    bench.up("SW1")
    bench.run(4_000)
    bench.down("SW1")
    bench.run(20_000)
    times = [report.time_us for report in bench.reports]
    assert len(times) == 3
    assert all(later - sooner >= 5_000 - FRAME_US for sooner, later in pairwise(times))


@pytest.mark.parametrize("at_once", [False, True])
@pytest.mark.parametrize("pause_us", [2**32 - 15_000, 2**32 - 8_000, 2**32 - 6_000, 2**32, 2**16, 2**31])
def test_the_clock_wraps(library: EngineLibrary, at_once: bool, pause_us: int) -> None:
    """A press long after the last one, where the clock reads nearly the same, is a press like any other."""
    keyboard = keyboard_of(wiring_of(), [key(A)], debounce=Debounce(5_000, at_once))
    bench = Bench(library, keyboard, now_us=2**32 - 12_000)
    bench.tap("SW1")
    assert len(bench.reports) == 2
    bench.run(pause_us)
    bench.down("SW1")
    moved_us = bench.engine.now_us
    bench.run()
    assert len(bench.reports) == 3
    late_us = bench.reports[-1].time_us - moved_us - (0 if at_once else 5_000)
    assert -SCAN_US <= late_us <= 2 * SCAN_US + FRAME_US


def test_each_switch_its_own_time(library: EngineLibrary) -> None:
    slow = {"SW2": Debounce(20_000), "SW5": Debounce(0, at_once=True)}
    bench = Bench(
        library, keyboard_of(wiring_of(), [key(A), key(B), key(C), key(D), key(E)], for_switch=slow)
    )
    bench.down("SW1", "SW2", "SW5")
    bench.run(40_000)
    assert [keys_of(report)[1] for report in bench.reports] == [{E}, {A, E}, {A, B, E}]
    assert [report.time_us // 1000 for report in bench.reports] == [1, 6, 21]


# ---- nothing is lost, nothing sticks ----------------------------------------------------------------


def test_a_fast_burst_arrives_whole_and_in_order(library: EngineLibrary) -> None:
    """32 taps within 16 ms are the 64 events that the queue holds; the host takes 1 report a ms."""
    wiring = wiring_of(rows=(2, 3, 4, 5), columns=tuple(range(6, 14)), direct=())
    keyboard = keyboard_of(wiring, [key(A + n) for n in range(32)], debounce=Debounce(0, at_once=True))
    bench = Bench(library, keyboard)
    for n in range(1, 33):
        bench.down(f"SW{n}")
        bench.run(250)
        bench.up(f"SW{n}")
        bench.run(250)
    bench.run(100_000)
    assert [keys_of(report)[1] for report in bench.reports] == [
        keys for n in range(32) for keys in ({A + n}, set())
    ]


def test_an_endless_burst_loses_whole_taps(library: EngineLibrary) -> None:
    """Faster than the host for longer than the queue holds: what is lost is a press and its release."""
    keyboard = keyboard_of(wiring_of(), [key(A), key(B)], debounce=Debounce(0, at_once=True))
    bench = Bench(library, keyboard)
    random = Random(1)
    for _ in range(2_000):
        switch = random.choice(["SW1", "SW2"])
        (bench.up if switch in bench.closed else bench.down)(switch)
        bench.run(200)
    bench.up("SW1", "SW2")
    bench.run(200_000)
    assert 300 < len(bench.reports) < 1_900
    assert keys_of(bench.reports[-1]) == (0, set())
    held: set[int] = set()
    for report in bench.reports:
        now = keys_of(report)[1]
        assert len(held ^ now) == 1, "one event, one report"
        held = now


def test_usb_boot_releases_everything_first(library: EngineLibrary) -> None:
    bench = Bench(library, keyboard_of(wiring_of(), [key(A), key(SHIFT), UsbBoot()]))
    bench.down("SW1", "SW2")
    bench.run()
    assert not bench.engine.restarted
    bench.down("SW3")
    bench.run()
    assert keys_of(bench.reports[-1]) == (0, set())
    assert bench.engine.restarted


# ---- layers -----------------------------------------------------------------------------------------


def test_a_fast_roll_after_a_modified_key(library: EngineLibrary) -> None:
    """Control+Z, then D before Z is up: Control ends as D goes down. The hand's own Shift stays."""
    bench = Bench(
        library, keyboard_of(wiring_of(), [key(Z, CONTROL), key(D), key(SHIFT), LayerHeld("upper")], [])
    )
    for switch in ("SW3", "SW1", "SW4"):  # a layer and a modifier are no key going down
        bench.down(switch)
        bench.run()
    assert keys_of(bench.reports[-1]) == (0b11, {Z})
    bench.down("SW2")
    bench.run()
    assert keys_of(bench.reports[-1]) == (0b10, {Z, D})
    bench.up("SW2")
    bench.run()
    assert keys_of(bench.reports[-1]) == (0b10, {Z})


def test_modifiers_alone_are_held_by_the_hand(library: EngineLibrary) -> None:
    bench = Bench(library, keyboard_of(wiring_of(), [key(ALT, CONTROL), key(D)]))
    bench.down("SW1")
    bench.run()
    bench.down("SW2")
    bench.run()
    assert keys_of(bench.reports[-1]) == (0b101, {D})


# ---- electricity ------------------------------------------------------------------------------------


def test_without_diodes_three_corners_ghost(library: EngineLibrary) -> None:
    """Common practice: without diodes, three keys of a rectangle read as four; with diodes, as three."""
    for diodes, expected in ((Diodes.NONE, {A, B, C, D}), (Diodes.CATHODE_TO_ROW, {A, B, C})):
        bench = Bench(library, keyboard_of(wiring_of(diodes=diodes), [key(A), key(B), key(C), key(D)]))
        for switch in ("SW1", "SW2", "SW3"):
            bench.down(switch)
            bench.run()
        assert keys_of(bench.reports[-1])[1] == expected


@pytest.mark.parametrize("fault", ["bridge GPIO6 GPIO7", "closed SW1", "low GPIO6", "shorted SW1"])
def test_a_faulty_board_neither_hangs_nor_floods(library: EngineLibrary, fault: str) -> None:
    bench = Bench(
        library, keyboard_of(wiring_of(), [key(A), key(B), key(C), key(D), key(E)]), faults=(fault,)
    )
    bench.run(50_000)
    settled = len(bench.reports)
    bench.run(500_000)
    assert len(bench.reports) == settled, "what doesn't change isn't told again"
    bench.tap("SW5")
    assert len(bench.reports) == settled + 2, "the rest of the keyboard still works"


def test_only_direct_switches(library: EngineLibrary) -> None:
    bench = Bench(library, keyboard_of(wiring_of(rows=(), columns=(), direct=(0, 29)), [key(A), key(B)]))
    bench.tap("SW2", "SW1")
    assert [keys_of(report)[1] for report in bench.reports] == [{B}, set(), {A}, set()]


def test_a_slow_line_costs_no_wrong_key(library: EngineLibrary) -> None:
    """A column that needs 10 us more than usual has still risen before the next row is read."""
    bench = Bench(
        library, keyboard_of(wiring_of(), [key(A), key(B), key(C), key(D)]), faults=("slow GPIO6 20pF",)
    )
    bench.tap("SW1", "SW3")
    assert [keys_of(report)[1] for report in bench.reports] == [{A}, set(), {C}, set()]


def test_the_state_can_be_copied(library: EngineLibrary) -> None:
    """It holds no pointer into itself: a copy of the block, put back later, goes on from there."""
    bench = Bench(library, keyboard_of(wiring_of(), [key(A), key(B)]))
    bench.down("SW1")
    bench.run()
    kept = bytes(bench.engine._state)
    bench.down("SW2")
    bench.run()
    ctypes.memmove(bench.engine._state, kept, len(kept))
    bench.run()
    assert [keys_of(report)[1] for report in bench.reports] == [{A}, {A, B}, {A, B}]


# ---- building it ------------------------------------------------------------------------------------


def test_without_a_compiler(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from keyc.diagnostics import UserError
    from keyc.engine import library as engine_library

    monkeypatch.setenv("KEYC_CACHE", str(tmp_path))
    monkeypatch.setattr(engine_library, "compilers", list)
    with pytest.raises(UserError) as raised:
        engine_library.load()
    assert raised.value.exit_status == 3
    assert "pip install" in (raised.value.help or "")


def test_a_damaged_object_is_built_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from keyc.engine import library as engine_library

    monkeypatch.setenv("KEYC_CACHE", str(tmp_path))
    (tmp_path / engine_library._object_name()).write_bytes(b"not an object")
    assert engine_library.load().functions.keyc_host_tables_bytes() > 0
    assert [path.name for path in tmp_path.iterdir()] == [engine_library._object_name()]


def test_a_compiler_that_fails_is_passed_over(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from keyc.engine import library as engine_library

    monkeypatch.setenv("KEYC_CACHE", str(tmp_path))
    good = engine_library.compilers()
    monkeypatch.setattr(engine_library, "compilers", lambda: [["false"], *good])
    assert engine_library.load().functions.keyc_host_tables_bytes() > 0
