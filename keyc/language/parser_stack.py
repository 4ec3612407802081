"""What lark's parser has read of a statement when it meets a mistake; to be finished, or taken back."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from keyc.language.grammar import parser_module
from keyc.language.statements import Assignment, Word

Token: Any = parser_module().Token
Tree: Any = parser_module().Tree


class ParserStack:
    """The parser's stack at one mistake. `keyword` is the word that began the statement being read, `opened`
    where its `{` stands; None where there is none. Both stay as they were when the mistake was met."""

    def __init__(self, state: Any, at: int) -> None:
        self._state = state
        if self.top_is("_CLOSE"):  # a block just closed: have it reduced, since it's over
            self.feed("_NL", "\n", at)
        self.keyword: Word | None = next((v for v in self.values if isinstance(v, Word)), None)
        self.opened: int | None = next(
            (v.start_pos for v in self.values if isinstance(v, Token) and v.type == "_OPEN"), None
        )

    @property
    def statement(self) -> str:
        """The statement being read, by its keyword; "" between statements."""
        return self.keyword.text if self.keyword else ""

    @property
    def values(self) -> list[Any]:
        """What has been read: lark's tokens and trees, and our words and statements."""
        values: list[Any] = self._state.value_stack
        return values

    def may_come(self) -> Collection[str]:
        """The terminals and rules that may come next."""
        follows: Mapping[str, Any] = self._state.parse_conf.states[self._state.position]
        return follows

    def takes(self, terminal: str) -> bool:
        return terminal in self.may_come()

    def top_is(self, terminal: str) -> bool:
        top = self.values[-1] if self.values else None
        return isinstance(top, Token) and top.type == terminal

    def pop(self) -> Any:
        self._state.state_stack.pop()
        return self.values.pop()

    def feed(self, terminal: str, text: str, at: int) -> None:
        self._state.feed_token(Token(terminal, text, start_pos=at, end_pos=at + len(text)))

    def rewind(self, place: int) -> None:
        """Takes everything from the stack that starts at a place or later."""
        while self.values:
            start = _start(self.values[-1])
            if start is None or start < place:
                return
            self.pop()

    def drop_statement(self) -> None:
        """Takes the statement that is being read from the stack, block and all."""
        stack = self.values
        while stack and not (len(stack) == 1 and isinstance(stack[0], Tree)):
            self.pop()

    def finish_row(self) -> bool:
        """Takes what can't be finished from the stack, so that the line could end here.
        Whether anything was taken."""
        taken = False
        while not self.takes("_NL"):
            popped = self.pop()
            taken = True
            if isinstance(popped, Token) and popped.type == "_LEFT":
                self.pop()  # what stood before the bracket is no cell of its own
        return taken

    def in_wiring_row(self) -> bool:
        """Whether a row or the columns of `wiring` are being read."""
        line = [v for v in self.values if isinstance(v, Word)][1:2]
        return bool(line) and line[0].text in ("row", "columns")

    def in_columns(self) -> bool:
        """Whether the columns of `wiring` are being read."""
        return [v.text for v in self.values if isinstance(v, Word)][1:2] == ["columns"]

    def takes_size_of_corner(self) -> bool:
        """Whether `at` of a line of `shape` lacks one of its two lengths."""
        words = [v for v in self.values[-2:] if isinstance(v, Word)]
        return bool(words) and "at" in (word.text for word in words) and self.takes("SIZE")

    def is_sparse(self) -> bool:
        """Whether the layer that is being read names its switches."""
        return any(
            isinstance(one, Assignment)
            for value in self.values
            for one in (value.children[:1] if isinstance(value, Tree) else [value])
        )


def _start(value: Any) -> int | None:
    """Where something on the parser's stack starts in the text; None for what is empty."""
    if isinstance(value, Token):
        return int(value.start_pos)
    if isinstance(value, Word):
        return value.start
    parts = value.children[:1] if isinstance(value, Tree) else value if isinstance(value, tuple) else ()
    return next((start for start in map(_start, parts) if start is not None), None)
