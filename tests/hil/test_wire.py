"""Sentences and bytes."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.faults import parse_fault
from hil.host_board import HostBoard
from hil.wire import LINE_BYTES, Damaged, Lines, Sentence, crc_32, line_of, parse_line
from tests.hil.wirings import KNOWN, wiring_of

words = st.from_regex(r"[a-z][a-z-]{0,9}", fullmatch=True)
fields = st.lists(st.from_regex(r"[0-9A-Za-z-]{1,8}", fullmatch=True), max_size=2)


def test_the_check_value_of_the_crc() -> None:
    """CRC-32 of IEEE 802.3 over "123456789" is CBF43926 (catalogue value), as zlib's."""
    assert crc_32(b"123456789") == 0xCBF43926
    assert crc_32(b"low-lines up 0 7") == zlib.crc32(b"low-lines up 0 7")


def test_a_line_as_the_page_writes_it() -> None:
    line = line_of("low-lines", 4, "3C0", sequence=65_541)
    body, check = line.removesuffix(b"\n").split(b" *")
    assert body == b"low-lines 4 3C0 5"
    assert int(check, 16) == zlib.crc32(body)
    assert parse_line(line) == Sentence("low-lines", ("4", "3C0"), 5)


@given(words, fields, st.integers(0, 65_535))
def test_what_is_written_is_read_again(name: str, said: list[str], sequence: int) -> None:
    assert parse_line(line_of(name, *said, sequence=sequence)) == Sentence(name, tuple(said), sequence)


def test_either_line_end_is_taken() -> None:
    line = line_of("finished", "who", sequence=1).rstrip()
    assert parse_line(line) == parse_line(line + b"\n") == parse_line(line + b"\r\n")


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"finished who 1",
        b"finished who 1 *00000000",
        b"\xff\xfe\x00",
        b"finished who 1 *" + b"%08x" % crc_32(b"finished who 1"),  # lower case isn't the page's
        b"finished who *" + b"%08X" % crc_32(b"finished who"),  # no sequence number
        b"finished  who 1 *" + b"%08X" % crc_32(b"finished  who 1"),
        b"finished who 65536 *" + b"%08X" % crc_32(b"finished who 65536"),
        line_of("x" * 30, sequence=1).rstrip() + b" *12345678",
        b"finished w\xc3\xb6 1 *" + b"%08X" % crc_32(b"finished w\xc3\xb6 1"),
    ],
)
def test_what_is_no_line_is_damaged(line: bytes) -> None:
    assert isinstance(parse_line(line), Damaged)


def test_every_single_damaged_byte_is_noticed() -> None:
    """A CRC finds every burst of up to its own width: common practice."""
    line = line_of("change", 8, "3C0", 176_619, sequence=132).removesuffix(b"\n")
    for at in range(len(line)):
        for bits in range(1, 256):
            damaged = line[:at] + bytes([line[at] ^ bits]) + line[at + 1 :]
            assert b"\n" in damaged or isinstance(parse_line(damaged), Damaged)


def test_a_line_too_long_for_the_wire_is_not_made() -> None:
    with pytest.raises(ValueError, match="too long"):
        line_of("look", "F" * LINE_BYTES)


def test_numbers_and_masks_of_a_sentence() -> None:
    sentence = Sentence("change", ("8", "3C0", "176619"), 1)
    assert (sentence.number(0), sentence.mask(1), sentence.number(2)) == (8, 0x3C0, 176_619)
    for wrong, field in ((sentence.number, 1), (sentence.mask, 3)):
        with pytest.raises(ValueError, match="no number"):
            wrong(field)


@given(st.lists(st.integers(1, 40), min_size=1), st.binary(max_size=20))
def test_lines_are_the_same_however_the_bytes_are_cut(cuts: list[int], noise: bytes) -> None:
    stream = b"".join(line_of("rise", pin, 3, sequence=pin) for pin in range(9)) + noise.replace(b"\n", b"")
    lines = Lines()
    heard: list[Sentence | Damaged] = []
    at = 0
    while at < len(stream):
        size = cuts[at % len(cuts)]
        heard += lines.of(stream[at : at + size])
        at += size
    assert heard == [Sentence("rise", (str(pin), "3"), pin) for pin in range(9)]
    assert (lines.rest() is not None) is bool(noise.replace(b"\n", b"").strip())


def test_a_run_without_an_end_is_cut_off() -> None:
    lines = Lines()
    heard = list(lines.of(b"x" * 5_000))
    assert heard
    assert all(isinstance(one, Damaged) for one in heard)
    assert list(lines.of(b"\n" + line_of("finished", "who", sequence=3)))[-1] == Sentence(
        "finished", ("who",), 3
    )


def test_the_page_names_every_line_that_the_firmware_can_say() -> None:
    """The published page against the C's own table of lines and words."""
    root = Path(__file__).parents[2]
    page = (root / "hil" / "WIRE.md").read_text(encoding="utf-8")
    wire = (root / "templates" / "engine" / "bench_wire.c").read_text(encoding="utf-8")
    said = re.findall(r'^    \[KEYC_BENCH_\w+\] = \{?"([a-z-]+)"', wire, re.MULTILINE)
    assert len(said) > 30
    for word in said:
        assert re.search(rf"`{word}\b|\b{word}[` ]", page), word


def test_the_example_of_the_page_is_what_the_firmware_says() -> None:
    page = (Path(__file__).parents[2] / "hil" / "WIRE.md").read_text(encoding="utf-8")
    example = page.split("```\n")[1].encode()
    wiring = wiring_of((4, 5), (6, 7))
    board = HostBoard(wiring, [parse_fault("bridge GPIO4 GPIO5", wiring)], fingerprints=KNOWN)
    board.advance(2_000)
    board.receive()
    board.send(b"watch\n")
    board.advance(100_000)
    board.set_closed(frozenset({"SW2"}))
    board.advance(20_000)

    def timeless(text: bytes) -> list[tuple[str, ...]]:
        heard = list(Lines().of(text))
        assert all(isinstance(one, Sentence) for one in heard)
        return [(one.name, *one.fields[:2]) for one in heard if isinstance(one, Sentence)]

    assert timeless(example) == timeless(board.receive())
