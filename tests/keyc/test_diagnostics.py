"""What mistakes look like: golden files of the text, and the JSON and SARIF made of the same list.

The golden files were read and approved by eye; `pytest --bless` writes them anew.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from keyc.compile import check_text, read_source
from keyc.diagnostics import Diagnostic, Label, as_json, as_sarif, render_text
from keyc.source import Source, Span

GOLDEN = Path(__file__).parent.parent / "golden"
FILES = sorted((GOLDEN / "diagnostics").glob("*.keys"))


def found_in(path: Path) -> list[Diagnostic]:
    source = read_source(path)
    return check_text(Source(path.name, source.text))[1]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_text_is_as_approved(path: Path, same_as_golden: Callable[[Path, str], None]) -> None:
    same_as_golden(path.with_suffix(".txt"), render_text(found_in(path)))


def test_the_whole_language_is_as_approved(same_as_golden: Callable[[Path, str], None]) -> None:
    text = render_text(found_in(GOLDEN / "syntax" / "whole_language.keys"))
    same_as_golden(GOLDEN / "diagnostics" / "whole_language.txt", text)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_text_fits_eighty_columns_and_colour_adds_nothing_else(path: Path) -> None:
    import re

    found = found_in(path)
    plain = render_text(found)
    assert found
    assert max(map(len, plain.splitlines())) <= 80
    assert re.sub("\x1b\\[[0-9;]*m", "", render_text(found, colour=True)) == plain
    assert "\x1b" not in plain


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_nothing_is_told_twice(path: Path) -> None:
    found = found_in(path)
    assert len({(one.span.start, one.span.end, one.message) for one in found}) == len(found)
    starts = [one.span.start for one in found]
    assert starts == sorted(starts)


def test_json_is_as_the_commands_promise() -> None:
    """The fields of `keyc check --format json`; lines and columns from 1, in characters, end exclusive."""
    source = Source("a b.keys", "x\nlet é = Ctrl\n")
    at = source.text.index("Ctrl")
    one = Diagnostic(
        "unknown-name",
        "error",
        "no",
        Span(source, at, at + 4),
        "yes",
        (Label("there", Span(source, 0, 1)),),
    )
    assert as_json([one]) == [
        {
            "code": "unknown-name",
            "severity": "error",
            "message": "no",
            "file": "a b.keys",
            "line": 2,
            "column": 9,
            "end_line": 2,
            "end_column": 13,
            "help": "yes",
            "labels": [
                {
                    "message": "there",
                    "file": "a b.keys",
                    "line": 1,
                    "column": 1,
                    "end_line": 1,
                    "end_column": 2,
                }
            ],
        }
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_sarif_follows_its_schema(path: Path) -> None:
    """The published schema of SARIF 2.1.0, in tests/golden/sarif (its README says where from)."""
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads((GOLDEN / "sarif" / "sarif-2.1.0-rtm.5.json").read_text(encoding="utf-8"))
    log = json.loads(json.dumps(as_sarif(found_in(path))))
    jsonschema.Draft4Validator(schema).validate(log)
    run = log["runs"][0]
    assert run["columnKind"] == "unicodeCodePoints"
    rules = [rule["id"] for rule in run["tool"]["driver"]["rules"]]
    assert all(rules[result["ruleIndex"]] == result["ruleId"] for result in run["results"])


def test_the_schema_can_refuse() -> None:
    """That the check above can fail: a log without its required `tool` is refused."""
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads((GOLDEN / "sarif" / "sarif-2.1.0-rtm.5.json").read_text(encoding="utf-8"))
    log = as_sarif([])
    del log["runs"][0]["tool"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft4Validator(schema).validate(log)


def test_sarif_names_files_as_uris() -> None:
    """RFC 3986: a blank, a per cent sign and what isn't ASCII are percent-encoded."""
    source = Source("my board/100% é.keys", "x")
    log = as_sarif([Diagnostic("misplaced", "error", "m", Span(source, 0, 1), None)])
    place = log["runs"][0]["results"][0]["locations"][0]["physicalLocation"]
    assert place["artifactLocation"]["uri"] == "my%20board/100%25%20%C3%A9.keys"


def test_nothing_found_renders_as_nothing() -> None:
    assert render_text([]) == ""
    assert as_json([]) == []
