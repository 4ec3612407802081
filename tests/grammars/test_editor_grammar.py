"""The editor grammar, read as editors read it.

Source of the rules: the TextMate manual, "Language Grammars": of all patterns the one that matches first in
the line wins, of those the first in the list. Only `match` rules are used, so Python's `re` can stand in for
Oniguruma: the patterns keep to what both know.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from keyc.files import shipped
from keyc.language.calls import HOW_CALLED
from keyc.language.statements import Word
from keyc.language.syntax import parsed
from keyc.language.words import RESERVED
from keyc.source import Source
from keyc.usages import key_names

GRAMMAR = "keys.tmLanguage.json"


@dataclass(frozen=True)
class Rule:
    pattern: re.Pattern[str]
    scope: str | None
    captures: dict[int, str]


@cache
def rules() -> tuple[Rule, ...]:
    grammar = json.loads(shipped("grammars", GRAMMAR).read_text(encoding="utf-8"))

    def flat(patterns: list[dict[str, Any]]) -> list[Rule]:
        found = []
        for entry in patterns:
            if "include" in entry:
                found += flat([grammar["repository"][entry["include"].removeprefix("#")]])
            elif "patterns" in entry:
                found += flat(entry["patterns"])
            else:
                captures = {int(n): c["name"] for n, c in entry.get("captures", {}).items()}
                found.append(Rule(re.compile(entry["match"]), entry.get("name"), captures))
        return found

    return tuple(flat(grammar["patterns"]))


def scopes(line: str) -> list[tuple[str, str]]:
    """(text, scope without its `.keys`) of every scoped piece of a line."""
    return [(text, scope) for _, text, scope in pieces_of(line)]


def pieces_of(line: str) -> list[tuple[int, str, str]]:
    """As `scopes`, each with the column where it begins."""
    pieces, at = [], 0
    while at < len(line):
        found = [(match, rule) for rule in rules() if (match := rule.pattern.search(line, at))]
        if not found:
            break
        match, rule = min(found, key=lambda one: one[0].start())
        assert match.end() > match.start(), rule
        if rule.scope:
            pieces.append((match.start(), match[0], rule.scope.removesuffix(".keys")))
        pieces += [
            (match.start(n), match[n], scope.removesuffix(".keys")) for n, scope in rule.captures.items()
        ]
        at = match.end()
    return pieces


def test_scope_and_file_type() -> None:
    grammar = json.loads(shipped("grammars", GRAMMAR).read_text(encoding="utf-8"))
    assert grammar["scopeName"] == "source.keys"
    assert grammar["fileTypes"] == ["keys"]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            'keyboard "Heron # 6" {   # six',
            [
                ("keyboard", "keyword.control"),
                ('"Heron # 6"', "string.quoted.double"),
                ("# six", "comment.line.number-sign"),
            ],
        ),
        (
            "    row GPIO4     SW9     SW10    --       # none",
            [
                ("row", "keyword.other"),
                ("GPIO4", "variable.language.pin"),
                ("SW9", "variable.other"),
                ("SW10", "variable.other"),
                ("--", "constant.language"),
                ("# none", "comment.line.number-sign"),
            ],
        ),
        (
            "    SW5 1x2u [0.25u] SW6 1.5u",
            [
                ("SW5", "variable.other"),
                ("1x2u", "constant.numeric"),
                ("0.25u", "constant.numeric"),
                ("SW6", "variable.other"),
                ("1.5u", "constant.numeric"),
            ],
        ),
        (
            "let take-back = Control+Z",
            [
                ("let", "keyword.control"),
                ("take-back", "entity.name.function"),
                ("=", "keyword.operator"),
                ("Control", "support.constant.key"),
                ("+", "keyword.operator"),
                ("Z", "support.constant.key"),
            ],
        ),
        (
            r'    ..  usb-boot  "\"" \  # goes on',
            [
                ("..", "constant.language"),
                ("usb-boot", "constant.language"),
                (r'"\""', "string.quoted.double"),
                ("\\", "constant.character.escape.line-continuation"),
                ("# goes on", "comment.line.number-sign"),
            ],
        ),
        (
            "usage(0x0C, 0x00E9) next(x) Tab/arrows",
            [
                ("usage", "support.function"),
                ("0x0C", "constant.numeric"),
                ("0x00E9", "constant.numeric"),
                ("next", "support.function"),
                ("x", "support.constant.key"),
                ("Tab", "support.constant.key"),
                ("/", "keyword.operator"),
                ("arrows", "variable.other"),
            ],
        ),
        (
            "tap SW5 12ms expect nothing-held",
            [
                ("tap", "keyword.other"),
                ("SW5", "variable.other"),
                ("12ms", "constant.numeric"),
                ("expect", "keyword.other"),
                ("nothing-held", "keyword.other"),
            ],
        ),
        ("layer row-of-keys {", [("layer", "keyword.control"), ("row-of-keys", "entity.name.function")]),
        ("up-down", [("up-down", "variable.other")]),
        ('"not closed', [('"not closed', "string.quoted.double")]),
    ],
)
def test_pieces_of_a_line(line: str, expected: list[tuple[str, str]]) -> None:
    assert scopes(line) == expected


@pytest.mark.parametrize("name", key_names())
def test_every_key_is_seen_as_one(name: str) -> None:
    assert scopes(f"    {name} ") == [(name, "support.constant.key")]


def test_every_word_of_the_language_is_seen_as_one() -> None:
    grammar = shipped("grammars", "keymap.lark").read_text(encoding="utf-8")
    words = re.findall(r'^_?[A-Z_]+: "([a-z-]+)"$', grammar, re.MULTILINE)
    assert len(words) > 40
    for word in words:
        assert scopes(word)[0][1].startswith("keyword."), word


@pytest.mark.parametrize("name", HOW_CALLED)
def test_every_action_with_brackets_is_seen_as_one(name: str) -> None:
    assert scopes(HOW_CALLED[name])[0] == (name, "support.function")


def words_of(node: object, field: str = "") -> Iterator[tuple[str, Word]]:
    """Every word of a statement as the compiler reads it, with the name of the field that it is in."""
    if isinstance(node, Word):
        yield field, node
    elif isinstance(node, tuple):
        for name, part in zip(getattr(node, "_fields", [field] * len(node)), node, strict=True):
            yield from words_of(part, name)


@pytest.mark.parametrize(
    "path",
    [
        "tests/golden/syntax/whole_language.keys",
        "tests/emulator/everything.keys",
        "keyc/data/demo/otterbridge.keys",
    ],
)
def test_the_editor_sees_a_file_as_the_compiler_does(path: str) -> None:
    text = (Path(__file__).parents[2] / path).read_text(encoding="utf-8")
    seen: dict[int, tuple[str, str]] = {}
    at = 0
    for line in text.splitlines(keepends=True):
        seen |= {at + column: (piece, scope) for column, piece, scope in pieces_of(line.rstrip("\r\n"))}
        at += len(line)
    file = parsed(Source(path, text))
    assert not file.diagnostics
    words = [found for statement in file.statements for found in words_of(statement)]
    assert len(words) > 100
    for field, word in words:
        if word.text.startswith("["):
            word = Word(word.text[1:-1], word.start + 1, word.end - 1)
        if word.text == ")" or ":" in word.text:  # the bracket is left as it is, an id is two numbers
            continue
        piece, scope = seen[word.start]
        assert piece == word.text, (path, word)
        if field == "keyword":
            assert scope.startswith("keyword."), (word, scope)
        elif word.text[0] == '"':
            assert scope == "string.quoted.double", (word, scope)
        elif word.text[0].isdigit() and len(word.text) > 1:
            assert scope == "constant.numeric", (word, scope)
        elif word.text not in RESERVED:
            assert not scope.startswith("keyword.") or word.text in ("/", "+"), (word, scope)
