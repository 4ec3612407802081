"""Each sentence of `MEANING.md` is quoted, word for word, in the docstring of a test in this folder."""

from __future__ import annotations

import ast
from pathlib import Path

HERE = Path(__file__).parent


def sentences() -> list[str]:
    return [
        line for line in (HERE / "MEANING.md").read_text("utf-8").split("\n\n", 2)[2].splitlines() if line
    ]


def quoted() -> str:
    """What the docstrings of all tests here say, as one line."""
    found: list[str] = []
    for file in sorted(HERE.glob("test_*.py")):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                found.append(" ".join((ast.get_docstring(node) or "").split()))
    return " | ".join(found)


def test_each_sentence_about_meaning_is_quoted_by_a_test() -> None:
    said = quoted()
    assert len(sentences()) == 30
    assert [sentence for sentence in sentences() if sentence not in said] == []
