"""The pages of `keyc explain`: one for every code there is, and their examples are true."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import keyc
from keyc import explain
from keyc.compile import check_text
from keyc.diagnostics import Diagnostic, UserError
from keyc.source import Source
from tests.keymaps import keyboard_in

# What an example takes for granted; a page's own statements replace those of the same kind.
FRAME = {
    "keyboard": 'keyboard "Example" { usb 0x1209:0x5A17 }\n',
    "wiring": (
        "wiring {\n    diodes cathode-to-row\n    columns GPIO6 GPIO7\n"
        "    row GPIO2 SW1 SW2\n    row GPIO3 SW3 SW4\n}\n"
    ),
    "shape": "shape {\n    SW1 SW2\n    SW3 SW4\n}\n",
    "layer": "layer base {\n    A B\n    C usb-boot\n}\n",
}
# Told of boards: test_board_pages has their examples.
BOARDS = ("ipc_d_356.py", "findings.py", "switch_findings.py", "line_findings.py", "witnesses.py")
# Told by running scenarios or by exploring, or of a file too long for a page.
ELSEWHERE = {
    "scenario-failed",
    "scenario-not-run",
    "key-missing",
    "too-many-layers",
    "too-many-mistakes",
    "proof-failed",
    "never-reached",
}


def codes_in(*files: str) -> set[str]:
    """Every code that these files of the package tell: each call that makes a diagnostic names it first."""
    folder = Path(keyc.__file__).parent
    calls = re.compile(
        r"(?:\btell|_tell|_at|Diagnostic|Misread|_length)\(\s*\"([a-z-]+)\"|code(?:, where)? = \"([a-z-]+)\""
    )
    return {
        match[1] or match[2]
        for path in folder.rglob("*.py")
        if not files or path.name in files
        for match in calls.finditer(path.read_text("utf-8"))
    }


def found_in(fragment: str) -> list[Diagnostic]:
    there = set(re.findall(r"^(\w+)", fragment, re.M))
    frame = "".join(text for kind, text in FRAME.items() if kind not in there)
    if "missing" in fragment:
        frame = ""
    return check_text(Source("example.keys", frame + fragment))[1]


def examples(code: str) -> tuple[str, str]:
    before, after = re.findall(r"```keys\n(.*?)```", explain.page(code), re.S)
    return before, after


@pytest.mark.parametrize("code", sorted(set(explain.words()) - ELSEWHERE - codes_in(*BOARDS)))
def test_the_example_before_has_this_mistake_and_the_one_after_none(code: str) -> None:
    before, after = examples(code)
    assert {one.code for one in found_in(before)} == {code}
    assert found_in(after) == []


def test_a_failing_scenario() -> None:
    from keyc.engine.scenarios import findings

    codes = []
    for fragment in examples("scenario-failed"):
        keyboard = keyboard_in("".join(list(FRAME.values())[:3]) + fragment, "example.keys")
        codes.append([one.code for one in findings(keyboard)])
    if codes == [["scenario-not-run"]] * 2:
        pytest.skip("no C compiler here")
    assert codes == [["scenario-failed"], []]


def test_every_code_has_a_page_and_every_page_a_code() -> None:
    assert codes_in() == set(explain.words())


@pytest.mark.parametrize("code", explain.words())
def test_a_page_begins_with_its_code_and_says_something(code: str) -> None:
    page = explain.page(code)
    assert page.startswith(f"# {code}: ")
    assert explain.title_of(code) == page.split("\n")[0].split(": ", 1)[1]
    assert len(page.split("\n\n")[1]) > 60
    assert max(map(len, page.split("\n"))) <= 110


def test_a_word_without_a_page() -> None:
    with pytest.raises(UserError, match="no page") as raised:
        explain.page("row-to-long")
    assert raised.value.exit_status == 2
    assert raised.value.help is not None
    assert "row-too-long" in raised.value.help
    for odd in ("../../README", "", "é", "x" * 1000, "a/b"):
        with pytest.raises(UserError):
            explain.page(odd)
    assert explain.page("[Row-Too-Long]") == explain.page("row-too-long")
