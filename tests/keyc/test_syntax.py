"""The grammar and the way from text to statements.

Expected values come from the language page's lexical rules, worked out by hand beside each check.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from keyc.language import grammar, syntax
from keyc.language.statements import (
    Assignment,
    Call,
    CapItem,
    Chord,
    DialBlock,
    Dual,
    ExpectStep,
    File,
    KeyboardBlock,
    LayerBlock,
    Let,
    MatrixRow,
    Modified,
    Pause,
    ScenarioBlock,
    SequenceStatement,
    ShapeBlock,
    TimingBlock,
    WiringBlock,
    Word,
)
from keyc.source import Source

WHOLE_LANGUAGE = Path(__file__).parent.parent / "golden" / "syntax" / "whole_language.keys"


def parsed(text: str) -> File:
    return syntax.parsed(Source("test.keys", text))


def codes(text: str) -> list[str]:
    return [one.code for one in parsed(text).diagnostics]


def layer_rows(body: str) -> list[list[str]]:
    """The cells of a grid as they are spelt."""
    text = f"layer base {{\n{body}\n}}\n"
    file = parsed(text)
    assert not file.diagnostics, file.diagnostics
    (layer,) = file.statements
    assert isinstance(layer, LayerBlock)
    return [[text[cell.start : cell.end] for cell in row] for row in layer.rows]


def test_the_grammar_has_no_conflicts() -> None:
    """lark's strict mode: no shift/reduce conflict, no two terminals that match one text in one state."""
    lark = pytest.importorskip("lark")
    pytest.importorskip("interegular", reason="lark checks terminals against each other with it")
    lark.Lark(
        grammar.grammar_text(),
        parser="lalr",
        lexer="contextual",
        strict=True,
        postlex=grammar.AlwaysAccepted(),
    )


def test_the_whole_language_parses() -> None:
    file = parsed(WHOLE_LANGUAGE.read_text(encoding="utf-8"))
    assert not file.diagnostics
    assert [type(one) for one in file.statements] == [
        KeyboardBlock,
        WiringBlock,
        ShapeBlock,
        TimingBlock,
        TimingBlock,
        Let,
        LayerBlock,
        LayerBlock,
        LayerBlock,
        DialBlock,
        Chord,
        SequenceStatement,
        ScenarioBlock,
    ]
    assert isinstance(grid := file.statements[6], LayerBlock)
    assert [len(row) for row in grid.rows] == [4, 5, 3]
    assert isinstance(grid.rows[1][0], Dual)
    assert isinstance(sparse := file.statements[8], LayerBlock)
    assert [one.switch.text for one in sparse.assignments] == ["SW2", "SW3", "SW1"]
    assert isinstance(scenario := file.statements[-1], ScenarioBlock)
    assert isinstance(scenario.steps[-1], ExpectStep)
    assert scenario.steps[-1].nothing is not None


def every_word(node: object) -> list[Word]:
    if isinstance(node, Word):
        return [node]
    if isinstance(node, tuple):
        return [word for part in node for word in every_word(part)]
    return []


def test_every_terminal_that_is_kept_is_a_word() -> None:
    kept = re.findall(r"^([A-Z][A-Z_]*)(?:\.\d+)?:", grammar.grammar_text(), re.MULTILINE)
    assert len(kept) > 50
    for terminal in kept:
        assert isinstance(
            getattr(syntax._Nodes(), terminal)(grammar.parser_module().Token(terminal, "x")), Word
        )
    assert not any(hasattr(syntax._Nodes(), name) for name in ("_OPEN", "__default__", "no_rule"))


def test_every_word_is_where_it_says() -> None:
    text = WHOLE_LANGUAGE.read_text(encoding="utf-8")
    words = every_word(parsed(text).statements)
    assert len(words) > 150
    assert all(text[word.start : word.end] == word.text for word in words)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_line_ends_and_a_byte_order_mark_change_nothing(end: str) -> None:
    from keyc.compile import source_of

    text = WHOLE_LANGUAGE.read_text(encoding="utf-8")
    data = b"\xef\xbb\xbf" + text.replace("\n", end).encode()
    plain, other = parsed(text), syntax.parsed(source_of("x", data))
    assert not other.diagnostics
    assert [w.text for w in every_word(other.statements)] == [w.text for w in every_word(plain.statements)]


@pytest.mark.parametrize(
    ("body", "rows"),
    [
        ("  A B\n\n  C\n", [["A", "B"], ["C"]]),
        ("  A \\\n  B\n  C", [["A", "B"], ["C"]]),
        ("  A \\   # on it goes\n  B", [["A", "B"]]),
        ("  A # no going on: \\\n  B", [["A"], ["B"]]),
        ('  "#" A # "', [['"#"', "A"]]),
        ('  "\\"" "\\\\" A', [['"\\""', '"\\\\"', "A"]]),
        ("  .. ..\t..", [["..", "..", ".."]]),
        ("  a-b Ähnlich_9", [["a-b", "Ähnlich_9"]]),
        ("  1 2 12", [["1", "2", "12"]]),
        ('  Control+Shift+Z Control+"z"', [["Control+Shift+Z", 'Control+"z"']]),
        ("  usage(0x0C, 0x00E9) taps(A, Control+B)", [["usage(0x0C, 0x00E9)", "taps(A, Control+B)"]]),
        ("  Space/Shift A/Control+Alt", [["Space/Shift", "A/Control+Alt"]]),
        ("  row layer at", [["row", "layer", "at"]]),
    ],
)
def test_rows_of_a_grid(body: str, rows: list[list[str]] | None) -> None:
    if rows is None:  # a name begins with A-Z, a-z or _
        assert codes(f"layer base {{\n{body}\n}}\n") == ["sign-without-quotes"]
    else:
        assert layer_rows(body) == rows


def test_a_block_may_stand_on_one_line() -> None:
    layers = 'layer a { SW1 = B  SW2 = "}" } layer b { C D } layer c { }'
    file = parsed(layers + "\ntiming { debounce 5ms at-once }")
    assert not file.diagnostics
    first, second, third = file.statements[:3]
    assert isinstance(first, LayerBlock)
    assert first.assignments[1] == Assignment(Word("SW2", 19, 22), Word('"}"', 25, 28))
    assert isinstance(second, LayerBlock)
    assert len(second.rows[0]) == 2
    assert isinstance(third, LayerBlock)
    assert third.rows == () == third.assignments


def test_what_actions_are_made_of() -> None:
    text = "let x = Shift+Control+usage(0x07, 0x04)/arrows"
    (let,) = parsed(text).statements
    assert isinstance(let, Let)
    assert isinstance(let.action, Dual)
    tapped = let.action.parts[0]
    assert isinstance(tapped, Modified)
    assert [word.text for word in tapped.modifiers] == ["Shift", "Control"]
    assert isinstance(tapped.key, Call)
    assert [text[one.start : one.end] for one in tapped.key.arguments] == ["0x07", "0x04"]


def test_a_unit_that_stands_apart_stays_with_its_number() -> None:
    (shape,) = parsed("shape {\n  SW1 1.5 u SW2 [0.25u] u\n}").statements
    assert isinstance(shape, ShapeBlock)
    first, second, gap, last = shape.lines[0].items
    assert isinstance(first, CapItem)
    assert first.size is not None
    assert first.size.text == "1.5 u"
    assert isinstance(second, CapItem)
    assert isinstance(gap, Word)
    assert isinstance(last, CapItem)
    assert last.switch.text == "u"


# ---- recovery ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("layer a {\n  A ! B ;\n  C\n}\n", ["sign-without-quotes", "sign-without-quotes"]),
        ("layer a {\n  A Control+\n  next(\n}\n", ["unfinished", "unfinished"]),
        ("layer a {\n  A B\n", ["block-not-closed"]),
        ("layer a {\n  A B\nlayer b {\n C\n}\n", ["block-not-closed"]),
        ("layer a\n{\n  A B\n}\n", ["brace-on-next-line"]),
        ("layer a\n  A B\n}\n", ["unfinished"]),
        ("layer a {\n  A B\n}\n}\n", ["brace-without-block"]),
        ("layer a {\n  A B\n  SW1 = C\n  SW2 = D\n}\n", ["mixed-layer-forms"]),
        ("layer a {\n  SW1 = C\n  A B\n  D E\n}\n", ["mixed-layer-forms"]),
        ('layer a {\n  A "b\n  C\n}\n', ["text-not-closed"]),
        ('keyboard "a {\n  usb 0x1209:0x0001\n}\n', ["text-not-closed"]),
        ("wiring {\n  rows GPIO2 SW1\n  row 3 SW2\n}\n", ["unknown-statement", "misplaced"]),
        ("set a = B\nlet c = D\n", ["unknown-statement"]),
        ("thing {\n  a { b }\n  c\n}\nlet c = D\n", ["unknown-statement"]),
        ("let a\nlet = B\nlet c = \n", ["unfinished", "misplaced", "unfinished"]),
        ("let a = B \\", ["unfinished"]),
        ("timing {\n  debounce\n  debounce 5ms 6ms\n}\n", ["unfinished", "misplaced"]),
        ("timing {\n  chord 40ms\n  debounce 5ms\n}\n", ["unknown-statement"]),
        ('scenario "x" {\n  tap A expct B  wait\n}\n', ["unknown-statement"]),
        ("layer row {\n A\n}\n", []),  # a word of the language as a name: told when names are resolved
    ],
)
def test_each_mistake_is_told_once(text: str, expected: list[str]) -> None:
    assert codes(text) == expected


def test_what_follows_a_mistake_is_still_read() -> None:
    file = parsed("wiring {\n  row GPIO2 SW1 ; SW2\n  rowe GPIO3 SW3\n  row GPIO4 SW4\n}\nlet a = B\n")
    wiring, let = file.statements
    assert isinstance(wiring, WiringBlock)
    rows = [line for line in wiring.lines if isinstance(line, MatrixRow)]
    assert [[word.text for word in row.switches] for row in rows] == [["SW1", "SW2"], ["SW4"]]
    assert isinstance(let, Let)
    assert file.damage.lines == {2, 3}
    assert file.damage.blocks == {"wiring"}
    assert {"rowe", "GPIO3", "SW3"} <= file.damage.words


def test_a_missing_word_is_shown_behind_the_last_one() -> None:
    text = "timing {\n  debounce   # how long?\n}\n"
    (one,) = parsed(text).diagnostics
    assert one.span.start == one.span.end == text.index("debounce") + len("debounce")


# ---- the parser that is kept -------------------------------------------------------------------


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A cache folder of the test's own, and no parser in memory."""
    monkeypatch.setenv("KEYC_CACHE", str(tmp_path))
    monkeypatch.setattr(syntax, "_parser", syntax._parser.__wrapped__)
    monkeypatch.setattr(grammar, "parser_module", grammar.parser_module.__wrapped__)
    return tmp_path


def kept_file(folder: Path) -> Path:
    (file,) = folder.glob("*.py")
    return file


def test_the_parser_is_made_once(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parsed("let a = B")
    before = kept_file(kept).read_bytes()
    monkeypatch.setattr(grammar, "_generated", None)  # would fail if it were called
    assert not parsed("let a = B").diagnostics
    assert kept_file(kept).read_bytes() == before


@pytest.mark.parametrize("damage", [b"", b"\0" * 40, b"not Python\n", b"raise SystemError\n", None])
def test_a_damaged_parser_is_made_again(kept: Path, damage: bytes | None) -> None:
    parsed("let a = B")
    file = kept_file(kept)
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2] if damage is None else damage)
    assert not parsed("let a = B").diagnostics
    assert b"MADE_FOR" in file.read_bytes()


def test_another_grammar_makes_another_parser(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parsed("let a = B")
    before = kept_file(kept).read_bytes()
    text = grammar.grammar_text().replace('"let"', '"name"')
    monkeypatch.setattr(grammar, "grammar_text", lambda: text)
    assert not parsed("name a = B").diagnostics
    assert kept_file(kept).read_bytes() != before


def test_a_folder_that_can_not_be_written_is_done_without(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (kept / "file").write_text("")
    monkeypatch.setenv("KEYC_CACHE", str(kept / "file"))
    assert not parsed("let a = B").diagnostics


def test_the_kept_parser_is_the_grammar_s(kept: Path) -> None:
    """The stand-alone parser against lark's own of the same grammar: the same tree for every golden file
    that parses, or both refuse it."""
    lark = pytest.importorskip("lark")
    kept_module = grammar.parser_module()
    own = kept_module.Lark_StandAlone(postlex=grammar.AlwaysAccepted())
    larks = lark.Lark(grammar.grammar_text(), parser="lalr", lexer="contextual", maybe_placeholders=False)
    taken = 0
    for path in WHOLE_LANGUAGE.parent.parent.rglob("*.keys"):
        text = path.read_text(encoding="utf-8") + "\n"
        try:
            due = larks.parse(text).pretty()
        except lark.UnexpectedInput:
            with pytest.raises(kept_module.UnexpectedInput):
                own.parse(text)
        else:
            assert own.parse(text).pretty() == due
            taken += 1
    assert taken >= 5


def test_a_pause_in_a_sequence() -> None:
    (statement,) = parsed('sequence s = "ab" Enter wait 50ms Tab').statements
    assert isinstance(statement, SequenceStatement)
    assert isinstance(statement.strokes[2], Pause)
