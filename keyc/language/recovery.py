"""Where parsing goes on after a mistake: at the end of the word, the line or the statement.

Loaded only when a file doesn't parse. lark hands over its parser at the point of the error;
`Recovery.mended` has the mistake told (by `unread`), takes from the parser's stack what can't be
finished, moves the lexer past the mistake, and lets it go on. One place is visited a few times at most,
and after two thousand mistakes the rest of the file is left alone, so that any file ends soon.
"""

from __future__ import annotations

import re
from typing import Any

from keyc.diagnostics import Label
from keyc.language.grammar import parser_module
from keyc.language.parser_stack import ParserStack
from keyc.language.rough_text import BLANK_LINES, BLANKS, CHUNK, NAME, TEXT, RoughText, past
from keyc.language.statements import CapItem, Word
from keyc.language.told import Told
from keyc.language.unread import Unread, likely_meant, quoted
from keyc.language.words import FORMS
from keyc.source import Source

_VISITS = 4  # to one place, before its statement is given up
_MENDED_MOST = 2000

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


class Recovery:
    """Takes lark past the mistakes of one file, which are in `told`."""

    def __init__(self, source: Source, text: str) -> None:
        self.told = Told(source, text)
        self._text = text
        self._end = len(source.text)
        self._around = RoughText(text, self._end)
        self._mended = 0
        self._at = -1  # the last mistake's place, and how often it was come back to
        self._visits = 0
        self._unclosed_end = -2  # where the line ends that the last text without a closing quote is in
        self._mixed_layer = -1  # where the last layer of both forms was opened

    def mended(self, error: Any) -> bool:
        """Tells one mistake and sets the parser up to go on. Always True."""
        lexer = error.interactive_parser.lexer_thread.state
        ends = False
        at: int
        if isinstance(error, parser_module().UnexpectedCharacters):
            at = int(error.pos_in_stream or 0)
        elif error.token.type == "$END":
            at, ends = len(self._text), True
        else:
            at = error.token.start_pos

        self._stack = ParserStack(error.interactive_parser.parser_state, at)
        self._say = Unread(self._text, self._around, self._stack, self.told)
        if self._stack.keyword is not None:
            self.told.blocks.add(self._stack.keyword.text)
            self.told.starts.add(self._stack.keyword.start)
        self._visits = self._visits + 1 if at == self._at else 1
        self._at = at
        self._mended += 1
        if self._mended > _MENDED_MOST:
            lexer.line_ctr.char_pos = self._give_up(at)
        elif self._visits > _VISITS:
            self._stack.drop_statement()
            lexer.line_ctr.char_pos = at + 1
        else:
            lexer.line_ctr.char_pos = self._resume_position(at, ends)
        return True

    def _resume_position(self, at: int, ends: bool) -> int:
        if ends:
            return self._file_ends()
        if self._text[at] == '"' and not TEXT.match(self._text, at):
            return self._text_not_closed(at)
        if self._stack.opened is None:
            return self._header(at) if self._stack.keyword is not None else self._outside(at)
        line_start = self._around.line_start(at)
        if self._text[at] == "{" and not self._text[line_start:at].strip():
            line_start = self._around.line_start(self._around.last_end(at))  # the brace of the line before
        if self._begins_statement(line_start, at):
            self._block_not_closed(line_start)
            return line_start
        if self._stack.statement == "layer":
            return self._in_layer(at)
        return self._in_block(at)

    def _begins_statement(self, line_start: int, at: int) -> bool:
        """Whether this line, met inside a block, begins a statement that can't stand there."""
        word = self._around.first_word(line_start)
        if word not in FORMS[""] or self._stack.opened is None or self._stack.opened >= line_start:
            return False
        if word == "dial" and self._stack.statement == "wiring":
            return self._text[self._around.stop(at)] == "{"
        sign = "=" if word in ("let", "chord", "sequence") else "{"
        return sign in self._text[line_start : self._around.stop(at) + 1]

    def _give_up(self, at: int) -> int:
        """Leaves the rest of the file alone."""
        if self._mended == _MENDED_MOST + 1:
            self.told.even_in_told_line()
            self.told.tell(
                "too-many-mistakes",
                f"after {_MENDED_MOST} mistakes the rest of the file is not looked at",
                at,
                at,
                "mend the first ones, or see whether this is the right file",
            )
        self.told.skipped(at, len(self._text))
        self.told.blocks.update(FORMS[""])
        self._stack.drop_statement()
        return len(self._text)

    def _nested_brace(self, at: int) -> int:
        """A `{` inside a block: what it opens is passed over, with the words before it in its line."""
        self._say.misplaced(at)
        end = self._around.after_block(at)
        self.told.skipped(at, end)
        self._stack.rewind(self._around.line_start(at))
        self._stack.finish_row()
        return end

    def _file_ends(self) -> int:
        end = len(self._text)
        if self._stack.opened is not None:
            self._block_not_closed(end)
        else:
            last = self._around.last_end(self._end)
            self.told.tell(
                "unfinished",
                "the file ends in the middle of a statement",
                last,
                last,
                self._say.form_help(),
            )
            self._stack.drop_statement()
        return end

    def _block_not_closed(self, before: int) -> None:
        assert self._stack.keyword is not None
        assert self._stack.opened is not None
        opened = self.told.span(self._stack.keyword.start, self._stack.opened + 1)
        last = self._around.last_end(before)
        self.told.even_in_told_line()
        self.told.tell(
            "block-not-closed",
            f"expected `}}`: this `{self._stack.statement}` is not closed",
            last,
            last,
            "put a `}` on a line of its own here",
            (Label("opened here", opened),),
        )
        self._stack.rewind(before if before < len(self._text) else self._around.line_start(self._end))
        self._stack.finish_row()
        if not self._stack.takes("_CLOSE"):
            self._stack.drop_statement()
            return
        self._stack.feed("_CLOSE", "}", before)
        self._stack.feed("_NL", "\n", before)

    def _text_not_closed(self, at: int) -> int:
        end = self._text.find("\n", at)
        last = at + len(self._text[at:end].rstrip())
        if self._around.line_start(at) != self._unclosed_end + 1:  # else it is one text on two lines
            self.told.tell(
                "text-not-closed",
                "this text has no closing quote",
                at,
                last,
                'end it with " on the same line; a quote inside a text is written \\"',
            )
            self._unclosed_end = end
        begin = at
        if self._stack.keyword is not None and self._stack.statement not in _HEADERS:
            begin = self._stack.keyword.start  # whose name is lost, too
        self.told.skipped(begin, end)
        if self._stack.opened is None and self._stack.keyword is not None:
            if self._stack.statement in _HEADERS and self._around.body_follows(end):
                self._complete_header(at)
                self._stack.feed("_OPEN", "{", at)
                return end
            self._stack.drop_statement()
            return end
        if self._stack.keyword is not None:
            self._stack.finish_row()
        return end

    def _outside(self, at: int) -> int:
        """Between statements: what begins here is none."""
        text = self._text
        if text[at] == "}":
            self.told.tell(
                "brace-without-block",
                "this `}` closes nothing",
                at,
                at + 1,
                "take it out, or put the `{` in that it belongs to",
            )
            return at + 1
        name = NAME.match(text, at)
        if name:
            self._say.unknown_statement(name.group(), at)
        else:
            end = past(CHUNK, text, at)
            known = ", ".join(FORMS[""])
            self.told.tell(
                "unknown-statement",
                f"{quoted(text[at:end])} begins no statement",
                at,
                end,
                f"a statement begins with one of: {known}",
            )
        stop = self._around.stop(at)
        if stop < len(text) and text[stop] == "}" and stop > at:
            # The `}` of a block whose first line was lost.
            end = stop + 1
        else:
            end = self._around.after_block(stop) if text[stop : stop + 1] == "{" else stop
        self.told.skipped(at, end)
        return max(end, at + 1)

    def _header(self, at: int) -> int:
        """In a statement's first line, before its `{`, or in a statement of one line."""
        assert self._stack.keyword is not None
        text, word = self._text, self._stack.statement
        if word not in _HEADERS:
            self._say.misplaced(at)
            stop = self._around.stop(at)
            end = self._around.after_block(stop) if text[stop : stop + 1] == "{" else max(stop, at)
            self.told.skipped(self._stack.keyword.start, end)
            self._stack.drop_statement()
            return end
        if text[at] in "\r\n":
            next_word = past(BLANK_LINES, text, at)
            last = self._around.last_end(at)
            if self._stack.takes("_OPEN") and text[next_word : next_word + 1] == "{":
                self.told.tell(
                    "brace-on-next-line",
                    f"the `{{` of `{word}` stands on a line of its own",
                    next_word,
                    next_word + 1,
                    f"put it at the end of the line that begins with `{word}`",
                )
                return next_word
            if self._around.body_follows(at):
                self.told.tell(
                    "unfinished",
                    f"expected {'`{`' if self._stack.takes('_OPEN') else self._say.expected()} here",
                    last,
                    last,
                    f"write: {FORMS[''][word]}",
                )
                self._complete_header(at)
                self._stack.feed("_OPEN", "{", last)
                return at
            self._say.misplaced(at)
            self._stack.drop_statement()
            return at
        self._say.misplaced(at)
        stop = self._around.stop(at)
        self.told.skipped(at, stop)
        if text[stop : stop + 1] == "{":
            self._complete_header(at)
            return stop
        if stop < len(text) and text[stop] == "\n" and self._around.body_follows(stop):
            self._complete_header(at)
            self._stack.feed("_OPEN", "{", at)
            return stop
        self._stack.drop_statement()
        return max(stop, at + 1) if text[stop : stop + 1] == "}" else stop

    def _complete_header(self, at: int) -> None:
        """Leaves a whole first line, but for its `{`, on the stack. Names that were read are kept."""
        assert self._stack.keyword is not None
        words = [v for v in self._stack.values if isinstance(v, Word)][1:]
        if not words:  # what stands there instead of a name is likely meant as one
            line = self._text[self._stack.keyword.end : self._around.stop(self._stack.keyword.end)]
            words = [Word(name, at, at) for name in NAME.findall(line)[:1]]
        while self._stack.values[-1] is not self._stack.keyword:
            self._stack.pop()
        for terminal in _HEADERS[self._stack.statement]:
            if terminal == "NAME":
                text, start, _ = words.pop(0) if words else Word("", at, at)
                self._stack.feed("NAME", text, start)
            else:
                self._stack.feed(terminal, "on" if terminal == "_ON" else '""', at)

    def _in_block(self, at: int) -> int:
        """In a block's body, but for a layer's."""
        text, block = self._text, self._stack.statement
        if text[at] == "{":
            return self._nested_brace(at)
        chunk_end = past(CHUNK, text, at)
        name = NAME.match(text, at)
        in_row = block == "shape" or (block == "wiring" and self._stack.in_wiring_row())
        fresh = text[self._around.line_start(at) : at].rstrip()[-1:] in ("", "{")
        statement_lost = False
        earlier = self._begun_too_late() if block == "shape" else self._begun_too_early(block)
        if earlier is not None:
            return earlier
        if name and name.group() in FORMS[block] and not self._stack.takes("_NL"):
            # The next statement begins before this one has all its words.
            self._say.unfinished(at)
            self._stack.finish_row()
            return at
        if name and block != "shape" and (fresh or likely_meant(name.group(), FORMS[block])):
            self._say.unknown_statement(name.group(), at)
            statement_lost = True
        elif block == "shape" and self._stack.takes_size_of_corner():
            self._say.corner_unfinished(at)
            self._stack.finish_row()
            stop = self._around.stop(at)
            self.told.skipped(at, stop)
            return stop
        elif in_row and text[at] not in "\r\n}":
            self._say.sign(at, chunk_end)
            self.told.even_in_told_line()
        else:
            self._say.misplaced(at)
        chunk_end = max(chunk_end, self._say.end)
        taken = self._stack.finish_row()
        if text[at] in "\r\n":
            return at
        if in_row and not statement_lost and (block == "shape" or not taken):
            self.told.skipped(at, chunk_end)
            return chunk_end
        stop = self._around.stop(at)
        if text[stop : stop + 1] == "{":
            stop = self._around.after_block(stop)
        elif block not in ("wiring", "shape"):
            # Several statements may share the line: go on with the next one.
            for match in NAME.finditer(text, chunk_end, stop):
                if match.group() in FORMS[block] and text[match.start() - 1] in " \t":
                    stop = match.start()
                    break
        self.told.skipped(at, stop)
        return stop if stop > at or taken else at + 1

    def _begun_too_late(self) -> int | None:
        """Where a line of `shape` begins that was written behind another one: `SW4 at 3u 4u SW5`."""
        value = self._stack.values[-1] if self._stack.values else None
        cap = value.switch if isinstance(value, CapItem) else None
        words = [v for v in self._stack.values[-2:] if isinstance(v, Word)]
        word = cap or next((one for one in words if one.text == "at"), None)
        if word is None or word.text != "at" or self._text[: word.start].rstrip(" \t")[-1:] in ("\n", "{"):
            return None
        self.told.tell(
            "misplaced",
            "`at` stands behind other caps: it begins a line",
            word.start,
            word.end,
            "put it on a line of its own, with the caps that lie there: at 3.5u 4.25u SW40 SW41",
        )
        self._stack.rewind(word.start)
        self._stack.finish_row()
        self._stack.feed("_NL", "\n", word.start)
        return word.start

    def _begun_too_early(self, block: str) -> int | None:
        """Where the next statement begins that was taken for this one's word: `tap expect Tab`."""
        stack = self._stack.values
        if len(stack) < 2 or not all(isinstance(v, Word) and v.text in FORMS[block] for v in stack[-2:]):
            return None
        word = stack[-1]
        self._stack.rewind(word.start)
        self._say.unfinished(word.start)
        self._stack.finish_row()
        return int(word.start)

    def _in_layer(self, at: int) -> int:
        text = self._text
        assert self._stack.opened is not None
        chunk_end = past(CHUNK, text, at)
        if text[at] == "{":
            return self._nested_brace(at)
        line_start = self._around.line_start(at)
        stop = self._around.stop(at)
        sparse = self._stack.is_sparse()
        line = text[line_start:stop]
        if text[at] == "=":
            lacking = self._switch_for_action()
            if lacking is not None:
                return lacking
        if not sparse and text[at] == "=":
            earlier = self._row_before_switches(at, line_start)
            if earlier is not None:
                return earlier
        assigns = re.match(r"[ \t]*[\w-]+[ \t]*=", line) is not None
        if (sparse and "=" not in line) or (not sparse and assigns and text[at] == "="):
            return self._mixed(at, line_start, stop, sparse)
        is_fresh = self._stack.top_is("_NL") or self._stack.top_is("_OPEN")
        if text[at] in "\r\n" and is_fresh:  # nothing of this row is left
            self._stack.finish_row()
            return at
        in_row = self._stack.takes("_NL") or is_fresh
        if text[at] not in "\r\n}" and in_row and not sparse:
            self._say.sign(at, chunk_end)
            self.told.even_in_told_line()
            self.told.skipped(at, chunk_end)
            return chunk_end
        self._say.misplaced(at)
        if sparse and text[at] not in "\r\n}":
            # It may go on like a row because it is meant as one: then the next rows are no new mistake.
            self._mixed_layer = self._stack.opened
        taken = self._stack.finish_row()
        if text[at] in "\r\n":
            return at
        if text[at] == "}":
            return at if taken else at + 1
        if sparse:
            self.told.skipped(at, stop)
            return stop if stop > at or taken else at + 1
        self.told.skipped(at, chunk_end)
        return chunk_end

    def _switch_for_action(self) -> int | None:
        """Where the next switch stands that was taken for an action: `SW3 =   SW1 = A`."""
        stack = self._stack.values
        word = stack[-1] if len(stack) > 1 else None
        if not isinstance(word, Word) or getattr(stack[-2], "type", "") != "_EQUALS":
            return None
        self._stack.rewind(word.start)
        self._say.unfinished(word.start)
        self._stack.finish_row()
        return int(word.start)

    def _row_before_switches(self, at: int, line_start: int) -> int | None:
        """Where `SW3` stands in a layer's first line `SW2 Numpad7  SW3 = Numpad8`, which lacks a `=`; what
        follows `SW2 =` in `SW2 == Numpad7`. None for everything else."""
        assert self._stack.opened is not None
        if self._text[:at].rstrip(" \t")[-1:] == "=":
            self.told.tell("misplaced", "a second `=` stands here", at, at + 1, "take one of the two out")
            return at + 1
        first = past(BLANKS, self._text, max(line_start, self._stack.opened + 1))
        words = self._text[first:at].split()
        if len(words) < 3 or self._text[self._stack.opened + 1 : first].strip():
            return None
        second = self._text.index(words[1], first + len(words[0]))
        self._say.equals_missing(second, second + len(words[1]))
        switch = self._text.rindex(words[-1], first, at)
        self.told.skipped(first, switch)
        self._stack.rewind(first)
        return switch

    def _mixed(self, at: int, line_start: int, stop: int, sparse: bool) -> int:
        """A layer in which some lines name switches and others are rows."""
        assert self._stack.opened is not None
        first = past(BLANKS, self._text, line_start)
        first = max(first, self._stack.opened + 1)
        if self._mixed_layer != self._stack.opened:
            self._mixed_layer = self._stack.opened
            end = first + len(self._text[first:stop].rstrip())
            if sparse:
                message = "this line is a row, but the layer's lines before it name switches with `=`"
            else:
                message = "this line names a switch with `=`, but the layer's lines before it are rows"
            self.told.tell(
                "mixed-layer-forms",
                message,
                first,
                end,
                "write the whole layer one way: every row, cap for cap; or only `SWITCH = ACTION`",
            )
        self.told.skipped(first, stop)
        self._stack.rewind(first)
        self._stack.finish_row()
        return stop if stop > at or self._text[stop : stop + 1] in "\r\n" else at + 1
