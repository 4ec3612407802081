"""The names that a file gives: layers, lets and sequences share one space of names with the keys."""

from __future__ import annotations

from collections.abc import Iterable

from keyc.language.mistakes import Mistakes, cut
from keyc.language.statements import LayerBlock, Let, SequenceStatement, Statement, Word
from keyc.usages import is_key_name_in_any_case


class GivenNames:
    """What each name stands for; where two are the same, which is told, the first one counts."""

    def __init__(self, statements: Iterable[Statement], mistakes: Mistakes) -> None:
        self._mistakes = mistakes
        self.layers: dict[str, LayerBlock] = {}
        self.lets: dict[str, Let] = {}
        self.sequences: dict[str, SequenceStatement] = {}
        first_named: dict[str, tuple[Word, str]] = {}
        for statement in statements:
            if isinstance(statement, LayerBlock):
                what = "a layer"
                self.layers.setdefault(statement.name.text, statement)
            elif isinstance(statement, Let):
                what = "a `let`"
                self.lets.setdefault(statement.name.text, statement)
            elif isinstance(statement, SequenceStatement):
                what = "a sequence"
                self.sequences.setdefault(statement.name.text, statement)
            else:
                continue
            word = statement.name
            first, first_what = first_named.setdefault(word.text, (word, what))
            if not word.text:
                continue  # the parser has told of it
            if first is not word:
                mistakes.taken(word, mistakes.at(first), first_what)
            elif mistakes.refused_name(word):
                continue
            elif is_key_name_in_any_case(word.text):
                mistakes.tell(
                    "name-taken",
                    f"`{word.text}` is taken: it is a key's name",
                    word,
                    f"choose another name, such as my-{word.text}; capitals make no difference here",
                )

    def __contains__(self, name: str) -> bool:
        return name in self.layers or name in self.lets or name in self.sequences

    def unknown_layer(self, word: Word) -> None:
        """Tells that no layer has this name."""
        near = self._mistakes.nearest(word.text, self.layers)
        help = f"did you mean {near}?" if near else "the layers are " + cut(", ".join(self.layers), 60)
        self._mistakes.unknown(f"no layer is called `{cut(word.text)}`", word, help)
