"""The README's examples are run, and must print what the README says they print.

In a fenced `console` block a line `$ COMMAND` is run by the shell, in one folder for the whole page, and
the lines below it are its output. `…` stands for anything: within a line, or alone for any number of lines.
A fenced block headed `keys NAME` is written to NAME first. The `sh` blocks with a `command` mark are run by
`.ci/run`; what the one about the Pico SDK does needs the SDK, and is done in tests/emulator/test_pico_sdk.py.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"


def blocks(text: str) -> list[tuple[str, str]]:
    return re.findall(r"^```(\w[^\n]*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def examples(body: str) -> list[tuple[str, str]]:
    """(command, expected output) pairs of a console block."""
    found: list[tuple[str, list[str]]] = []
    for line in body.splitlines():
        if line.startswith("$ "):
            found.append((line[2:], []))
        else:
            found[-1][1].append(line)
    return [(command, "\n".join(lines)) for command, lines in found]


def pattern_of(expected: str) -> str:
    lines = []
    for line in expected.strip("\n").splitlines():
        if line.strip() == "…":
            lines.append(r"(?:[^\n]*\n)*?")
        else:
            lines.append(".*?".join(re.escape(part.rstrip()) for part in line.split("…")) + r"[ ]*\n")
    return "".join(lines)


def commands_in(folder: Path) -> Path:
    """`keyc` and `hil` of this tree, whether or not it is installed."""
    folder.mkdir()
    for name in ("keyc", "hil"):
        path = folder / name
        path.write_text(f'#!/bin/sh\nexec {sys.executable} -m {name}.cli "$@"\n', encoding="utf-8")
        path.chmod(0o755)
    return folder


@pytest.mark.timeout(300)
def test_every_example_of_the_readme_prints_what_it_says(tmp_path: Path) -> None:
    environment = dict(os.environ, NO_COLOR="1", COLUMNS="80", PYTHONPATH=str(ROOT))
    environment["PATH"] = f"{commands_in(tmp_path / 'commands')}:{os.environ['PATH']}"
    ran = 0
    for head, body in blocks(README.read_text(encoding="utf-8")):
        kind, _, name = head.partition(" ")
        if kind == "keys":
            (tmp_path / name).write_text(body, encoding="utf-8")
        if kind != "console":
            continue
        for command, expected in examples(body):
            got = subprocess.run(
                command,
                shell=True,
                cwd=tmp_path,
                env=environment,
                text=True,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                timeout=120,
            ).stdout
            assert re.fullmatch(pattern_of(expected), got if got.endswith("\n") or not got else got + "\n"), (
                f"$ {command}\n--- expected\n{expected}\n--- got\n{got}"
            )
            ran += 1
    assert ran >= 5, "the README's tour has fewer examples than it should"


def test_the_two_commands_of_the_readme_are_where_the_build_looks_for_them() -> None:
    text = README.read_text(encoding="utf-8")
    for mark in ("demo", "tests"):
        assert re.search(rf"^<!-- command: {mark} -->\n+```", text, re.MULTILINE), mark
