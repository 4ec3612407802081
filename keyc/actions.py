"""Words of a cell → what the key does: key names, characters, modifiers, layers, `let`s."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from keyc import measures
from keyc.keyboard import Action, Cell, LayerHeld, Off, Press, Through, Usage, UsbBoot
from keyc.layouts import Layout, written_press
from keyc.mistakes import Mistakes, cut
from keyc.source import Span
from keyc.syntax import (
    LATCH_HELP,
    RESERVED,
    Call,
    Dual,
    LayerBlock,
    Let,
    Modified,
    SequenceStatement,
    Statement,
    Word,
)
from keyc.syntax import Action as Written
from keyc.usages import (
    KEYBOARD_PAGE,
    full_name,
    instead_of,
    is_key_name_in_any_case,
    key_names,
    modifier_of,
    name_for_spoken,
    short_names,
    usage_of,
)

_CALLS = ("usage", "next", "lock", "bottom", "taps", "pointer", "pointer-press", "wheel")
_MODIFIERS = ("Control", "Shift", "Alt", "Meta", "AltRight", "ShiftRight", "ControlRight", "MetaRight")
_LETS_DEEP = 50  # a chain of `let`s as long as the file must not exhaust Python's stack
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_KEYS_EXPECTED = "after `expect` stand the keys that must come, or `nothing`, or `nothing-held`"


def unescaped(word: Word) -> str:
    """What a quoted text says. Raises Misread for a backslash before anything but `"` and `\\`."""
    inside = word.text[1:-1]
    if "\\" not in inside:
        return inside
    wrong = re.search(r'\\([^"\\])', inside.replace("\\\\", "\0\0"))
    if wrong:
        raise measures.Misread(
            "text-escape",
            f"`\\{wrong[1]}` means nothing in a text",
            'write \\\\ for one backslash, \\" for a quote; Tab and Enter are keys with names',
        )
    return re.sub(r'\\(["\\])', r"\1", inside)


class Actions:
    """What the words in a file's cells mean: the names given in it, and those of keys."""

    def __init__(self, statements: Iterable[Statement], host: Layout, mistakes: Mistakes) -> None:
        self._host = host
        self._mistakes = mistakes
        self.layers: dict[str, LayerBlock] = {}
        self._lets: dict[str, Let] = {}
        self._sequences: dict[str, SequenceStatement] = {}
        self._let_actions: dict[str, Action | None] = {}
        self._lets_in_progress: list[str] = []
        self._known: dict[str, tuple[Action, str | None]] = {}  # what was understood, by its spelling
        self._moved_letters = _moved_letters(host)
        self._collect_names(statements)

    def _collect_names(self, statements: Iterable[Statement]) -> None:
        """Layers, lets and sequences share one space of names with the keys."""
        first_named: dict[str, tuple[Word, str]] = {}
        for statement in statements:
            if isinstance(statement, LayerBlock):
                what = "a layer"
                self.layers.setdefault(statement.name.text, statement)
            elif isinstance(statement, Let):
                what = "a `let`"
                self._lets.setdefault(statement.name.text, statement)
            elif isinstance(statement, SequenceStatement):
                what = "a sequence"
                self._sequences.setdefault(statement.name.text, statement)
            else:
                continue
            word = statement.name
            first, first_what = first_named.setdefault(word.text, (word, what))
            if not word.text:
                continue  # the parser has told of it
            if first is not word:
                self._mistakes.taken(word, self._mistakes.at(first), first_what)
            elif word.text in RESERVED:
                self._mistakes.reserved(word)
            elif is_key_name_in_any_case(word.text):
                self._mistakes.tell(
                    "name-taken",
                    f"`{word.text}` is taken: it is a key's name",
                    word,
                    f"choose another name, such as my-{word.text}; capitals make no difference here",
                )

    def check_lets(self) -> None:
        """Tells the mistakes of lets that no cell uses."""
        for let in self._lets.values():
            self._let(let)

    # ---- cells

    def cell(self, written: Written) -> Cell:
        """One cell of a layer; one that can't be understood, which is told, does nothing."""
        source = self._mistakes.source
        text = source.text[written.start : written.end]
        known = self._known.get(text)
        if known is None:
            told = len(self._mistakes.diagnostics)
            action = self.action(written)
            types = self._host.types(action) if isinstance(action, Press) else None
            known = (Off() if action is None else action, types)
            if action is not None and len(self._mistakes.diagnostics) == told:
                self._known[text] = known
        return Cell(known[0], text, known[1], Span(source, written.start, written.end))

    def action(self, written: Written) -> Action | None:
        """What a cell does; None, and told, if it can't be understood."""
        if isinstance(written, Dual):
            self._tell_dual(written)
            return None
        if not isinstance(written, Word):
            return self._modified(written) if isinstance(written, Modified) else self._call(written)
        text = written.text
        if text == "..":
            return Through()
        if text == "off":
            return Off()
        if text == "usb-boot":
            return UsbBoot()
        if text in self.layers:
            return LayerHeld(text)
        if text in self._lets:
            return self._let(self._lets[text])
        if text in self._sequences:
            return None  # told at the sequence
        return self._press(written)

    def expected_press(self, part: Written) -> Press | None:
        """A press that a scenario expects; None, and told, for what sends no key."""
        action = self.action(part)
        if action is None or isinstance(action, Press):
            return action
        text = self._mistakes.source.text[part.start : part.end]
        self._mistakes.tell(
            "expects-no-key",
            f"`{cut(text)}` sends no key",
            self._mistakes.span(part.start, part.end),
            _KEYS_EXPECTED,
        )
        return None

    def unknown_layer(self, word: Word) -> None:
        """Tells that no layer has this name."""
        near = self._mistakes.nearest(word.text, self.layers)
        self._mistakes.tell(
            "unknown-name",
            f"no layer is called `{cut(word.text)}`",
            word,
            f"did you mean {near}?" if near else "the layers are " + cut(", ".join(self.layers), 60),
        )

    # ---- one key

    def _press(self, word: Word | Call) -> Press | None:
        """A key's name, a digit, or one quoted character."""
        if isinstance(word, Call):
            return self._call(word)
        text = word.text
        if text[0] == '"':
            return self._character(word)
        if text[0] in ".0123456789":
            return self._digit(word)
        usage = usage_of(text)
        if usage is None:
            self._unknown_key(word)
            return None
        if len(text) == 1 and text.upper() in self._moved_letters:
            self._moved_letter(word)
        return Press(usage)

    def _moved_letter(self, word: Word) -> None:
        letter = word.text.lower()
        strokes = self._host.strokes(letter)
        own = f" (that is {written_press(strokes[0])})" if strokes and len(strokes) == 1 else ""
        self._mistakes.tell(
            "letter-types-another",
            f"with {self._host.name}, `{word.text}` types {self._moved_letters[letter.upper()]}",
            word,
            f'to type {letter} write "{letter}"{own}; to mean the place write {full_name(letter)}',
            severity="warning",
        )

    def _digit(self, word: Word) -> Press | None:
        text = word.text
        usage = usage_of(text) if len(text) == 1 else None
        if usage is not None:
            return Press(usage)
        if text.isascii() and text.isdigit():
            message, help = (
                f"`{cut(text)}` is not one key",
                f"write {' '.join(text[:12])}: one digit to a cell",
            )
        else:
            message, help = (
                f"`{cut(text)}` is no key",
                "a cell holds one digit, a key's name or a text in quotes",
            )
        self._mistakes.tell("digits-in-cell", message, word, help)
        return None

    def _character(self, word: Word) -> Press | None:
        """The press that types one quoted character under the host layout."""
        try:
            text = unescaped(word)
        except measures.Misread as misread:
            self._mistakes.misread(misread, word)
            return None
        if not text:
            help = 'write the character between the quotes: "!"'
            self._mistakes.tell("text-empty", "this text is empty", word, help)
            return None
        if len(text) > 1 and not text.isascii():
            from unicodedata import normalize

            text = normalize("NFC", text)  # é may come as two code points
        if len(text) > 1:
            self._mistakes.not_yet("text", word)
            return None
        strokes = self._host.strokes(text)
        if strokes is None:
            self._mistakes.tell(
                "character-not-on-layout",
                f"{self._host.name} can't type {_shown(text)}",
                word,
                "write a character that the computer's layout has, or set `host-layout` to the one it uses",
            )
            return None
        if len(strokes) > 1:
            first = written_press(strokes[0])
            self._mistakes.tell(
                "character-needs-two-strokes",
                f"with {self._host.name}, {_shown(text)} takes two strokes: "
                + " then ".join(map(written_press, strokes)),
                word,
                f"a key makes one stroke: write the first one, {first}, and type the second by hand",
            )
            return None
        return strokes[0]

    def _unknown_key(self, word: Word) -> None:
        text = word.text
        if self._mistakes.lost(text):
            return
        if text == "latch":
            self._mistakes.tell("unknown-name", "`latch` is not used here", word, LATCH_HELP)
        elif text in RESERVED:
            self._mistakes.tell(
                "unknown-name",
                f"`{text}` is a word of the language, not an action",
                word,
                "write a key's name, a character in quotes, a layer, `..`, `off` or `usb-boot`",
            )
        else:
            self._mistakes.tell(
                "unknown-name",
                f"no key, layer or let is called `{cut(text)}`",
                word,
                self._key_meant_by(text),
            )

    def _key_meant_by(self, text: str) -> str:
        """Help for a word that names no key."""
        instead = instead_of(text)
        if instead:
            return instead
        spoken = name_for_spoken(text)
        if spoken:
            return f"write {spoken}"
        near = self._mistakes.nearest(text, (*self.layers, *self._lets, *key_names(), *short_names()))
        if near:
            return f"did you mean {near}?"
        return "`keyc names` lists every key; layers and lets get their names in this file"

    # ---- what is made of several words

    def _modified(self, written: Modified) -> Press | None:
        if self._stands_apart(written, written.signs):
            return None
        modifiers: list[int] = []
        for word in written.modifiers:
            number = modifier_of(word.text)
            if number is None:
                self._not_a_modifier(word)
                return None
            if number in modifiers:
                help = "take one of them out"
                self._mistakes.tell("said-twice", f"`{word.text}` is said a second time", word, help)
                return None
            modifiers.append(number)
        key = written.key
        if isinstance(key, Word) and any(
            key.text in names for names in (self.layers, self._lets, self._sequences, RESERVED)
        ):
            self._mistakes.tell(
                "key-after-plus",
                f"`{key.text}` can't stand after `+`",
                key,
                "after the modifiers comes one key or one character in quotes: Control+Z",
            )
            return None
        press = self._press(key)
        if press is None:
            return None
        around = {number for number in modifiers if press.usage != Usage(KEYBOARD_PAGE, number)}
        return Press(press.usage, tuple(sorted(around.union(press.modifiers))))

    def _not_a_modifier(self, word: Word) -> None:
        meant = name_for_spoken(word.text)
        if meant is None or modifier_of(meant) is None:
            meant = self._mistakes.nearest(word.text, _MODIFIERS)
        help = (
            f"write {meant}"
            if meant
            else "before `+` stand Control, Shift, Alt or Meta, or one hand's: AltRight"
        )
        self._mistakes.tell("not-a-modifier", f"`{cut(word.text)}` is not a modifier", word, help)

    def _stands_apart(self, written: Modified | Dual, signs: Sequence[Word]) -> bool:
        """Whether blanks stand around `/` or `+`; told once for an action."""
        text = self._mistakes.source.text
        for sign in signs:
            around = text[sign.start - 1] + text[sign.end]
            if around.strip() != around or "\\" in around:
                joined = re.sub(r"\s*([/+])\s*", r"\1", text[written.start : written.end])
                self._mistakes.tell(
                    "blanks-around-sign",
                    f"blanks stand around this `{sign.text}`",
                    sign,
                    f'write {cut(joined)} in one piece; for the character write "{sign.text}" in quotes',
                )
                return True
        return False

    def _tell_dual(self, written: Dual) -> None:
        if self._stands_apart(written, written.signs):
            return
        if len(written.parts) > 2:
            self._mistakes.tell(
                "slash-twice",
                "a second `/` in one cell",
                written.signs[1],
                "a cell has one `/`, between the key when tapped and what is on while held",
            )
            return
        told = len(self._mistakes.diagnostics)
        for part in written.parts:
            self.action(part)
        if len(self._mistakes.diagnostics) == told:
            self._mistakes.not_yet("dual", self._mistakes.span(written.start, written.end))

    def _call(self, written: Call) -> Press | None:
        name = written.name.text
        where = self._mistakes.span(written.start, written.end)
        if name == "usage":
            return self._usage(written, where)
        if name in _CALLS:
            self._mistakes.not_yet(name, where)
        elif name == "latch":
            self._mistakes.tell("unknown-name", "`latch` is not used here", written.name, LATCH_HELP)
        elif not self._mistakes.lost(name):
            near = self._mistakes.nearest(name, _CALLS)
            self._mistakes.tell(
                "unknown-name",
                f"no action is called `{cut(name)}(…)`",
                written.name,
                f"did you mean {near}(…)?" if near else "actions with brackets are " + ", ".join(_CALLS),
            )
        return None

    def _usage(self, written: Call, where: Span) -> Press | None:
        """`usage(page, id)`: any usage that a report can carry."""
        words = [one for one in written.arguments if isinstance(one, Word)]
        if len(words) != 2 or len(written.arguments) != 2:
            help = "write it like usage(0x0C, 0x00E9)"
            self._mistakes.tell("usage-unfit", "`usage` takes two numbers, a page and an id", where, help)
            return None
        numbers = []
        for word in words:
            try:
                numbers.append(measures.usage_number(word.text, 0xFFFF))
            except measures.Misread as misread:
                self._mistakes.misread(misread, word)
                return None
        from keyc.tables import is_reportable

        usage = Usage(*numbers)
        if is_reportable(usage):
            return Press(usage)
        self._mistakes.tell(
            "usage-unfit",
            f"no report can carry the usage 0x{usage.page:02X}, 0x{usage.id:04X}",
            where,
            "page 0x07 (keys) goes from 0x04 to 0xE7, page 0x0C (consumer) from 0x0001, page 0x01 (system) "
            "from 0x81 to 0xB7",
        )
        return None

    def _let(self, let: Let) -> Action | None:
        """The action that a `let` stands for; None if it can't be understood."""
        name = let.name.text
        if name in self._let_actions:
            return self._let_actions[name]
        if name in self._lets_in_progress:
            circle = self._lets_in_progress[self._lets_in_progress.index(name) :]
            self._mistakes.tell(
                "let-in-a-circle",
                f"`{name}` stands for itself: {cut(' → '.join([*circle, name]), 60)}",
                let.name,
                "let one of them stand for an action",
            )
            self._let_actions.update(dict.fromkeys(circle))
            return None
        if len(self._lets_in_progress) == _LETS_DEEP:
            help = "name the action itself"
            message = f"more than {_LETS_DEEP} lets stand for one another"
            self._mistakes.tell("let-in-a-circle", message, let.name, help)
            return None
        self._lets_in_progress.append(name)
        action = self.action(let.action)
        self._lets_in_progress.pop()
        return self._let_actions.setdefault(name, action)


def _moved_letters(host: Layout) -> Mapping[str, str]:
    """The letters whose keys type something else under a host layout, and what they type."""
    moved = {}
    for letter in _LETTERS:
        usage = usage_of(letter)
        typed = host.types(Press(usage)) if usage else None
        if typed is None or typed.upper() != letter:
            moved[letter] = typed or "no letter"
    return moved


def _shown(character: str) -> str:
    return f"`{character}`" if character.isprintable() and character != "`" else f"U+{ord(character):04X}"
