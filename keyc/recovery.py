"""What is said about text that doesn't parse, and where parsing goes on.

Loaded only when a file has such a mistake. lark hands over its parser at the point of the error;
`Recovery.mended` tells the mistake, takes from the parser's stack what can't be finished, moves
the lexer past the mistake, and lets it go on. One place is visited a few times at most,
and after two thousand mistakes the rest of the file is left alone, so that any file ends soon.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from keyc.diagnostics import Diagnostic, Label
from keyc.grammar import parser_module
from keyc.source import Source, Span
from keyc.statements import Assignment, CapItem, Damage, Word
from keyc.words import FORMS, LATCH_HELP, RESERVED, SET_HELP

Token: Any = parser_module().Token
Tree: Any = parser_module().Tree
UnexpectedCharacters: Any = parser_module().UnexpectedCharacters

_NAME = re.compile(r"[^\W\d]\w*(?:-\w+)*")
_TEXT = re.compile(r'"(?:[^"\\\n]|\\[^\n])*"')
_CHUNK = re.compile(r'[^\s{}#"]+|\S|\s')
# What hides a brace or a line end, and those themselves.
_STOP = re.compile(r'"(?:[^"\\\n]|\\[^\n])*"|\\[ \t]*(?:#[^\n]*)?\r?\n|#[^\n]*|[{}\n]')
_VISITS = 4  # to one place, before its statement is given up
_MENDED_MOST = 2000
_BLANKS = re.compile(r"[ \t]*")
_BLANK_LINES = re.compile(r"(?:[ \t]*(?:#[^\n]*)?\r?\n)*[ \t]*")

# What the parser is given in place of a title or name that it could not read.
_HEADERS: dict[str, tuple[str, ...]] = {
    "keyboard": ("TEXT",),
    "wiring": (),
    "shape": (),
    "timing": (),
    "layer": ("NAME",),
    "dial": ("NAME", "_ON", "NAME"),
    "scenario": ("TEXT",),
}

_EXPECTED = {
    "NAME": "a name",
    "NUMBER": "a number",
    "SIZE": "a number with its unit",
    "TEXT": "a text in quotes",
    "GAP": "a gap such as [0.25u]",
    "NO_SWITCH": "`--`",
    "BENEATH": "`..`",
    "_OPEN": "`{`",
    "_CLOSE": "`}`",
    "_LEFT": "`(`",
    "RIGHT": "`)`",
    "_COMMA": "`,`",
    "_EQUALS": "`=`",
    "SLASH": "`/`",
    "PLUS": "`+`",
    "_EDGES": "`edges-per-detent`",
    "_NL": "the end of the line",
}

# Words that people may begin a statement with, and ours. Common practice.
_TRIED = {
    "set": "let",
    "define": "let",
    "const": "let",
    "alias": "let",
    "macro": "sequence",
    "matrix": "wiring",
    "pins": "wiring",
    "geometry": "shape",
    "encoder": "dial",
    "test": "scenario",
    "rows": "row",
    "cols": "columns",
    "column": "columns",
    "col": "columns",
    "led": "light",
    "switch": "direct",
    "vid": "usb",
    "pid": "usb",
    "press": "down",
    "release": "up",
    "delay": "wait",
    "sleep": "wait",
    "assert": "expect",
    "layout": "shape",
    "keymap": "layer",
}


_CAPS_HELP = "a cap is written: SW1, or SW1 1.5u, or SW1 1x2u; a gap: [0.25u]"


def _start(value: Any) -> int | None:
    """Where something on the parser's stack starts in the text; None for what is empty."""
    if isinstance(value, Token):
        return int(value.start_pos)
    if isinstance(value, Word):
        return value.start
    parts = value.children[:1] if isinstance(value, Tree) else value if isinstance(value, tuple) else ()
    return next((start for start in map(_start, parts) if start is not None), None)


class Recovery:
    """Collects the mistakes of one file while lark parses it."""

    def __init__(self, source: Source, text: str) -> None:
        self.diagnostics: list[Diagnostic] = []
        self._source = source
        self._text = text
        self._end = len(source.text)
        self._lines: set[int] = set()
        self._words: set[str] = set()
        self._blocks: set[str] = set()
        self._starts: set[int] = set()
        self._mended = 0
        self._at = -1  # the last mistake's place, and how often it was come back to
        self._visits = 0
        self._told_line = 0  # one mistake a line, but for signs without quotes
        self._told: set[tuple[str, int]] = set()
        self._mixed_layer = -1  # where the last layer of both forms was opened

    def damage(self) -> Damage:
        return Damage(
            frozenset(self._lines), frozenset(self._words), frozenset(self._blocks), frozenset(self._starts)
        )

    def no_keymap(self) -> Diagnostic:
        """What is said instead of all mistakes where nothing in the file is a statement."""
        first = self.diagnostics[0]
        return first.replaced(
            message=f"{first.message}, and nothing in this file is one",
            help=f"is this the right file? A keymap's statements begin with {', '.join(FORMS[''])}",
            labels=(),
        )

    # ---- lark's call

    def mended(self, error: Any) -> bool:
        """Tells one mistake and sets the parser up to go on. Always True."""
        self._state = error.interactive_parser.parser_state
        self._lexer = error.interactive_parser.lexer_thread.state
        ends = False
        at: int
        if isinstance(error, UnexpectedCharacters):
            at = int(error.pos_in_stream or 0)
        elif error.token.type == "$END":
            at, ends = len(self._text), True
        else:
            at = error.token.start_pos

        if self._top_is("_CLOSE"):  # a block just closed: have it reduced, since it's over
            self._feed("_NL", "\n", at)
        self._keyword = next((v for v in self._state.value_stack if isinstance(v, Word)), None)
        # Where the block's `{` stands, if it has been read.
        self._opened: int | None = next(
            (v.start_pos for v in self._state.value_stack if isinstance(v, Token) and v.type == "_OPEN"), None
        )
        if self._keyword is not None:
            self._blocks.add(self._keyword.text)
            self._starts.add(self._keyword.start)
        self._visits = self._visits + 1 if at == self._at else 1
        self._at = at
        self._mended += 1
        if self._mended > _MENDED_MOST:
            self._lexer.line_ctr.char_pos = self._give_up(at)
        elif self._visits > _VISITS:
            self._drop_statement()
            self._lexer.line_ctr.char_pos = at + 1
        else:
            self._lexer.line_ctr.char_pos = self._resume_position(at, ends)
        return True

    def _resume_position(self, at: int, ends: bool) -> int:
        if ends:
            return self._file_ends()
        if self._text[at] == '"' and not _TEXT.match(self._text, at):
            return self._text_not_closed(at)
        if self._opened is None:
            return self._header(at) if self._keyword is not None else self._outside(at)
        line_start = self._line_start(at)
        if self._text[at] == "{" and not self._text[line_start:at].strip():
            line_start = self._line_start(self._last_end(at))  # the brace of the line before
        if self._begins_statement(line_start, at):
            self._block_not_closed(line_start)
            return line_start
        if self._keyword is not None and self._keyword.text == "layer":
            return self._in_layer(at)
        return self._in_block(at)

    # ---- telling

    def _tell(
        self,
        code: str,
        message: str,
        start: int,
        end: int,
        help: str,
        labels: tuple[Label, ...] = (),
    ) -> None:
        """Adds a mistake, unless its line has one already."""
        line = self._source.place(min(start, self._end))[0]
        self._lines.add(line)
        if line == self._told_line or (code, start) in self._told:
            return
        self._told_line = line
        self._told.add((code, start))  # a line may be read again, once its block has been closed
        span = self._span(start, end)
        self.diagnostics.append(Diagnostic(code, "error", message, span, help, labels))

    def _span(self, start: int, end: int) -> Span:
        return Span(self._source, min(start, self._end), min(end, self._end))

    def _skipped(self, start: int, end: int) -> None:
        """Notes what is lost, so that nobody complains of its absence."""
        text = self._text[start:end]
        self._words.update(_NAME.findall(text))
        first = self._source.place(min(start, self._end))[0]
        self._lines.update(range(first, first + text.count("\n") + 1))

    # ---- reading around

    def _line_start(self, at: int) -> int:
        return self._text.rfind("\n", 0, at) + 1

    def _first_word(self, line_start: int) -> str:
        match = _NAME.match(self._text, _BLANKS.match(self._text, line_start).end())  # type: ignore[union-attr]
        return match.group() if match else ""

    def _stop(self, at: int) -> int:
        """Where the next brace or line end is that isn't in a text or a comment."""
        for match in _STOP.finditer(self._text, at):
            if match.group() in "{}\n":
                return match.start()
        return len(self._text)

    def _after_block(self, at: int) -> int:
        """Past the `}` that closes the `{` at this place; at the next statement if there is none."""
        depth = 0
        for match in _STOP.finditer(self._text, at):
            found = match.group()
            if found == "{":
                depth += 1
            elif found == "}":
                depth -= 1
                if depth <= 0:
                    return match.end()
            elif found.endswith("\n") and self._first_word(match.end()) in FORMS[""]:
                return match.end()
        return len(self._text)

    def _begins_statement(self, line_start: int, at: int) -> bool:
        """Whether this line, met inside a block, begins a statement that can't stand there."""
        word = self._first_word(line_start)
        if word not in FORMS[""] or self._opened is None or self._opened >= line_start:
            return False
        if word == "dial" and self._keyword is not None and self._keyword.text == "wiring":
            return self._text[self._stop(at)] == "{"
        sign = "=" if word in ("let", "chord", "sequence") else "{"
        return sign in self._text[line_start : self._stop(at) + 1]

    def _last_end(self, before: int) -> int:
        """The end of the last word before a place: blanks, comments and line ends are passed over."""
        end = before
        while True:
            stripped = self._text[:end].rstrip() if end < 200 else self._text[end - 200 : end].rstrip()
            offset = 0 if end < 200 else end - 200
            if not stripped and offset:
                end = offset
                continue
            end = offset + len(stripped)
            line_start = self._line_start(end)
            comment = self._comment_start(line_start, end)
            if comment is None:
                return end
            end = comment

    def _comment_start(self, line_start: int, end: int) -> int | None:
        for match in _STOP.finditer(self._text, line_start, end):
            if match.group().startswith("#"):
                return match.start()
        return None

    # ---- the parser's stack

    def _takes(self, terminal: str) -> bool:
        return terminal in self._state.parse_conf.states[self._state.position]

    def _top_is(self, terminal: str) -> bool:
        top = self._state.value_stack[-1] if self._state.value_stack else None
        return isinstance(top, Token) and top.type == terminal

    def _pop(self) -> Any:
        self._state.state_stack.pop()
        return self._state.value_stack.pop()

    def _feed(self, terminal: str, text: str, at: int) -> None:
        self._state.feed_token(Token(terminal, text, start_pos=at, end_pos=at + len(text)))

    def _rewind(self, place: int) -> None:
        """Takes everything from the stack that starts at a place or later."""
        while self._state.value_stack:
            start = _start(self._state.value_stack[-1])
            if start is None or start < place:
                return
            self._pop()

    def _drop_statement(self) -> None:
        """Takes the statement that is being read from the stack, block and all."""
        stack = self._state.value_stack
        while stack and not (len(stack) == 1 and isinstance(stack[0], Tree)):
            self._pop()

    def _finish_row(self) -> bool:
        """Takes what can't be finished from the stack, so that the line could end here.
        Whether anything was taken."""
        taken = False
        while not self._takes("_NL"):
            popped = self._pop()
            taken = True
            if isinstance(popped, Token) and popped.type == "_LEFT":
                self._pop()  # what stood before the bracket is no cell of its own
        return taken

    # ---- mistakes

    def _give_up(self, at: int) -> int:
        """Leaves the rest of the file alone."""
        if self._mended == _MENDED_MOST + 1:
            self._told_line = 0
            self._tell(
                "too-many-mistakes",
                f"after {_MENDED_MOST} mistakes the rest of the file is not looked at",
                at,
                at,
                "mend the first ones, or see whether this is the right file",
            )
        self._skipped(at, len(self._text))
        self._blocks.update(FORMS[""])
        self._drop_statement()
        return len(self._text)

    def _nested_brace(self, at: int) -> int:
        """A `{` inside a block: what it opens is passed over, with the words before it in its line."""
        self._misplaced(at)
        end = self._after_block(at)
        self._skipped(at, end)
        self._rewind(self._line_start(at))
        self._finish_row()
        return end

    def _file_ends(self) -> int:
        end = len(self._text)
        if self._opened is not None:
            self._block_not_closed(end)
        else:
            last = self._last_end(self._end)
            self._tell(
                "unfinished",
                "the file ends in the middle of a statement",
                last,
                last,
                self._form_help(),
            )
            self._drop_statement()
        return end

    def _block_not_closed(self, before: int) -> None:
        assert self._keyword is not None
        assert self._opened is not None
        opened = self._span(self._keyword.start, self._opened + 1)
        last = self._last_end(before)
        self._told_line = 0
        self._tell(
            "block-not-closed",
            f"expected `}}`: this `{self._keyword.text}` is not closed",
            last,
            last,
            "put a `}` on a line of its own here",
            (Label("opened here", opened),),
        )
        self._rewind(before if before < len(self._text) else self._line_start(self._end))
        self._finish_row()
        if not self._takes("_CLOSE"):
            self._drop_statement()
            return
        self._feed("_CLOSE", "}", before)
        self._feed("_NL", "\n", before)

    def _text_not_closed(self, at: int) -> int:
        end = self._text.find("\n", at)
        last = at + len(self._text[at:end].rstrip())
        self._tell(
            "text-not-closed",
            "this text has no closing quote",
            at,
            last,
            'end it with " on the same line; a quote inside a text is written \\"',
        )
        self._skipped(at, end)
        if self._opened is None and self._keyword is not None:
            if self._keyword.text in _HEADERS and self._body_follows(end):
                self._complete_header(at)
                self._feed("_OPEN", "{", at)
                return end
            self._drop_statement()
            return end
        if self._keyword is not None:
            self._finish_row()
        return end

    def _outside(self, at: int) -> int:
        """Between statements: what begins here is none."""
        text = self._text
        if text[at] == "}":
            self._tell(
                "brace-without-block",
                "this `}` closes nothing",
                at,
                at + 1,
                "take it out, or put the `{` in that it belongs to",
            )
            return at + 1
        name = _NAME.match(text, at)
        if name:
            self._unknown_statement(name.group(), at, "")
        else:
            end = _CHUNK.match(text, at).end()  # type: ignore[union-attr]
            known = ", ".join(FORMS[""])
            self._tell(
                "unknown-statement",
                f"{_quoted(text[at:end])} begins no statement",
                at,
                end,
                f"a statement begins with one of: {known}",
            )
        stop = self._stop(at)
        if stop < len(text) and text[stop] == "}" and stop > at:
            # The `}` of a block whose first line was lost.
            end = stop + 1
        else:
            end = self._after_block(stop) if text[stop : stop + 1] == "{" else stop
        self._skipped(at, end)
        return max(end, at + 1)

    def _header(self, at: int) -> int:
        """In a statement's first line, before its `{`, or in a statement of one line."""
        assert self._keyword is not None
        word = self._keyword.text
        text = self._text
        if word not in _HEADERS:
            self._misplaced(at)
            stop = self._stop(at)
            end = self._after_block(stop) if text[stop : stop + 1] == "{" else max(stop, at)
            self._skipped(self._keyword.start, end)
            self._drop_statement()
            return end
        if text[at] in "\r\n":
            next_word = _BLANK_LINES.match(text, at).end()  # type: ignore[union-attr]
            last = self._last_end(at)
            if self._takes("_OPEN") and text[next_word : next_word + 1] == "{":
                self._tell(
                    "brace-on-next-line",
                    f"the `{{` of `{word}` stands on a line of its own",
                    next_word,
                    next_word + 1,
                    f"put it at the end of the line that begins with `{word}`",
                )
                return next_word
            if self._body_follows(at):
                self._tell(
                    "unfinished",
                    f"expected {'`{`' if self._takes('_OPEN') else self._expected()} here",
                    last,
                    last,
                    f"write: {FORMS[''][word]}",
                )
                self._complete_header(at)
                self._feed("_OPEN", "{", last)
                return at
            self._misplaced(at)
            self._drop_statement()
            return at
        self._misplaced(at)
        stop = self._stop(at)
        self._skipped(at, stop)
        if text[stop : stop + 1] == "{":
            self._complete_header(at)
            return stop
        if stop < len(text) and text[stop] == "\n" and self._body_follows(stop):
            self._complete_header(at)
            self._feed("_OPEN", "{", at)
            return stop
        self._drop_statement()
        return max(stop, at + 1) if text[stop : stop + 1] == "}" else stop

    def _body_follows(self, line_end: int) -> bool:
        """Whether what follows a first line without `{` looks like that block's body."""
        following = _BLANK_LINES.match(self._text, line_end).end()  # type: ignore[union-attr]
        return following < self._end and self._first_word(following) not in FORMS[""]

    def _complete_header(self, at: int) -> None:
        """Leaves a whole first line, but for its `{`, on the stack. Names that were read are kept."""
        assert self._keyword is not None
        words = [v for v in self._state.value_stack if isinstance(v, Word)][1:]
        if not words:  # what stands there instead of a name is likely meant as one
            line = self._text[self._keyword.end : self._stop(self._keyword.end)]
            words = [Word(name, at, at) for name in _NAME.findall(line)[:1]]
        while self._state.value_stack[-1] is not self._keyword:
            self._pop()
        for terminal in _HEADERS[self._keyword.text]:
            if terminal == "NAME":
                text, start, _ = words.pop(0) if words else Word("", at, at)
                self._feed("NAME", text, start)
            else:
                self._feed(terminal, "on" if terminal == "_ON" else '""', at)

    def _in_block(self, at: int) -> int:
        """In a block's body, but for a layer's."""
        assert self._keyword is not None
        text = self._text
        block = self._keyword.text
        if text[at] == "{":
            return self._nested_brace(at)
        chunk_end = _CHUNK.match(text, at).end()  # type: ignore[union-attr]
        name = _NAME.match(text, at)
        in_row = block == "shape" or (block == "wiring" and self._in_wiring_row())
        fresh = text[self._line_start(at) : at].rstrip()[-1:] in ("", "{")
        statement_lost = False
        earlier = self._begun_too_late(block) if block == "shape" else self._begun_too_early(block)
        if earlier is not None:
            return earlier
        if name and name.group() in FORMS[block] and not self._takes("_NL"):
            # The next statement begins before this one has all its words.
            self._unfinished(at)
            self._finish_row()
            return at
        if name and block != "shape" and (fresh or self._near(name.group(), FORMS[block])):
            self._unknown_statement(name.group(), at, block)
            statement_lost = True
        elif in_row and text[at] not in "\r\n}":
            self._sign(at, chunk_end, block)
            self._told_line = 0
        else:
            self._misplaced(at)
        taken = self._finish_row()
        if text[at] in "\r\n":
            return at
        if in_row and not statement_lost and (block == "shape" or not taken):
            self._skipped(at, chunk_end)
            return chunk_end
        stop = self._stop(at)
        if text[stop : stop + 1] == "{":
            stop = self._after_block(stop)
        elif block not in ("wiring", "shape"):
            # Several statements may share the line: go on with the next one.
            for match in _NAME.finditer(text, chunk_end, stop):
                if match.group() in FORMS[block] and text[match.start() - 1] in " \t":
                    stop = match.start()
                    break
        self._skipped(at, stop)
        return stop if stop > at or taken else at + 1

    def _begun_too_late(self, block: str) -> int | None:
        """Where a line of `shape` begins that was written behind another one: `SW4 at 3u 4u SW5`."""
        value = self._state.value_stack[-1] if self._state.value_stack else None
        cap = value.switch if isinstance(value, CapItem) else None
        words = [v for v in self._state.value_stack[-2:] if isinstance(v, Word)]
        word = cap or next((one for one in words if one.text == "at"), None)
        if word is None or word.text != "at" or self._text[: word.start].rstrip(" \t")[-1:] in ("\n", "{"):
            return None
        self._tell(
            "misplaced",
            "`at` stands behind other caps: it begins a line",
            word.start,
            word.end,
            "put it on a line of its own, with the caps that lie there: at 3.5u 4.25u SW40 SW41",
        )
        self._rewind(word.start)
        self._finish_row()
        self._feed("_NL", "\n", word.start)
        return word.start

    def _begun_too_early(self, block: str) -> int | None:
        """Where the next statement begins that was taken for this one's word: `tap expect Tab`."""
        stack = self._state.value_stack
        if len(stack) < 2 or not all(isinstance(v, Word) and v.text in FORMS[block] for v in stack[-2:]):
            return None
        word = stack[-1]
        self._rewind(word.start)
        self._unfinished(word.start)
        self._finish_row()
        return int(word.start)

    def _in_wiring_row(self) -> bool:
        line = [v for v in self._state.value_stack if isinstance(v, Word)][1:2]
        return bool(line) and line[0].text in ("row", "columns")

    def _in_layer(self, at: int) -> int:
        text = self._text
        assert self._opened is not None
        chunk_end = _CHUNK.match(text, at).end()  # type: ignore[union-attr]
        if text[at] == "{":
            return self._nested_brace(at)
        line_start = self._line_start(at)
        stop = self._stop(at)
        sparse = self._is_sparse()
        line = text[line_start:stop]
        assigns = re.match(r"[ \t]*[\w-]+[ \t]*=", line) is not None
        if (sparse and "=" not in line) or (not sparse and assigns and text[at] == "="):
            return self._mixed(at, line_start, stop, sparse)
        is_fresh = self._top_is("_NL") or self._top_is("_OPEN")
        if text[at] in "\r\n" and is_fresh:  # nothing of this row is left
            self._finish_row()
            return at
        in_row = self._takes("_NL") or is_fresh
        if text[at] not in "\r\n}" and in_row and not sparse:
            self._sign(at, chunk_end, "layer")
            self._told_line = 0
            self._skipped(at, chunk_end)
            return chunk_end
        self._misplaced(at)
        taken = self._finish_row()
        if text[at] in "\r\n":
            return at
        if text[at] == "}":
            return at if taken else at + 1
        if sparse:
            self._skipped(at, stop)
            return stop if stop > at or taken else at + 1
        self._skipped(at, chunk_end)
        return chunk_end

    def _is_sparse(self) -> bool:
        """Whether the layer that is being read names its switches."""
        return any(
            isinstance(one, Assignment)
            for value in self._state.value_stack
            for one in (value.children[:1] if isinstance(value, Tree) else [value])
        )

    def _mixed(self, at: int, line_start: int, stop: int, sparse: bool) -> int:
        """A layer in which some lines name switches and others are rows."""
        assert self._opened is not None
        first = _BLANKS.match(self._text, line_start).end()  # type: ignore[union-attr]
        first = max(first, self._opened + 1)
        if self._mixed_layer != self._opened:
            self._mixed_layer = self._opened
            end = first + len(self._text[first:stop].rstrip())
            if sparse:
                message = "this line is a row, but the layer's lines before it name switches with `=`"
            else:
                message = "this line names a switch with `=`, but the layer's lines before it are rows"
            self._tell(
                "mixed-layer-forms",
                message,
                first,
                end,
                "write the whole layer one way: every row, cap for cap; or only `SWITCH = ACTION`",
            )
        self._skipped(first, stop)
        self._rewind(first)
        self._finish_row()
        return stop if stop > at or self._text[stop : stop + 1] in "\r\n" else at + 1

    def _sign(self, at: int, end: int, block: str) -> None:
        """A sign or a number where a key or a switch is due. Each is told, however many are in a line."""
        text = self._text[at:end]
        if block != "layer":
            before = self._text[:at].split()[-1]
            if block == "wiring" and text.isdigit() and before.upper() in ("GPIO", "GP"):
                help = f"write {before.upper()}{text}"
                self._tell("misplaced", f"`{before} {text}` is a pin's name in two pieces", at, end, help)
                self._words.add(before)
                return
            if block == "wiring" and text.isdigit():
                help = f"pins are written with their name: GPIO{text}"
            elif block == "wiring":
                help = "name the switches of the row, with blanks between; `--` where there is none"
            else:
                help = _CAPS_HELP
            self._tell("misplaced", f"{_quoted(text)} is no switch", at, end, help)
            return
        if text[0] in "/+":
            names = {"/": "Slash", "+": "NumpadAdd"}
            self._tell(
                "sign-without-quotes",
                f"`{text[0]}` joins two words and can't stand alone",
                at,
                at + 1,
                f'for the character write "{text[0]}", for the key {names[text[0]]}; '
                "between two words put no blanks around it",
            )
            return
        if text[0] == "\\":
            self._tell(
                "sign-without-quotes",
                "a `\\` only stands at a line's end, where it joins the next line on",
                at,
                at + 1,
                'for the key write Backslash, for the character "\\\\"',
            )
            return
        if text == "--":
            self._tell(
                "sign-without-quotes",
                "`--` only stands in `wiring`",
                at,
                end,
                "for a key that does nothing write `off`",
            )
            return
        if text in RESERVED:
            defined = rf"(?m)^[ \t]*(?:layer|let|sequence)[ \t]+{text}(?![\w-])"
            if not re.search(defined, self._text):  # where it is, that is told there
                message = f"`{text}` is a word of the language, not an action"
                help = "write a key's name, a character in quotes, a layer, `..`, `off` or `usb-boot`"
                self._tell("unknown-name", message, at, end, help)
            self._words.add(text)
            return
        if text[0] == "[":
            name = re.search(r"[\w-]+$", self._text[max(0, at - 20) : at])
            if name:
                help = f"write {name[0]}({text.strip('[]')})"
                self._tell("sign-without-quotes", f"what `{name[0]}` works on stands in ( )", at, end, help)
                self._words.add(name[0])
                return
        if text[0].isprintable():
            key = _key_of(text) if len(text) == 1 else None
            if key:
                help = f'write {key} for the key, or "{text}" for the character'
            elif len(text) == 1:
                help = f'write it in quotes: "{text}"'
            else:
                help = "a character is written in quotes, one to a cell; a key by its name"
            self._tell("sign-without-quotes", f"{_quoted(text)} is not a key's name", at, end, help)
        else:
            self._tell("misplaced", f"{_quoted(text)} can't be read", at, end, "take this character out")

    def _unknown_statement(self, word: str, at: int, block: str) -> None:
        forms = FORMS[block]
        where = f" in `{block}`" if block else ""
        elsewhere = [name for name, known in FORMS.items() if name and word in known]
        near = self._near(word, forms)
        if word in FORMS[""] and block:
            help = f"close `{block}` with `}}` before it"
        elif word == "latch":
            help = LATCH_HELP
        elif word == "set":
            help = SET_HELP
        elif near:
            help = f"write: {forms[near]}"
            if not block:
                self._blocks.add(near)  # likely meant as one, so the file doesn't lack it
        elif elsewhere:
            help = f"`{word}` stands inside `{elsewhere[0]} {{ }}`"
        else:
            help = f"a statement here begins with one of: {', '.join(forms)}"
        self._tell("unknown-statement", f"`{word}` begins no statement{where}", at, at + len(word), help)

    def _near(self, word: str, known: Iterable[str]) -> str | None:
        tried = _TRIED.get(word.lower())
        if tried is not None and tried in known:
            return tried
        if len(word) > 40:
            return None
        from difflib import get_close_matches

        found = get_close_matches(word.lower(), list(known), n=1, cutoff=0.7)
        return found[0] if found else None

    def _misplaced(self, at: int) -> None:
        """The general case: something is missing here, or something doesn't belong here."""
        text = self._text
        expected = self._expected()
        help = self._form_help()
        if text[at] in "\r\n}":
            self._unfinished(at)
            return
        match = _TEXT.match(text, at) or _CHUNK.match(text, at)
        assert match is not None
        found = match.group()
        name = _NAME.match(text, at)
        if name:
            found = name.group()
        elif found[0] in "=(),/+":
            found = found[0]
        message = f"{_quoted(found)} does not belong here"
        if name and found in RESERVED and expected == "a name":
            message = f"`{found}` is a word of the language and can name nothing"
            self._tell(
                "reserved-name", message, at, at + len(found), f"choose another name, such as my-{found}"
            )
            return
        if self._opened is None and expected == "a name" and found[0] in '"0123456789':
            message = "a name stands without quotes" if found[0] == '"' else "a name begins with a letter"
            self._tell("name-unfit", message, at, at + len(found), self._name_help(found))
            self._words.add(found)
            return
        if name and self._opened is None and expected == "`when` or `{`":
            before = self._text[:at].split()[-1]
            message = f"`{before} {found}` is two words, and a name is one"
            self._tell("name-unfit", message, at, at + len(found), f"write {before}-{found}")
            return
        if expected:
            message += f": expected {expected}"
        if self._keyword is not None and self._keyword.text == "wiring" and found.isdigit():
            help = f"pins are written with their name: GPIO{found}"
        self._tell("misplaced", message, at, at + len(found), help)

    def _name_help(self, found: str) -> str:
        """A name like what was written where a name is due."""
        words = "-".join(re.findall(r"\w+", found))
        if not words:
            return "write a name: letters, digits and single hyphens"
        return f"write {words}" if words[0].isalpha() else f"write my-{words}"

    def _unfinished(self, before: int) -> None:
        """Something is missing behind the last word before this place."""
        last = self._last_end(before)
        expected = self._expected()
        message = f"expected {expected} here" if expected else "this statement is not finished"
        self._tell("unfinished", message, last, last, self._form_help())

    def _expected(self) -> str:
        """What could stand here, in words; "" if that is too much to say."""
        terminals = {
            t for t in self._state.parse_conf.states[self._state.position] if t.lstrip("_").isupper()
        }
        terminals.discard("$END")
        if len(terminals) > 1:
            terminals -= {"_NL"}
        if len(terminals) > 1:
            terminals -= {"_CLOSE"}
        if terminals >= {"NAME", "NUMBER", "TEXT"}:
            return "a key or a text"
        if len(terminals) > 4:
            return ""
        words = sorted(_EXPECTED.get(t) or f"`{t.strip('_').lower().replace('_', '-')}`" for t in terminals)
        if len(words) > 1:
            return ", ".join(words[:-1]) + " or " + words[-1]
        return words[0] if words else ""

    def _form_help(self) -> str:
        """How the statement that is being read is written."""
        block = self._keyword.text if self._opened is not None and self._keyword is not None else ""
        forms = FORMS.get(block, {})
        for value in reversed(self._state.value_stack):
            if isinstance(value, Token) and value.type == "_LEFT":
                return "what begins with `(` ends with `)`, its words between commas: usage(0x0C, 0x00E9)"
            if isinstance(value, Word) and value.text in forms:
                return f"write: {forms[value.text]}"
        if block == "layer" and self._is_sparse():
            return "in a layer that names its switches, write for each: SW1 = Escape"
        if block == "layer":
            return 'a cell is one of: Escape, A, Control+Z, "!", arrows (a layer), .., off, usb-boot'
        if block == "shape":
            return _CAPS_HELP
        return f"here may stand: {', '.join(forms)}, or `}}`" if block else "take it out"


def _key_of(character: str) -> str | None:
    """The key that carries a sign on a US keyboard without modifiers, for help lines."""
    from keyc.layouts import layout
    from keyc.usages import name_of

    strokes = layout("linux-us").strokes(character)
    if strokes is None or len(strokes) != 1 or strokes[0].modifiers:
        return None
    return name_of(strokes[0].usage)


def _quoted(text: str) -> str:
    """A piece of the file in a message: in backquotes, cut if long, by code point if it can't be shown."""
    if len(text) == 1 and (not text.isprintable() or text == "`"):
        return f"the character U+{ord(text):04X}"
    return f"`{text if len(text) <= 24 else text[:23] + '…'}`"
