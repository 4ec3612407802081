"""Random and mutated keymap files into the compiler's front: diagnostics, never a traceback.

`python -m tests.fuzz_front 1000000 [SEED]` runs as many as asked for; CI runs ten thousand through
`tests/keyc/test_front_fuzz.py`. The generator is seeded: the same numbers give the same files.
"""

from __future__ import annotations

import random
import re
import sys
from collections.abc import Iterator
from pathlib import Path

from keyc.compile import check_text, source_of
from keyc.diagnostics import UserError, render_text

_GOLDEN = Path(__file__).parent / "golden"

# What files are made of, and what goes wrong in them: words of the language, C keywords, signs that
# mean something to C, templates and HTML, characters that are wide, combining, invisible or none.
_WORDS = """
    keyboard wiring shape timing let layer dial chord sequence scenario usb maker host-layout diodes
    columns row direct diode of light lit-low at turned debounce after-quiet at-once hold-after when and
    on wait tap down up expect nothing nothing-held off usb-boot usage next lock taps latch set
    cathode-to-row none linux-de linux-fr GPIO0 GPIO7 GPIO29 GPIO30 GP6 SW1 SW2 SW3 D1 base arrows Escape
    A q 1 12 5ms .5u 1.5 u 1x2u [0.25u] [] 0x1209:0x0001 0x0C Control+Z Shift+ +A Tab/arrows / a/b/c
    "!" "" "ab" "\\" \\ -- .. int return struct { } ( ) , = # ; ' ` */ /* {{ }} {% < > & $ @ é ß 猫
"""
_UNSEEN = (
    *("e\u0301", "\u202e", "\u200b", "\ufeff", "\x00", "\x1b[2J", "\t", "\r", "\n", "\r\n", "\\\n"),
    *("\x85", "\u2028", "\ud7ff", "\U0001f600", " ", *"“”«»„‘’…—–×｛［Ａ", "\xa0", " // ", "\n; ", " | "),
)
_PIECES: tuple[str, ...] = (*_WORDS.split(), *_UNSEEN)


def bases() -> list[str]:
    """Whole files to start from: the golden ones and the bundled keyboards."""
    shipped = Path(__file__).parent.parent / "keyc" / "data" / "demo"
    files = [*sorted(_GOLDEN.rglob("*.keys")), *sorted(shipped.glob("*.keys"))]
    return [path.read_text(encoding="utf-8") for path in files]


def fuzzed_files(count: int, seed: int) -> Iterator[bytes]:
    """`count` files: one in eight of random bytes, one in eight of random words, the rest mutated."""
    chance = random.Random(seed)
    texts = bases()
    for number in range(count):
        kind = number % 8
        if kind == 0:
            yield chance.randbytes(chance.randrange(200))
        elif kind == 1:
            yield " ".join(chance.choices(_PIECES, k=chance.randrange(60))).encode("utf-8", "surrogatepass")
        else:
            text = chance.choice(texts)
            if number % 4:  # three of four are short: some of a file's statements, which is soon checked
                text = "".join(chance.sample(blocks := re.split(r"(?<=\n}\n)", text), len(blocks) // 3 + 1))
            for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
                text = _mutated(text, chance)
            yield text.encode("utf-8", "surrogatepass")


def _mutated(text: str, chance: random.Random) -> str:
    """The text with one piece put in, taken out, replaced, doubled or cut off."""
    at = chance.randrange(len(text) + 1)
    end = min(len(text), at + int(chance.expovariate(0.1)))
    what = chance.randrange(6)
    if what == 0:
        return text[:at] + chance.choice(_PIECES) + text[at:]
    if what == 1:
        return text[:at] + text[end:]
    if what == 2:
        return text[:at] + chance.choice(_PIECES) + text[end:]
    if what == 3:
        return text[:at] + text[at:end] + text[at:]
    if what == 4:
        lines = text.split("\n")
        line = chance.randrange(len(lines))
        lines[line : line + chance.randrange(3)] = [chance.choice(lines)] * chance.randrange(3)
        return "\n".join(lines)
    return text[:at] if chance.randrange(8) == 0 else text[:at] + chr(chance.randrange(0x250)) + text[at:]


def check_one(data: bytes) -> int:
    """Checks one file as `keyc check` would, and that what comes out is fit to be shown. The number
    of diagnostics; any exception but UserError is a finding."""
    try:
        source = source_of("fuzzed.keys", data)
    except UserError:
        return 1
    keyboard, diagnostics = check_text(source)
    assert (keyboard is None) == any(one.severity == "error" for one in diagnostics)
    places = [(one.span.start, one.span.end) for one in diagnostics]
    assert all(0 <= start <= end <= len(source.text) for start, end in places)
    assert [start for start, _ in places] == sorted(start for start, _ in places)
    assert all(one.message and (one.help or one.severity == "warning") for one in diagnostics)
    assert len({(one.code, one.span.start, one.message) for one in diagnostics}) == len(diagnostics)
    text = render_text(diagnostics)
    assert re.sub("[\n\t\xa0]", "", text).isprintable()
    return len(diagnostics)


def main(arguments: list[str]) -> int:
    count = int(arguments[0]) if arguments else 10_000
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    for number, data in enumerate(fuzzed_files(count, seed)):
        try:
            check_one(data)
        except Exception:
            print(f"file {number} of seed {seed}:\n{data!r}", file=sys.stderr)
            raise
        if number % 10_000 == 0:
            print(f"{number} of {count}", file=sys.stderr)
    print(f"{count} files, no traceback")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
