"""The bench image's C on this computer, over the electrical model."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from random import Random

import pytest

from hil.board import ALL_PINS, Board, Table
from hil.faults import parse_fault
from hil.host_board import HostBoard
from hil.wire import LINE_BYTES, Sentence, line_of, parse_line
from keyc.diagnostics import UserError
from keyc.keyboard import Wiring
from tests.hil.wirings import KNOWN, light, random_fault, random_wiring, small, wiring_of

ROOT = Path(__file__).parents[2]
MASK = sum(1 << pin for pin in (2, 3, 4, 6, 7, 8, 9, 10))  # the lines of `small()`


def board(wiring: Wiring, *faults: str, seed: int = 0, universal: bool = False) -> HostBoard:
    planted = [parse_fault(fault, wiring) for fault in faults]
    return HostBoard(wiring, planted, fingerprints=None if universal else KNOWN, seed=seed)


def heard(bench: HostBoard, us: int = 0) -> list[Sentence]:
    """Everything it says in that time; every line must be a good one."""
    bench.advance(us)
    sentences = []
    for line in bench.receive().splitlines():
        assert len(line) <= LINE_BYTES
        sentence = parse_line(line)
        assert isinstance(sentence, Sentence), line
        sentences.append(sentence)
    return sentences


def told(bench: HostBoard, *words: object, us: int = 200_000) -> list[tuple[str, ...]]:
    """Its answer to a command, without sequence numbers."""
    bench.send(line_of(*map(str, words)))
    return [(one.name, *one.fields) for one in heard(bench, us)]


def rows_of(said: list[tuple[str, ...]]) -> dict[str, int]:
    return {fields[0]: int(fields[1], 16) for name, *fields in said if name in ("low-lines", "change")}


def expected_rows(table: Table, mask: int) -> dict[str, int]:
    """The rows that a table of the model makes, by the rules of the page."""
    rows = {"down": table.pulled_down.low & mask, "up": table.at_rest.low & mask}
    for pin in range(30):
        if (mask & table.pulled_down.low) >> pin & 1:
            rows[str(pin)] = table.driven[pin].low & mask & ~(1 << pin)
    return rows


# -- what it is ----------------------------------------------------------------------------------------


def test_it_says_hello_and_who_it_is() -> None:
    bench = board(small())
    assert [(s.name, s.fields, s.sequence) for s in heard(bench, 2_000)] == [
        ("hello", ("1", "bench", "0"), 0)
    ]
    said = told(bench, "who")
    assert [one[:2] for one in said[:1]] == [("hello", "1")]
    assert said[1:9] == [
        ("can", "pins", "3FFFFFFF"),
        ("can", "watch", f"{MASK:X}"),
        ("can", "lit-high", "0"),
        ("can", "settle", "12"),
        ("can", "ring", "512"),
        ("can", "quiet", "5000"),
        ("can", "soonest", "0"),
        ("can", "edges", "5"),
    ]
    assert said[9][0] == "flash-id"
    assert said[10:] == [
        ("fingerprint", "wiring", "0123456789AB"),
        ("fingerprint", "keymap", "23456789ABCD"),
        ("fingerprint", "engine", "456789ABCDEF"),
        ("finished", "who"),
    ]


def test_a_universal_image_knows_no_keyboard() -> None:
    said = told(board(small(), universal=True), "who")
    assert ("can", "watch", "0") in said
    assert ("fingerprint", "wiring", "0" * 12) in said
    assert told(board(small(), universal=True), "watch")[-1] == ("refused", "wrong-fields")


def test_an_empty_flash_has_no_id() -> None:
    assert ("flash-id", "F" * 16) in told(board(small(), "no-flash"), "who")


# -- the table -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(30))
def test_a_look_is_the_models_table(seed: int) -> None:
    """Every row that the C reads is a row of the model, undefined readings decided by the seed."""
    chance = Random(seed)
    wiring = random_wiring(chance)
    faults = []
    for _ in range(chance.randint(0, 4)):
        text = random_fault(chance, wiring)
        try:
            parse_fault(text, wiring)
        except UserError:
            continue
        if "RUN" not in text and "slow" not in text:  # those have tests of their own
            faults.append(text)
    try:
        bench = board(wiring, *faults, seed=seed)
    except UserError:
        return  # the supply shorted
    model = Board(wiring, [parse_fault(fault, wiring) for fault in faults])
    names = [switch.name for switch in wiring.switches]
    pressed = frozenset(chance.sample(names, min(len(names), 2)))
    bench.set_closed(pressed)
    said = told(bench, "look")
    table = model.table(pressed).resolved(seed)
    expected = expected_rows(table, ALL_PINS)
    for pin in [fields[0] for name, *fields in said if name in ("held-against", "not-recovered")]:
        assert not table.driven[int(pin)].low >> int(pin) & 1  # read back high although driven
        del expected[pin]
    assert rows_of(said) == expected
    assert said[-1] == ("finished", "look")
    assert {name for name, *_ in said} <= {
        "hello",
        "about-to-drive",
        "low-lines",
        "rise",
        "held-against",
        "finished",
    }


def test_rise_times_are_those_of_the_model() -> None:
    """Measured in thousandths of a µs, from when the lines are let go."""
    wiring = small()
    said = told(board(wiring, "slow GPIO3 300pF"), "look")
    rises = {int(pin): float(us) for name, pin, us, *_ in (one for one in said if one[0] == "rise")}
    model = Board(wiring, [parse_fault("slow GPIO3 300pF", wiring)]).table()
    assert rises.pop(3) == pytest.approx(model.rise_ns[3] / 1000, abs=1), "over 20 µs in whole ones"
    assert rises == {pin: model.rise_ns[pin] / 1000 for pin in range(30) if pin != 3}


def test_a_line_too_slow_leaves_no_reading_and_harms_no_other() -> None:
    said = told(board(small(), "slow GPIO3 3nF"), "look", f"{MASK:X}")
    assert ("not-recovered", "3") in said
    assert ("low-lines", "down", f"{MASK:X}") in said  # slow to fall, but not held high
    rows = rows_of(said)
    assert "3" not in rows
    assert all(rows[str(pin)] == 0 for pin in (2, 6, 7, 8, 9, 10))


def test_pins_that_can_not_be_driven_meanwhile_have_no_row() -> None:
    """80 kOhm and 10 nF take 0.7 ms: the pins that come next would show GPIO3 as a false low."""
    said = told(board(small(), "slow GPIO3 10nF"), "look", f"{MASK:X}")
    assert [one[1] for one in said if one[0] == "not-recovered"][:3] == ["3", "4", "6"]
    assert all(mask == 0 for how, mask in rows_of(said).items() if how != "down")


def test_a_slow_line_is_no_false_low_at_the_next_drive() -> None:
    """80 kOhm and 1 nF take 75 µs, more than one settling time: every other row must stay clean."""
    said = told(board(small(), "slow GPIO3 1nF"), "look", f"{MASK:X}")
    rows = rows_of(said)
    assert set(rows) == {"up", "down", "2", "3", "4", "6", "7", "8", "9", "10"}
    assert all(rows[str(pin)] == 0 for pin in (2, 3, 4, 6, 7, 8, 9, 10))


def test_a_line_that_a_supply_holds_is_not_driven() -> None:
    said = told(board(small(), "high GPIO7"), "look")
    assert ("low-lines", "down", f"{ALL_PINS & ~(1 << 7):X}") in said
    assert not [one for one in said if one[0] in ("about-to-drive", "rise") and one[1] == "7"]


def test_a_line_that_wins_against_the_drive_is_let_go_and_told() -> None:
    """Held by the supply only once SW2 is pressed: then it is driven, reads high, and says so."""
    bench = board(small(), "high GPIO7")
    told(bench, "watch")
    bench.set_closed(frozenset({"SW2"}))
    said = [(one.name, *one.fields) for one in heard(bench, 20_000)]
    assert said == [("held-against", "2"), ("finished", "change")]


def test_the_two_way_scan_is_fast_enough() -> None:
    """23 lines at 12 µs: 2.5 kHz at least, on this computer's clock, that counts waiting alone."""
    wiring = wiring_of(tuple(range(6)), tuple(range(6, 23)))
    bench = board(wiring)
    told(bench, "look")
    before_us = bench.now_us
    bench.send(line_of("look", f"{(1 << 23) - 1:X}"))
    while not heard(bench, 20):
        pass
    # Two waits of 100 µs each for the pull-downs, and up to a frame of 1 ms until it is heard.
    assert bench.now_us - before_us <= 400 + 200 + 1_000 + 40


# -- safety --------------------------------------------------------------------------------------------


def test_a_pin_is_announced_before_its_first_drive_and_only_then() -> None:
    bench = board(small())
    first = told(bench, "look", f"{MASK:X}")
    announced = [one[1] for one in first if one[0] == "about-to-drive"]
    assert announced == ["2", "3", "4", "6", "7", "8", "9", "10"]
    assert not [one for one in told(bench, "look", f"{MASK:X}") if one[0] == "about-to-drive"]


def test_a_reset_by_run_is_preceded_by_its_announcement() -> None:
    wiring = wiring_of((2, 16), (6, 7))
    bench = board(wiring, "bridge GPIO16 RUN", seed=1)  # seed 1: its pull-up loses against the pull-down
    said = told(bench, "look", f"{1 << 2 | 1 << 6 | 1 << 7 | 1 << 16:X}")
    assert said[-1] == ("about-to-drive", "16")
    assert not bench.connected
    bench.plug()
    assert bench.connected
    assert ("finished", "who") in told(bench, "who")


def test_pins_outside_the_usable_ones_are_refused() -> None:
    assert told(board(small()), "look", "40000000")[-1] == ("refused", "pin-not-free")
    assert told(board(small()), "blink", 2)[-1] == ("refused", "pin-not-free")
    assert told(board(small()), "blink", 30)[-1] == ("refused", "pin-not-free")


def test_blinking_takes_a_second_and_ends() -> None:
    wiring = wiring_of((2, 3), (6, 7), lights=(light(25, lit_low=True),))
    bench = board(wiring)
    said = told(bench, "blink", 25, us=900_000)
    assert said[-1] == ("about-to-drive", "25")
    assert [(one.name, *one.fields) for one in heard(bench, 200_000)] == [("finished", "blink")]


# -- watching ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("universal", [False, True])
def test_every_single_press_and_release_is_one_frame(universal: bool) -> None:
    wiring = small()
    bench = board(wiring, "reversed SW6", universal=universal)
    model = Board(wiring, [parse_fault("reversed SW6", wiring)])
    base = rows_of(told(bench, "watch", f"{MASK:X}"))
    for switch in wiring.switches:
        bench.set_closed(frozenset({switch.name}))
        pressed_us = bench.now_us
        frame = heard(bench, 15_000)
        assert frame[-1].name == "finished"
        changed = rows_of([(one.name, *one.fields) for one in frame])
        assert {**base, **changed} == {
            **expected_rows(model.table(frozenset({switch.name})), MASK),
            "down": base["down"],
        }
        times = {one.number(2) for one in frame if one.name == "change"}
        assert len(times) == 1
        assert 0 <= times.pop() - pressed_us <= 3_000  # one poll at rest and a scan
        bench.set_closed(frozenset())
        back = rows_of([(one.name, *one.fields) for one in heard(bench, 15_000)])
        assert {**base, **back} == base
        assert set(back) == set(changed)


@pytest.mark.parametrize("anode", [2, 3, 6, 7, 10, 13, 21])
@pytest.mark.parametrize("cathode", [2, 4, 8, 9, 12])
def test_a_contact_between_any_two_lines_is_seen_from_rest(anode: int, cathode: int) -> None:
    """Where the file has no switch too: two rows, two columns, a pin of no role."""
    if anode == cathode:
        return
    wiring = small()
    bench = board(wiring, f"moved SW1 GPIO{anode} GPIO{cathode}")
    spare = 1 << 12 | 1 << 13 | 1 << 21
    told(bench, "watch", f"{MASK | spare:X}")
    heard(bench, 50_000)
    bench.set_closed(frozenset({"SW1"}))
    pressed_us = bench.now_us
    frame = heard(bench, 40_000)
    changed = rows_of([(one.name, *one.fields) for one in frame])
    assert {line for line, low in changed.items() if low} == {str(cathode)}
    assert changed[str(cathode)] == 1 << anode
    # A row of polls takes five times 2 ms, one for each bit of a pin's number.
    assert 0 <= frame[0].number(2) - pressed_us <= 13_000


def test_nothing_is_said_at_rest() -> None:
    bench = board(small(), "bridge GPIO3 GPIO4", "low GPIO6")
    told(bench, "watch")
    assert heard(bench, 1_000_000) == []


def test_a_second_key_in_the_same_column_is_seen_while_the_first_is_held() -> None:
    bench = board(small())
    told(bench, "watch")
    bench.set_closed(frozenset({"SW1"}))
    heard(bench, 500_000)
    bench.set_closed(frozenset({"SW1", "SW5"}))
    assert ("3", "40") in [one.fields[:2] for one in heard(bench, 20_000)]


def test_a_press_shorter_than_the_quiet_time_is_no_frame() -> None:
    bench = board(small())
    told(bench, "watch")
    bench.set_closed(frozenset({"SW1"}))
    bench.advance(3_000)
    bench.set_closed(frozenset())
    assert heard(bench, 50_000) == []


def test_what_never_becomes_quiet_is_told_as_unsteady() -> None:
    bench = board(small())
    told(bench, "watch")
    said: list[Sentence] = []
    for _ in range(30):
        bench.set_closed(frozenset({"SW1"}))
        said += heard(bench, 2_000)
        bench.set_closed(frozenset())
        said += heard(bench, 2_000)
    assert [one.name for one in said][:1] == ["unsteady"]
    assert {one.name for one in said} <= {"unsteady", "change", "finished"}
    assert 1 <= sum(one.name == "unsteady" for one in said) <= 3


def test_stop_ends_it() -> None:
    bench = board(small())
    told(bench, "watch")
    assert told(bench, "stop") == [("finished", "stop")]
    bench.set_closed(frozenset({"SW1"}))
    assert heard(bench, 50_000) == []


# -- the console ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "answer"),
    [
        (b"AT\r", "unknown-word"),
        (b"whom\n", "unknown-word"),
        (b"WHO\n", "unknown-word"),
        (b"look xyz\n", "wrong-fields"),
        (b"look 1 2\n", "wrong-fields"),
        (b"look 100000000\n", "wrong-fields"),
        (b"look 0\n", "wrong-fields"),
        (b"who 1\n", "wrong-fields"),
        (b"received\n", "wrong-fields"),
        (b"received 65536\n", "wrong-fields"),
        (b"received -1\n", "wrong-fields"),
        (b"send-again 4294967296\n", "wrong-fields"),
        (b"send-again 400\n", "not-kept"),
        (b"who *00000000\n", "wrong-crc"),
        (b"who *\n", "wrong-crc"),
        (b"*\n", "wrong-crc"),
        (b"x" * 49 + b"\n", "too-long"),
        (b"\x00\xff\x80\n", "unknown-word"),
    ],
)
def test_what_is_no_command_is_refused_and_changes_nothing(typed: bytes, answer: str) -> None:
    bench = board(small())
    heard(bench, 2_000)
    bench.send(typed)
    assert [(one.name, *one.fields) for one in heard(bench, 5_000)] == [("refused", answer)]
    assert told(bench, "who")[-1] == ("finished", "who")


@pytest.mark.parametrize("typed", [b"\n", b"\r\n", b"   \n", b"\r\r\r"])
def test_nothing_is_answered_with_nothing(typed: bytes) -> None:
    bench = board(small())
    heard(bench, 2_000)
    bench.send(typed)
    assert heard(bench, 5_000) == []


def test_commands_may_be_typed_without_a_check_and_with_blanks() -> None:
    bench = board(small())
    bench.send(b"  look   4  \r\n")
    assert heard(bench, 50_000)[-1].fields == ("look",)


@pytest.mark.parametrize("seed", range(20))
def test_noise_never_ends_it(seed: int) -> None:
    chance = Random(seed)
    bench = board(small())
    for _ in range(200):
        bench.send(chance.randbytes(chance.randint(1, 60)))
        heard(bench, chance.randint(0, 3_000))
    bench.send(b"\n")
    heard(bench, 2_000_000)
    assert told(bench, "who")[-1] == ("finished", "who")


def test_lines_are_sent_again_with_the_same_bytes_until_acknowledged() -> None:
    bench = board(small())
    bench.advance(2_000)
    bench.send(b"who\n")
    bench.advance(5_000)
    first = bench.receive()
    bench.send(b"send-again 0\n")
    bench.advance(5_000)
    assert bench.receive() == first
    bench.send(b"received 5\nsend-again 6\n")
    bench.advance(5_000)
    assert bench.receive() == b"".join(line for line in first.splitlines(keepends=True)[6:])
    bench.send(b"send-again 5\n")
    assert [one.fields for one in heard(bench, 5_000)] == [("not-kept",)]
    bench.send(b"received 900\n")  # never said: changes nothing
    bench.send(b"send-again 6\n")
    assert len(heard(bench, 5_000)) == len(first.splitlines()) - 6 + 1  # and that refusal


def test_a_full_ring_throws_the_oldest_away_and_says_how_many() -> None:
    bench = board(small())
    for _ in range(60):
        told(bench, "who", us=5_000)
    said = told(bench, "send-again", 0)
    assert said[-1] == ("refused", "not-kept")
    newest = bench_sequence(bench)
    said = told(bench, "received", newest)
    # 60 introductions of 11 lines, the first hello and the refusals, less the 512 that are kept.
    assert said == [("missed", str(newest + 1 - 512))]


def bench_sequence(bench: HostBoard) -> int:
    bench.send(b"x\n")
    return heard(bench, 5_000)[-1].sequence


def test_sequence_numbers_wrap() -> None:
    bench = board(small())
    heard(bench, 2_000)
    last = 0
    wrapped = False
    bench.send(b"x\n" * 10)
    while not wrapped:
        for one in heard(bench, 10_000):
            assert one.sequence == (last + 1) % 65_536
            wrapped = wrapped or one.sequence == 0
            last = one.sequence
        bench.send(b"received %d\n" % last + b"x\n" * 100)
    assert told(bench, "who")[-1] == ("finished", "who")


def test_restart_is_told_before_it_happens() -> None:
    bench = board(small())
    heard(bench, 2_000)
    assert told(bench, "restart", us=5_000) == [("finished", "restart")]
    assert not bench.connected


# -- the C itself --------------------------------------------------------------------------------------

WARNINGS = "all extra pedantic conversion sign-conversion shadow undef missing-prototypes error"
STRICT = ["-std=c11", "-ffreestanding", "-O2", "-c", *(f"-W{warning}" for warning in WARNINGS.split())]


@pytest.mark.parametrize(
    "compiler",
    [
        ["gcc"],
        ["clang"],
        ["arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb", "-fno-jump-tables"],
    ],
    ids=lambda command: command[0],
)
def test_it_compiles_without_a_warning(compiler: list[str], tmp_path: Path) -> None:
    if shutil.which(compiler[0]) is None:
        pytest.skip(f"{compiler[0]} isn't installed")
    engine, host = ROOT / "templates" / "engine", ROOT / "templates" / "port" / "host"
    for source in [*engine.glob("bench_*.c"), host / "host_bench.c"]:
        command = [*compiler, *STRICT, f"-I{engine}", f"-I{host}", str(source), "-o", str(tmp_path / "x.o")]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_noise_under_the_sanitizers(tmp_path: Path) -> None:
    """gcc's address and undefined-behaviour sanitizers over 20,000 rounds of seeded noise."""
    gcc = shutil.which("gcc")
    if gcc is None:
        pytest.skip("gcc isn't installed")
    engine, host = ROOT / "templates" / "engine", ROOT / "templates" / "port" / "host"
    sources = [
        Path(__file__).with_name("bench_noise.c"),
        host / "host_bench.c",
        host / "host_lines.c",
        *sorted(engine.glob("bench_*.c")),
    ]
    flags = ["-std=c11", "-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
    program = tmp_path / "noise"
    command = [gcc, *flags, f"-I{engine}", f"-I{host}", *map(str, sources), "-o", str(program)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    if "cannot find" in built.stderr and "san" in built.stderr:
        pytest.skip("this gcc has no sanitizer libraries")
    assert built.returncode == 0, built.stderr
    done = subprocess.run([str(program)], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr[-3000:]


# -- edges ---------------------------------------------------------------------------------------------


def test_edges_are_told_while_a_line_is_held() -> None:
    bench = board(small())
    said = told(bench, "edges", 3, f"{MASK:X}")
    assert said[-2:] == [("low-lines", "3", "0"), ("finished", "edges")]
    bench.set_closed(frozenset({"SW6"}))
    began_us = bench.now_us
    assert [(one.name, *one.fields) for one in heard(bench, 5_000)] == [("edge", "7", "low", str(began_us))]
    bench.set_closed(frozenset({"SW1"}))  # on another row: only SW6 is seen to open
    assert [one.fields[:2] for one in heard(bench, 5_000)] == [("7", "high")]
    bench.set_closed(frozenset())
    assert told(bench, "edges", "up", "400")[-2:] == [("low-lines", "up", "0"), ("finished", "edges")]
    bench.set_closed(frozenset({"SW13"}))
    assert [one.fields[:2] for one in heard(bench, 5_000)] == [("10", "low")]
    assert told(bench, "stop")[-1] == ("finished", "stop")
    bench.set_closed(frozenset())
    assert heard(bench, 5_000) == []


def test_a_held_line_is_read_back_and_never_fought_for() -> None:
    bench = board(small(), "high GPIO3")
    assert told(bench, "edges", 3)[-2:] == [("held-against", "3"), ("finished", "edges")]
    bench = board(small(), "high GPIO7", "shorted SW6")
    told(bench, "edges", 3)
    bench.set_closed(frozenset({"SW6"}))
    assert ("held-against", ("3",)) in [(one.name, one.fields) for one in heard(bench, 5_000)]


def test_a_line_that_nobody_asks_about_any_more_is_let_go() -> None:
    bench = board(small())
    told(bench, "edges", 3)
    assert heard(bench, 9_700_000) == []
    assert [(one.name, *one.fields) for one in heard(bench, 400_000)] == [("finished", "stop")]


@pytest.mark.parametrize(
    "words", [("edges",), ("edges", "down"), ("edges", "3", "8"), ("edges", "3", "0"), ("edges", 30)]
)
def test_edges_of_nothing_are_refused(words: tuple[object, ...]) -> None:
    assert told(board(small()), *words)[-1] == ("refused", "wrong-fields")


def test_a_change_is_told_at_once_where_that_is_asked_for() -> None:
    bench = board(small())
    assert told(bench, "watch", f"{MASK:X}", 5_001)[-1] == ("refused", "wrong-fields")
    told(bench, "watch", f"{MASK:X}", 0)
    bench.set_closed(frozenset({"SW6"}))
    bench.advance(1_500)
    bench.set_closed(frozenset())
    changes = [one.fields[:2] for one in heard(bench, 5_000) if one.name == "change"]
    assert changes == [("3", "80"), ("3", "0")]
