"""The language reference: every example in it is checked, every scenario run, its table compared.

A fence marked `keys` is a whole file, `keys fragment` some statements of one, `keys wrong CODE` statements
that must give exactly that error.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from keyc.compile import check_text
from keyc.engine import scenarios
from keyc.files import shipped
from keyc.keyboard import Press
from keyc.layouts import LAYOUT_NAMES, layout
from keyc.source import Source
from keyc.usages import indicators, usage_of

REFERENCE = shipped("grammars", "REFERENCE.md").read_text(encoding="utf-8")

# What an example needn't bother with: it uses the open test id.
USUAL = {"test-usb-id"}


@dataclass(frozen=True)
class Example:
    line: int
    kind: str  # "", "fragment" or "wrong"
    code: str
    text: str

    def __str__(self) -> str:
        return f"line-{self.line}"


def examples() -> list[Example]:
    found = []
    for match in re.finditer(r"^```keys *(\S*) *(\S*)\n(.*?)^```$", REFERENCE, re.M | re.S):
        line = REFERENCE.count("\n", 0, match.start()) + 1
        found.append(Example(line, match[1], match[2], match[3]))
    return found


def whole_file(fragment: str) -> str:
    """The fragment with the statements that a file needs besides: a board of direct switches."""
    there = set(re.findall(r"^(keyboard|wiring|shape|layer)\b", fragment, re.M))
    wiring = re.search(r"^wiring \{.*?^\}", fragment, re.M | re.S)
    numbers = [int(number) for number in re.findall(r"\bSW(\d+)\b", wiring[0] if wiring else fragment)]
    cells = re.search(r"^layer base \{ (.*) \}$", fragment, re.M)
    count = max([*numbers, len(cells[1].split("  ")) if cells else 0, 0 if numbers else 4])
    switches = [f"SW{number}" for number in range(1, count + 1)]
    frame = []
    if "keyboard" not in there:
        frame.append('keyboard "Example" { }')
    if "wiring" not in there:
        lines = [f"direct GPIO{number} {switch}" for number, switch in enumerate(switches)]
        frame.append("\n".join(["wiring {", "diodes none", *lines, "}"]))
    if "shape" not in there:
        frame.append(f"shape {{ {' '.join(switches)} }}")
    if "layer" not in there:
        letters = [f"{switch} = F{number}" for number, switch in enumerate(switches[:-1], start=1)]
        frame.append(f"layer base {{ {' '.join(letters)} {switches[-1]} = usb-boot }}")
    return "\n".join([*frame, fragment])


def text_of(example: Example) -> str:
    return whole_file(example.text) if example.kind else example.text


def test_there_are_examples_of_every_kind() -> None:
    kinds = [example.kind for example in examples()]
    assert set(kinds) == {"", "fragment", "wrong"}
    assert len(kinds) == len(re.findall(r"^```keys", REFERENCE, re.M))
    assert len(kinds) > 15


@pytest.mark.parametrize("example", [e for e in examples() if e.kind != "wrong"], ids=str)
def test_examples_are_right_and_their_scenarios_pass(example: Example) -> None:
    keyboard, found = check_text(Source("example.keys", text_of(example)))
    assert [one for one in found if one.code not in USUAL] == []
    assert keyboard is not None
    assert len(keyboard.scenarios) == example.text.count("\nscenario ")
    if keyboard.scenarios:
        for result in scenarios.run(keyboard):
            assert result.passed, (result.scenario.name, result.expected, result.got)


@pytest.mark.parametrize("example", [e for e in examples() if e.kind == "wrong"], ids=str)
def test_wrong_examples_have_the_error_that_they_name(example: Example) -> None:
    keyboard, found = check_text(Source("example.keys", text_of(example)))
    if example.code == "scenario-failed":
        assert keyboard is not None
        found = scenarios.diagnostics_of(scenarios.run(keyboard))
    assert [one.code for one in found if one.severity == "error"] == [example.code]


def test_the_table_of_signs_is_what_the_layouts_say() -> None:
    rows = re.findall(r"^\| `(\w+)`[^|]*\| (.*?) \| (.*?) \|$", REFERENCE, re.M)
    rows = [row for row in rows if usage_of(row[0])]
    for name, *columns in rows:
        usage = usage_of(name)
        assert usage is not None
        for host, column in zip(("linux-us", "linux-de"), columns, strict=True):
            expected = []
            for modifiers in ((), (0xE1,)):
                press = Press(usage, modifiers)
                dead = layout(host).dead(press)
                expected.append(f"dead {dead}" if dead else layout(host).types(press))
            assert signs(column) == expected, (name, host)
    names = {name for name, *_ in rows}
    assert names >= {  # the punctuation keys of W3C UI Events and the two of ISO boards
        "Backquote", "Minus", "Equal", "BracketLeft", "BracketRight", "Backslash", "Semicolon", "Quote",
        "Comma", "Period", "Slash", "IntlBackslash", "IntlHash",
    }  # fmt: skip


def signs(column: str) -> list[str]:
    r"""`` `-` `_` `` → ["-", "_"]; dead keys are in words; Markdown writes `\|` for | in a table."""
    found = re.findall(r"`` (.) ``|`(\\?.)`|(dead \w+)", column)
    return [next(filter(None, one)).removeprefix("\\") or "\\" for one in found]


def test_the_lists_in_it_are_complete() -> None:
    for name in (*LAYOUT_NAMES, *indicators()):
        assert f"`{name}`" in REFERENCE, name


def test_links_within_it_lead_somewhere() -> None:
    headings = re.findall(r"^#+ (.+)$", REFERENCE, re.M)
    anchors = {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}
    for target in re.findall(r"\]\(#([^)]+)\)", REFERENCE):
        assert target in anchors, target
