"""Seeded keymap files as careless hands would write them, tidied: the meaning must stay.

`python -m tests.tidy_files 10000 [SEED]` tries as many as asked for; CI tries a thousand through
`tests/keyc/test_tidy.py`. For each file: what `keyc show` says is the same before and after, every
comment and blank line is still there, in order, and tidying again changes nothing.
"""

from __future__ import annotations

import random
import re
import sys
from collections.abc import Iterable, Iterator

from keyc.compile import check_text
from keyc.language.syntax import parsed
from keyc.language.tidy import tidied
from keyc.show import as_json
from keyc.source import Source

_COMMENTS = (
    "# why not",
    "#",
    "#no blank",
    "# ends in a backslash \\",
    '# "quotes" { and } [braces] # twice',
    "#\ttabs\tinside ",
    "# straße, 猫, e\u0301",
    "# layer base { A }",
    "#  - kept   as it   is",
)
_CELLS = (
    *("q", "A", "KeyZ", "1", "Escape", "AudioVolumeDown", "ShiftRight", "Control+z", "Control+Shift+ArrowUp"),
    *(
        '"!"',
        '"#"',
        '"{"',
        '"\\""',
        '"\\\\"',
        'Control+"z"',
        "usage(0x0c, 0x00e9)",
        "usage(0x07,0x04)",
        "off",
    ),
    *(
        "Tab/upper",
        "a/Control+Shift",
        '"/"/Shift',
        "next(Shift)",
        "lock( upper )",
        "taps(a,B)",
        '"two  blanks"',
    ),
    *("sign-off", "pointer( left )", "wheel(up)", "Control+Shift+'".replace("'", '"\'"')),
    *("take-back", "upper", "usb-boot", "Space", "BracketLeft", '"a"'),
)
_SIZES = ("", "", "", " 1.25u", " 2u", " 1.5u", " 1x2u", " 1.25x2u")


def careless_files(count: int, seed: int) -> Iterator[str]:
    """`count` keymap files without mistakes in them, each of its own shape."""
    for number in range(count):
        yield _File(random.Random(f"{seed} {number}")).text()


class _File:
    def __init__(self, chance: random.Random) -> None:
        self._chance = chance
        self._end = chance.choice(("\n", "\n", "\r\n"))
        self._parts: list[str] = []

    def text(self) -> str:
        chance = self._chance
        lines = chance.randrange(1, 5)
        widths = [chance.randrange(1, 7) for _ in range(lines)]
        names = iter(f"{chance.choice(('SW', 'K', 'Taste_'))}{number}" for number in range(1, 40))
        caps = [[next(names) for _ in range(width)] for width in widths]
        switches = [name for row in caps for name in row]
        self._block(
            'keyboard "Tern \\"3\\" #"', [["usb 0x1209:0x5a17"], ['maker "Mill } Works"']], shares=True
        )
        self._wiring(switches)
        self._block("shape", self._shape(caps))
        if chance.random() < 0.5:
            rules = [["debounce 5ms after-quiet"], ["hold-after 180ms"], ["hold-if another-key tapped"]]
            self._block("timing", rules, shares=True)
            self._block(f"timing {switches[0]}", [["debounce 12ms"]], shares=True)
        self._line(["let take-back", "=", chance.choice(("Control+Z", "Meta", '"x"'))], gaps=True)
        cells = [[chance.choice(_CELLS) for _ in row] for row in caps]
        cells[-1][-1] = "usb-boot"
        self._block("layer base", cells)
        if chance.random() < 0.5:
            grid = [[chance.choice(("..", "..", *_CELLS)) for _ in row] for row in caps]
            self._block("layer upper", grid)
        else:
            chosen = [name for name in switches if chance.random() < 0.6]
            self._block("layer upper", [[f"{one} = {chance.choice(_CELLS)}"] for one in chosen], shares=True)
        if len(switches) > 1:
            self._line(
                [f"chord {switches[0]} {switches[1]} on base =", chance.choice(("q", "CapsLock"))], gaps=True
            )
        self._line(["sequence sign-off =", '"Kind  regards,"', "a", "wait 50ms", "Control+z"], gaps=True)
        steps = [[f"tap {switches[0]}"], ["wait 5ms"], ["expect A Control+z"]]
        steps = [*(chance.choice(steps) for _ in range(4)), [f"down {switches[-1]}"]]
        self._block('scenario "a # b"', steps, shares=True)
        self._space()
        text = "".join(self._parts)
        return text if chance.random() < 0.7 else text.rstrip("\r\n")

    def _wiring(self, switches: list[str]) -> None:
        chance = self._chance
        columns = chance.randrange(1, 6)
        direct = switches[:1] if chance.random() < 0.5 else []
        matrix = switches[len(direct) :] or switches
        direct = direct if matrix is not switches else []
        name = chance.choice(("GP", "GPIO"))
        lines = [["diodes cathode-to-row"], ["columns", *(f"{name}{pin}" for pin in range(columns))]]
        for number, start in enumerate(range(0, len(matrix), columns)):
            row = matrix[start : start + columns]
            lines.append([f"row {name}{columns + number}", *row, *["--"] * (columns - len(row))])
        pin = columns + len(lines)
        lines += [[f"direct GPIO{pin}", one] for one in direct]
        lines += [[f"diode D{number} of {one}"] for number, one in enumerate(matrix, 1) if number % 3]
        lines.append([f"light GP{pin + 1} CapsLock lit-low"])
        if pin < 20:
            lines.append([f"dial GPIO{pin + 2} GPIO{pin + 3} DIAL1 edges-per-detent 2"])
        self._block("wiring", lines)

    def _shape(self, caps: list[list[str]]) -> list[list[str]]:
        chance = self._chance
        lines = []
        for number, row in enumerate(caps):
            items = []
            # Lines lie two units apart, so that no tall cap comes down on another one.
            turn = f" turned {chance.randrange(1, 30)}deg" if chance.random() < 0.3 else ""
            corner = f"at {chance.randrange(0, 40) / 20:g}u {10 + 15 * number}u{turn}"
            if chance.random() < 0.4:
                items.append(corner)
            for name in row:
                if chance.random() < 0.2:
                    items.append(f"[{chance.choice(('0.25', '1', '0.5'))}u]")
                items.append(
                    name + (chance.choice(_SIZES) if items[:1] == [corner] else chance.choice(_SIZES[:6]))
                )
            lines.append(items)
        return lines

    # ---- careless hands

    def _block(self, head: str, lines: Iterable[list[str]], *, shares: bool = False) -> None:
        """A line alone may stand beside the braces. `shares`: statements may share a line."""
        chance = self._chance
        lines = list(lines)
        self._space()
        self._write(self._blanks(head))
        self._write(chance.choice((" {", "{", "   {\t")))
        if shares and chance.random() < 0.4:
            self._write(" " + "   ".join(self._blanks(text) for line in lines for text in line) + " }")
        elif len(lines) == 1 and chance.random() < 0.5:
            self._write(" " + "  ".join(map(self._blanks, lines[0])) + chance.choice((" }", " \\\n}", "}")))
        else:
            opens_late = chance.random() < 0.8
            if opens_late:
                self._finish()
            for number, line in enumerate(lines):
                if number or opens_late:
                    self._space()
                closes = number == len(lines) - 1 and chance.random() < 0.2
                self._line(line, gaps=True, ends=not closes)
            self._write(chance.choice(("}", "  }", "\t}")))
        self._finish()

    def _line(self, columns: list[str], *, gaps: bool = False, ends: bool = True) -> None:
        chance = self._chance
        self._write(chance.choice(("", " ", "\t", "        ")))
        for number, column in enumerate(columns):
            if number:
                self._write(" " * chance.choice((1, 1, 2, 7)))
                if gaps and chance.random() < 0.05:
                    self._write("\\" + chance.choice(("", " ", "  # runs on", "\t")) + self._end)
            self._write(self._blanks(column))
        if ends:
            self._finish()
        else:
            self._write(" ")

    def _blanks(self, text: str) -> str:
        """The words of a statement with other blanks between them; none is put in or taken out."""
        quoted = re.split(r'("(?:[^"\\]|\\.)*")', text)
        blank = self._chance.choice((" ", " ", "  ", "\t"))
        return "".join(part if index % 2 else part.replace(" ", blank) for index, part in enumerate(quoted))

    def _finish(self) -> None:
        if self._chance.random() < 0.2:
            self._write(self._chance.choice(("  ", "", "\t ")) + self._chance.choice(_COMMENTS))
        self._write(self._chance.choice(("", "", "  ")) + self._end)

    def _space(self) -> None:
        """Blank lines and lines of comment."""
        while self._chance.random() < 0.25:
            self._write(self._chance.choice(("", "   ", *(f"  {text}" for text in _COMMENTS))) + self._end)

    def _write(self, text: str) -> None:
        self._parts.append(text)


def _in_one_spelling(text: str) -> str:
    text = re.sub(r"(?<![\w\"])([a-z])(?!\w)", lambda match: match[1].upper(), text)
    return re.sub(r"0x\w+", lambda match: match[0].lower(), re.sub(r"\s*([(),])\s*", r"\1", text))


def shown(text: str) -> object:
    """What `keyc show` says of a file, with words in one spelling."""
    keyboard, found = check_text(Source("careless.keys", text))
    assert keyboard is not None, [
        (one.code, one.message, one.span.source.place(one.span.start)) for one in found
    ]
    said = as_json(keyboard)
    for layer in said["layers"]:
        for cell in layer["cells"].values():
            for part in (cell, cell["tap"], cell["hold"]):
                if part is not None:
                    part["text"] = _in_one_spelling(part["text"])
    said["actions"] = [[cell.action for cell in layer.cells.values()] for layer in keyboard.layers]
    said["chords"] = [(one.members, one.layer, one.cell.action) for one in keyboard.chords]
    said["timing"] = keyboard.timing
    said["scenarios"] = [
        (one.name, [re.sub("span=.*", "", repr(step)).lower() for step in one.steps])
        for one in keyboard.scenarios
    ]
    return said


def comments(text: str) -> list[str]:
    return [
        match[1].rstrip()
        for match in re.finditer(r'"(?:[^"\\\n]|\\[^\n])*"|(#[^\n]*)', text)
        if match[1] is not None
    ]


def blank_lines(text: str) -> list[int]:
    """How many blank lines there are before each comment, and at the end; but the outer ones."""
    lines = [line.strip() for line in text.strip().split("\n")]
    found, count = [], 0
    for line in lines:
        if line.startswith("#"):
            found.append(count)
        count += not line
    return [*found, count]


def check_one(text: str) -> None:
    """Raises AssertionError unless the file means the same when tidied, and is as tidy as can be."""
    after = tidied(parsed(Source("careless.keys", text)))
    assert shown(after) == shown(text)
    assert comments(after) == comments(text)
    assert blank_lines(after) == blank_lines(text)
    assert tidied(parsed(Source("careless.keys", after))) == after
    assert not re.search(r"[ \t]\r?$", after, re.M)
    assert after.endswith("\n")


def main(arguments: list[str]) -> int:
    count = int(arguments[0]) if arguments else 10_000
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    for number, text in enumerate(careless_files(count, seed)):
        try:
            check_one(text)
        except Exception:
            print(f"file {number} of seed {seed}:\n{text}", file=sys.stderr)
            raise
    print(f"{count} files: same meaning, same comments, twice is once")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
